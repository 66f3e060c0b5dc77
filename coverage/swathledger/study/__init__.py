"""Across fields: how over-application depends on shutoff resolution, field shape and machine, with honest intervals."""
