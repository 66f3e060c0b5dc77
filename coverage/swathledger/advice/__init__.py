"""What a ledger says must be looked at first, and what to do about it."""
