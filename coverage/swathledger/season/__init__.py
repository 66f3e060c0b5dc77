"""Many fields at once: matching logs with fields, running the jobs, tables of the whole season.

Import from the modules: :mod:`swathledger.season.manifest`, :mod:`swathledger.season.match`,
:mod:`swathledger.season.runner`, :mod:`swathledger.season.tables`.
"""
