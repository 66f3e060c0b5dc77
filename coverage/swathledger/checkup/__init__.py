"""The log against its own track: what cannot be true, what may not be, and what was used instead."""
