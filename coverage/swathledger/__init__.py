"""swathledger: where each square metre and each litre of a spray drive went."""

__version__ = "0.1.0"
