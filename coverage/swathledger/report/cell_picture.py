"""A picture of a field's cells for notebooks and papers, in plane metres."""

from __future__ import annotations

from io import BytesIO
from typing import TYPE_CHECKING, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from swathledger.field.field import Field
from swathledger.grid.frame import Frame
from swathledger.grid.tally import CLASSES
from swathledger.report.map import COLOURS

if TYPE_CHECKING:
    from matplotlib.axes import Axes as Axes  # noqa: PLC0414  # for annotations of the library, which may not draw

SHOWN: Final = 900
"""Most cells shown along a side; of more, every second, third... one."""


def new_axes() -> Axes:
    """Axes on a figure of their own, which no screen or global state knows."""
    from matplotlib.figure import Figure

    return Figure(figsize=(6.5, 6.5), layout="constrained").subplots()


def draw_cells(axes: Axes, classes: NDArray[np.uint8], frame: Frame, field: Field) -> Axes:
    """Draw classes of cells (row 0 northmost) and the boundary, with a legend of what is there."""
    from matplotlib.colors import to_rgba
    from matplotlib.patches import Patch

    step = max(1, -(-max(classes.shape) // SHOWN))
    clear = (1.0, 1.0, 1.0, 0.0)
    palette = np.array([to_rgba(COLOURS[name]) if name in COLOURS else clear for name in CLASSES])
    east, south = frame.west_m + frame.columns * frame.cell_m, frame.north_m - frame.rows * frame.cell_m
    axes.imshow(palette[classes[::step, ::step]], extent=(frame.west_m, east, south, frame.north_m))
    for part in shapely.get_parts(field.boundary).tolist():
        for ring in (part.exterior, *part.interiors):
            axes.plot(*np.asarray(ring.coords).T, color="#333333", linewidth=0.8)
    there = set(np.unique(classes).tolist())
    shown = [name for number, name in enumerate(CLASSES) if number in there and name in COLOURS]
    axes.legend(handles=[Patch(color=COLOURS[name], label=name.replace("_", " ")) for name in shown], fontsize=8)
    axes.set(title=field.field_id, xlabel="east, m", ylabel="north, m")
    return axes


def picture(axes: Axes) -> bytes:
    """The figure that axes stand on, as PNG."""
    from matplotlib.figure import Figure

    out, figure = BytesIO(), axes.get_figure()
    if isinstance(figure, Figure):
        figure.savefig(out, format="png", dpi=90)
    return out.getvalue()
