"""The documents that results are written as and read back through: one model each, with its number and upgrades."""
