"""The list of layers of a GeoPackage, read by SQLite itself: quick, and before any row of it is looked at."""

from __future__ import annotations

import sqlite3
import time
from dataclasses import dataclass
from pathlib import Path

from swathledger.errors import InputError, LogError
from swathledger.text import file_name

SQLITE = b"SQLite format 3\0"
_MOST_LAYERS = 1000
_MOST_S = 5.0
_STEPS = 10_000  # of SQLite's machine between two looks at the clock


@dataclass(frozen=True, slots=True)
class GeoPackageTable:
    """A layer: its name, the type of its geometry in capitals, and its columns."""

    name: str
    kind: str
    fields: tuple[str, ...]


def tables_of(path: Path, error: type[InputError] = LogError) -> tuple[GeoPackageTable, ...]:
    """The layers with a geometry.

    Raises
    ------
    InputError
        Not a GeoPackage; or a layer that is no plain table: a view is worked out while it is read, without end if it
        likes.
    """
    end = time.monotonic() + _MOST_S
    name = file_name(path)
    try:
        store = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro&immutable=1", uri=True)
        store.set_progress_handler(lambda: int(time.monotonic() > end), _STEPS)
        try:
            kinds = {
                str(item): (str(kind), str(sql or "").lstrip().upper())
                for item, kind, sql in store.execute("select name, type, sql from sqlite_master where type != 'index'")
            }
            if kinds.get("gpkg_geometry_columns", ("", ""))[0] != "table":
                raise error("cannot be read as a GeoPackage: it has no table gpkg_geometry_columns.", file=name)
            query = "select table_name, geometry_type_name from gpkg_geometry_columns limit ?"
            found = [(str(item), str(kind)) for item, kind in store.execute(query, (_MOST_LAYERS,))]
            for item, _ in found:
                kind, sql = kinds.get(item, ("table", ""))
                if kind != "table" or sql.startswith("CREATE VIRTUAL"):
                    raise error(
                        f"its layer {item!r} is a {'view' if kind == 'view' else 'virtual table'}, which is worked out "
                        "while it is read.",
                        file=name,
                        hint="Save the layer as a table of its own.",
                    )
            return tuple(GeoPackageTable(item, kind.upper(), _columns(store, item)) for item, kind in found)
        finally:
            store.close()
    except (sqlite3.Error, UnicodeError, ValueError) as reason:
        raise error(f"cannot be read as a GeoPackage ({reason}).", file=name, hint="Export it again.") from reason


def _columns(store: sqlite3.Connection, table: str) -> tuple[str, ...]:
    quoted = table.replace('"', '""')
    return tuple(str(row[1]) for row in store.execute(f'pragma table_info("{quoted}")'))
