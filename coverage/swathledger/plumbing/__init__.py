"""Priming, rinsing and standing discharges; the machine's plumbing itself is in :mod:`swathledger.machine.plumbing`.

Import from the modules: :mod:`swathledger.plumbing.prime`, :mod:`swathledger.plumbing.rinse`,
:mod:`swathledger.plumbing.standing` and :mod:`swathledger.plumbing.standing_log`.
"""
