"""The command line of swathledger."""
