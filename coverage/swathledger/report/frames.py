"""Results as GeoDataFrames, for work of your own in Python."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

from swathledger.errors import InputError
from swathledger.files import plain_path

if TYPE_CHECKING:
    import geopandas

FILES: Final = ("ledger.gpkg", "season.gpkg")


def frames(folder: Path | str) -> dict[str, geopandas.GeoDataFrame]:
    """Layers of a folder that audit or season wrote.

    Parameters
    ----------
    folder : path

    Returns
    -------
    dict of str to GeoDataFrame
        By name of the layer, in WGS84 (longitude, latitude); columns as docs/results.md and docs/season.md tell them,
        SI. For metres on the ground: ``frame.to_crs(ledger["provenance"]["projection"])``.

    Raises
    ------
    InputError
        The folder holds no such results.
    """
    import geopandas
    import pyogrio

    path = next((Path(folder) / name for name in FILES if (Path(folder) / name).is_file()), None)
    if path is None:
        what = f"holds neither {' nor '.join(FILES)}."
        raise InputError(what, file=str(folder), hint="Give a folder that audit or season wrote.")
    try:
        with plain_path(path) as opened:
            return {str(name): geopandas.read_file(opened, layer=name) for name, _ in pyogrio.list_layers(opened)}
    except (OSError, RuntimeError) as error:
        raise InputError(f"cannot be read ({error}).", file=str(path), hint="Run it again.") from None
