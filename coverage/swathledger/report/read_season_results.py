"""The tables of a season read back from its folder."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import quote

from swathledger.documents.document import load, plain
from swathledger.documents.season import SeasonDocument
from swathledger.errors import InputError


@dataclass(frozen=True, slots=True)
class StoredSeason:
    """What a folder of a season holds.

    Attributes
    ----------
    season : SeasonDocument
        Of ``season.json``.
    document : dict
        The same as plain values, with the rows of ``fields.parquet`` under ``rows``.
    replay : list of dict
        Of ``replay.parquet``.
    outlines : list of (dict, geometry)
        Layer ``fields`` of ``season.gpkg``, degrees.
    links : dict of str to str
        By job, where its page is, relative to the folder.
    """

    folder: Path
    season: SeasonDocument
    document: dict[str, Any]
    replay: list[dict[str, Any]]
    outlines: list[tuple[dict[str, Any], Any]]
    links: dict[str, str]


def read_season(folder: Path, place: Path | None = None) -> StoredSeason:
    """Read the tables that ``swathledger season`` wrote.

    ``place``: where the folders of the jobs are; None: in the folder itself.

    Raises
    ------
    InputError
        They are not there or not of this version.
    """
    import pyarrow.parquet as pq

    season = load(SeasonDocument, folder / "season.json")
    try:
        rows = pq.read_table(folder / "fields.parquet").to_pylist()
        replay = pq.read_table(folder / "replay.parquet").to_pylist()
    except (OSError, ValueError) as error:  # pyarrow's errors are of both kinds
        raise InputError(f"no season can be read here ({error}).", file=str(folder), hint="Run season first.") from None
    document = {**plain(season), "rows": rows}
    return StoredSeason(folder, season, document, replay, _outlines(folder / "season.gpkg"), _links(place or folder))


def _links(folder: Path) -> dict[str, str]:
    """Folders of jobs are at most one client below."""
    out = {}
    for below in sorted(path for path in folder.iterdir() if path.is_dir()) if folder.is_dir() else ():
        for place in (below, *sorted(path for path in below.iterdir() if path.is_dir())):
            if (place / "ledger.json").is_file():
                out[place.name] = f"{quote(place.relative_to(folder).as_posix())}/report.html"
    return out


def _outlines(path: Path) -> list[tuple[dict[str, Any], Any]]:
    import shapely
    from pyogrio import raw

    from swathledger.files import plain_path

    if not path.is_file():
        return []
    with plain_path(path) as plain:
        try:
            meta, _, shapes, fields = raw.read(plain, layer="fields")
        except (OSError, RuntimeError) as error:
            raise InputError(f"cannot be read ({error}).", file=str(path), hint="Run season again.") from None
    names = [str(name) for name in meta["fields"]]
    rows = [dict(zip(names, values, strict=True)) for values in zip(*fields, strict=True)]
    return [
        (row, shape) for row, shape in zip(rows, shapely.from_wkb(shapes).tolist(), strict=True) if shape is not None
    ]
