"""Synthetic fields and drives whose truth is known.

Nothing is imported here, so that the command line stays quick; import from the modules:
``fields`` (shapes), ``plan`` (a drive from a boundary), ``drive`` (the plan driven and logged as a real machine would),
``truth``, ``run`` (files in, files out).
"""

from swathledger._called import callable_module

callable_module(__name__)
