"""Across fields: how over-application depends on shutoff resolution, field shape and machine, with honest intervals."""

from swathledger._called import callable_module

callable_module(__name__)
