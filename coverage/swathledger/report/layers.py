"""Pictures of one field that a reader can switch between: what happened, times treated, dose, cause, spared ground.

Each is a palette PNG of the same spots. A colour stands for one thing in its picture, so the page's script reads from
them what happened at a spot and nothing has to be sent twice.
"""

from __future__ import annotations

import base64
from itertools import pairwise
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from swathledger.grid.causes import TABLE
from swathledger.grid.tally import CLASSES, EXCLUDED_TREATED, NOT_RECORDED, OUTSIDE_TREATED, OVERLAP, SINGLE, SKIP
from swathledger.report.map import COLOURS, Picture, png
from swathledger.report.read_results import Stored, StoredLayer
from swathledger.words import Words

TIMES: Final = {0: "#ffffff", 1: "#dfe3d6", 2: "#d7c657", 3: "#8f8a6f", 4: "#4f576c", 5: "#00224e"}
"""After cividis, light for few; 5 is five times or more."""
DOSE_EDGES: Final = (0.5, 0.9, 1.1, 1.5, 2.1)
DOSE: Final = ("#00497a", "#7fb2d6", "#dfe3d6", "#f0b37e", "#d55e00", "#6b2500")
"""Shares of the set rate: blue for too little, orange for too much, apart in grey at both ends."""
CAUSE: Final = {cause.name: cause.colour for cause in TABLE}
GROUND: Final = "#eef0ea"
_NONE: Final = 0
_GROUND_CODE: Final = 50


def dose_shares(picture: Picture, set_rate_l_m2: float | None) -> NDArray[np.float64]:
    """Mean dose of each spot's treated ground as a share of the set rate; NaN where nothing was sprayed."""
    scale = 1.0
    if picture.dose_unit == "L/ha":
        if not set_rate_l_m2:
            return np.full(picture.dose.shape, np.nan)
        scale = 1e4 * set_rate_l_m2
    return picture.dose.astype(np.float64) / scale


def _ground(classes: NDArray[np.uint8]) -> NDArray[np.uint8]:
    inside = np.isin(classes, (SINGLE, OVERLAP, SKIP, NOT_RECORDED))
    return np.where(inside, _GROUND_CODE, _NONE).astype(np.uint8)


def _burn(codes: NDArray[np.uint8], layer: StoredLayer | None, picture: Picture, cause: str | None) -> None:
    """Draw the pieces of a layer over codes, each with the code of its cause."""
    from rasterio.features import rasterize
    from rasterio.transform import from_bounds

    if layer is None or not layer.geometry:
        return
    names = list(CAUSE)
    ground = picture.ground
    rows, columns = codes.shape
    shapes = [
        (shape, names.index(cause or row["cause"]) + 1)
        for shape, row in zip(layer.geometry, layer.rows, strict=True)
        if (cause or row.get("cause")) in CAUSE and not shape.is_empty
    ]
    if shapes:
        rasterize(
            shapes,
            out=codes,
            all_touched=True,
            transform=from_bounds(ground.west, ground.south, ground.east, ground.north, columns, rows),
        )


def _causes(stored: Stored, picture: Picture) -> NDArray[np.uint8]:
    codes = _ground(picture.classes)
    _burn(codes, stored.layers.get("overlap"), picture, None)
    _burn(codes, stored.layers.get("outside"), picture, "outside")
    _burn(codes, stored.layers.get("excluded"), picture, "excluded")
    return codes


def layers_of(stored: Stored, picture: Picture, t: Words) -> list[dict[str, Any]]:
    """The pictures in the order of the switch, each with its legend; what is not known has no picture."""
    classes = picture.classes
    used = {CLASSES[code] for code in np.unique(classes).tolist()}
    out = [
        {"name": "class", "png": base64.b64encode(png(classes)).decode("ascii"),
         "legend": [(COLOURS[name], str(t(f"map.{name}"))) for name in COLOURS if name in used]}
    ]  # fmt: skip

    def add(name: str, codes: NDArray[np.uint8], entries: list[tuple[int, str, str]]) -> None:
        seen = set(np.unique(codes).tolist())
        palette = {code: colour for code, colour, _ in entries}
        out.append({
            "name": name, "png": base64.b64encode(png(codes, palette)).decode("ascii"),
            "legend": [(colour, words) for code, colour, words in entries if code in seen],
        })  # fmt: skip

    target = np.isin(classes, (SINGLE, OVERLAP, SKIP))
    touched = target | np.isin(classes, (OUTSIDE_TREATED, EXCLUDED_TREATED))
    times = np.where(touched, np.minimum(picture.times, 5) + 1, _NONE).astype(np.uint8)
    times[(classes == SKIP)] = 1
    add("times", times, [(n + 1, colour, str(t(f"layer.times_{n}"))) for n, colour in TIMES.items()])
    volume = stored.document["volume"] or {}
    share = dose_shares(picture, volume.get("set_rate_l_m2"))
    if np.isfinite(share).any() and stored.document["volume"] is not None:
        codes = np.where(np.isfinite(share) & touched, np.digitize(np.nan_to_num(share), DOSE_EDGES) + 1, _NONE)
        codes = np.where((codes == _NONE) & target, _GROUND_CODE, codes).astype(np.uint8)
        edges = [f"{100 * edge:.0f}" for edge in DOSE_EDGES]
        words = [t("layer.dose_below", high=edges[0]),
                 *(t("layer.dose_between", low=a, high=b) for a, b in pairwise(edges)),
                 t("layer.dose_above", low=edges[-1])]  # fmt: skip
        add("dose", codes, [*((n + 1, DOSE[n], str(words[n])) for n in range(len(DOSE))),
                            (_GROUND_CODE, "#ffffff", str(t("layer.dose_none")))])  # fmt: skip
    names = [(n + 1, colour, str(t(f"cause.name.{cause}"))) for n, (cause, colour) in enumerate(CAUSE.items())]
    add("cause", _causes(stored, picture), [*names, (_GROUND_CODE, GROUND, str(t("layer.no_cause")))])
    if stored.document["model"] and stored.layers.get("spared") is not None:
        codes = _ground(classes)
        _burn(codes, stored.layers["spared"], picture, None)
        add("spared", codes, [*names, (_GROUND_CODE, GROUND, str(t("layer.not_spared")))])
    return out
