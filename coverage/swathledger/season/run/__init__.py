"""Every job of a manifest audited once, on the seats of a pool, stopped and resumed at will."""
