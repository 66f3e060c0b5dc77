"""The machine behind a log: boom, antenna, hitch, valves, plumbing, as the user's TOML file gives them.

Import from the modules: :mod:`swathledger.machine.machine` (cheap) and :mod:`swathledger.machine.read` (pydantic).
"""
