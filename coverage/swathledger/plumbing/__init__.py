"""Line volume, priming, rinsing and standing discharges.

Import from the modules: :mod:`swathledger.plumbing.lines`, :mod:`swathledger.plumbing.spec` (pydantic),
:mod:`swathledger.plumbing.prime`, :mod:`swathledger.plumbing.rinse`, :mod:`swathledger.plumbing.standing` and
:mod:`swathledger.plumbing.standing_log`.
"""
