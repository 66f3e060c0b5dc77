"""What a page needs of a folder of results: nothing is computed again."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from swathledger.documents.document import load, plain
from swathledger.documents.ledger import Ledger
from swathledger.errors import InputError
from swathledger.field.field import LocalPlane
from swathledger.files import plain_path


@dataclass(frozen=True, slots=True)
class StoredLayer:
    """One layer of ``ledger.gpkg`` on the field's plane: geometries and one dict a row."""

    geometry: list[BaseGeometry]
    rows: list[dict[str, Any]]


@dataclass(frozen=True, slots=True)
class Stored:
    """A folder of results.

    Attributes
    ----------
    ledger : Ledger
        Of ``ledger.json``.
    document : dict
        The same as plain values, for the paths of a page.
    layers : dict of name to StoredLayer
    """

    folder: Path
    ledger: Ledger
    document: dict[str, Any]
    plane: LocalPlane
    layers: dict[str, StoredLayer]


def _plane(proj4: str) -> LocalPlane:
    found = re.search(r"\+lat_0=(\S+) \+lon_0=(\S+)", proj4)
    if found is None:
        raise InputError(f"the projection {proj4!r} is not one of ours", file="ledger.json", column="projection")
    return LocalPlane(float(found[1]), float(found[2]))


def _layer(path: Path, name: str, plane: LocalPlane) -> StoredLayer:
    from pyogrio import raw

    meta, _, wkb, fields = raw.read(path, layer=name)
    names = [str(field) for field in meta["fields"]]
    rows = [
        {key: _value(value) for key, value in zip(names, values, strict=True)} for values in zip(*fields, strict=True)
    ]

    def project(lonlat: NDArray[np.float64]) -> NDArray[np.float64]:
        x, y = plane.forward(np.ascontiguousarray(lonlat[:, 1]), np.ascontiguousarray(lonlat[:, 0]))
        return np.column_stack([x, y])

    shapes: list[BaseGeometry] = shapely.transform(shapely.from_wkb(wkb), project).tolist()
    return StoredLayer(shapes, rows)


def _value(value: Any) -> Any:
    """Plain Python; not known is None."""
    if isinstance(value, np.generic):
        value = value.item()
    return None if isinstance(value, float) and np.isnan(value) else value


WANTED = ("boundary", "exclusions", "passes", "standing", "stops", "overlap", "outside", "excluded")
REPLAYED = "spared"
"""A layer that only a replay makes."""
GAPS = "gaps"


def read_results(folder: Path) -> Stored:
    """Read a folder that ``swathledger audit`` wrote.

    Raises
    ------
    InputError
        It holds no results, or some that cannot be used; says which file and key.
    """
    ledger = load(Ledger, folder / "ledger.json")
    plane = _plane(ledger.provenance.projection)
    vector = folder / "ledger.gpkg"
    try:
        with plain_path(vector) as opened:
            wanted = (*WANTED, *((REPLAYED,) if ledger.model is not None else ()))
            if ledger.area.not_recorded_m2 is not None:  # results older than that have no layer of gaps
                wanted = (*wanted, GAPS)
            layers = {name: _layer(opened, name, plane) for name in wanted}
    except (OSError, RuntimeError) as error:
        raise InputError(
            f"cannot be read ({error}).", file=str(folder / "ledger.gpkg"), hint="Run the audit again."
        ) from None
    return Stored(folder, ledger, plain(ledger), plane, layers)
