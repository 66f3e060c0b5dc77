"""Seasons: many logs of many fields, in one run.

`find` goes from a folder to a manifest, `manifest` is the file that a person corrects, `run` audits its jobs, `tables`
adds them up, and :mod:`swathledger.season.season` is the way through them.
"""

from swathledger._called import callable_module

callable_module(__name__)
