"""Cells to areas, volumes and causes; the identities hold to the last cell."""
