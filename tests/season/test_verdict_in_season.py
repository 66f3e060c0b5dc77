"""What an audit found against its log stands in the season's list of doubtful jobs."""

from __future__ import annotations

from swathledger.documents.document import NoteCode
from swathledger.documents.ledger import LedgerVerdict
from swathledger.notes import Measure, Note
from swathledger.season.tables.summary import _against_log
from swathledger.words import say_all


def test_an_unfit_log_is_called_so_with_its_reasons():
    why = Note.of("checkup.positions_rounded", step=Measure(11.1, "length"))
    told = say_all(_against_log(LedgerVerdict(fit="unfit", why=(NoteCode.of(why),))))
    assert told[0] == "The log is not fit to be used."
    assert "11.1 m" in told[1]


def test_a_fit_log_and_an_older_ledger_say_nothing():
    assert _against_log(LedgerVerdict(fit="fit", why=())) == []
    assert _against_log(None) == []
