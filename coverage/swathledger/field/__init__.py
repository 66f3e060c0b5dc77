"""Boundary, exclusions, the local equal-area plane and shape metrics of a field.

Import from the modules: :mod:`swathledger.field.field` (cheap), :mod:`swathledger.field.read` (GDAL through pyogrio),
:mod:`swathledger.field.plane`, :mod:`swathledger.field.shape` and :mod:`swathledger.field.derive`.
"""
