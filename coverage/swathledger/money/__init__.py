"""Products and what over-application of them costs; whether a change of machine pays.

Import from the modules: :mod:`swathledger.money.product`, :mod:`swathledger.money.account`,
:mod:`swathledger.money.payback`, :mod:`swathledger.money.budget`, :mod:`swathledger.money.interval`,
:mod:`swathledger.money.sensitivity`.
"""
