"""What an audit needs, from files or from memory."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias, Union

from swathledger.errors import FieldError, InputError
from swathledger.field.field import Field
from swathledger.log.log import Log
from swathledger.machine.machine import Machine

if TYPE_CHECKING:
    import geopandas
    import pandas as pd
    from shapely.geometry.base import BaseGeometry

    from swathledger.field.source import BoundaryFile

PathLike: TypeAlias = Union[str, "os.PathLike[str]"]
LogLike: TypeAlias = Union["pd.DataFrame", PathLike, Sequence["pd.DataFrame | PathLike"], Log]
MachineLike: TypeAlias = Union[PathLike, Mapping[str, Any], Machine]  # noqa: UP007  # one of them is a string here
FieldLike: TypeAlias = Union["geopandas.GeoDataFrame", "BaseGeometry", PathLike, Field]


def read_machine(source: MachineLike | None = None, /, **tables: Any) -> Machine:
    """A machine from its TOML file, or from the same tables given here.

    Parameters
    ----------
    source : path, mapping or Machine, optional
    **tables
        Tables of a machine file (docs/machine.md), instead of ``source``.

    Raises
    ------
    MachineError
        Telling every fault at once.

    Examples
    --------
    >>> sprayer = read_machine(name="24 m", boom={"width_m": 24.0, "nozzle_spacing_m": 0.5, "sections": [6] * 8})
    >>> sprayer.boom.width_m, len(sprayer.boom.sections)
    (24.0, 8)
    """
    from swathledger.machine.read import machine_from_mapping
    from swathledger.machine.read import read_machine as from_file

    if (source is None) == (not tables):
        raise InputError("a machine is a file or tables such as boom={...}.", hint="Give one of the two.")
    if isinstance(source, Machine):
        return source
    if source is None or isinstance(source, Mapping):
        return machine_from_mapping({"name": "machine", **(tables if source is None else source)})
    return from_file(source)


def read_log(source: LogLike, machine: MachineLike) -> Log:
    """A drive, read and cleaned as an audit would; ``log.quality`` tells of every row that was set aside.

    Parameters
    ----------
    source : path, DataFrame, sequence of them, or Log
        Files of any format that docs/formats.md names; data frames have a row an epoch, and columns as a file would.
        Several are joined in order of time.
    machine : path, mapping or Machine
        Its ``[columns]`` and ``[log]`` say how the log is to be understood.

    Raises
    ------
    LogError, MachineError
        Something cannot be used; the message says where, why and what to do.
    """
    from swathledger.log.frame import table_from_frame
    from swathledger.log.read import read_log as read

    if isinstance(source, Log):
        return source
    sprayer = read_machine(machine)
    given: Sequence[Any] = [source] if hasattr(source, "columns") or isinstance(source, (str, os.PathLike)) else source
    several = sum(hasattr(item, "columns") for item in given) > 1
    return read(
        [
            table_from_frame(item, sprayer.columns, f"DataFrame {number}" if several else "DataFrame")
            if hasattr(item, "columns")
            else Path(item)
            for number, item in enumerate(given, start=1)
        ],
        columns=sprayer.columns,
        options=sprayer.log_options.given(),
        sections=len(sprayer.boom.sections),
        nozzles=sprayer.boom.nozzle_count,
        section_widths_m=sprayer.boom.section_widths_m,
    )


def read_field(source: FieldLike, field_id: str | None = None) -> Field:
    """A field: its boundary and exclusions on a plane of its own.

    Parameters
    ----------
    source : path, GeoDataFrame, shapely geometry or Field
        Boundary files and data frames carry ``field_id``, ``role`` and ``buffer_m`` (docs/boundaries.md). A geometry is
        in WGS84 degrees, x longitude and y latitude; a data frame names its own coordinate system.
    field_id : str, optional
        Which field of several; the name of a field that is given as a geometry.

    Raises
    ------
    FieldError
        There is no such field, or its boundary cannot be used.
    """
    from swathledger.field.read import field_from

    if isinstance(source, Field):
        return source
    boundaries = boundaries_of(source, field_id)
    if isinstance(boundaries, Path):
        from swathledger.field.read import read_field as read

        return read(boundaries, field_id=field_id)
    return field_from(boundaries, field_id=field_id)


def boundaries_of(source: Any, field_id: str | None) -> Path | BoundaryFile:
    """A boundary file's path, or its features where they are in memory already."""
    import numpy as np
    from shapely.geometry.base import BaseGeometry

    from swathledger.field.source import boundaries_from

    if isinstance(source, (str, os.PathLike)):
        return Path(source)
    if isinstance(source, BaseGeometry):
        name = "field" if field_id is None else field_id
        columns = {"field_id": np.array([name], dtype=object)}
        return boundaries_from(np.array([source], dtype=object), columns, "EPSG:4326", name)
    if not hasattr(source, "geometry") or not hasattr(source, "columns"):
        raise FieldError(
            f"a {type(source).__name__} is no boundary.", hint="Give a file, a GeoDataFrame or a shapely geometry."
        )
    shape = source.geometry.name
    columns = {
        str(name): source[name].to_numpy(dtype=object, na_value=None) for name in source.columns if name != shape
    }
    crs = None if source.crs is None else source.crs.to_wkt()
    return boundaries_from(np.array(source.geometry, dtype=object), columns, crs, "GeoDataFrame")


def settings_from(**given: Any) -> Any:
    """Settings of an audit from keywords; a number of groups may be a number."""
    from swathledger.settings import AuditSettings

    groups = given.get("groups")
    if isinstance(groups, (str, int)):
        raise InputError(
            f"must be a sequence, found {groups!r}.", column="groups", hint='Such as ("boom", 9, "nozzle").'
        )
    if groups is not None:
        given["groups"] = tuple(str(item) for item in groups)
    return AuditSettings(**given)
