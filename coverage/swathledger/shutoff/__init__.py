"""Replay of the same drive under other outlet groups."""
