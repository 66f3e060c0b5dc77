"""Memory of one band, used again for the next."""

from __future__ import annotations

from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

Scalar = TypeVar("Scalar", bound=np.generic)


class Workspace:
    """Lends arrays by name; what was lent under a name before is lent again.

    A band's cells are some 25 MB: asking the system for them band after band costs more time than painting them. What a
    workspace lent for one band is overwritten when it is used for another.
    """

    __slots__ = ("_held",)

    def __init__(self) -> None:
        self._held: dict[str, NDArray[Any]] = {}

    def lend(self, name: str, shape: tuple[int, ...], dtype: type[Scalar]) -> NDArray[Scalar]:
        """Array of a shape and type; its content is whatever was left in it."""
        size = int(np.prod(shape))
        held = self._held.get(name)
        if held is None or held.size < size or held.dtype != np.dtype(dtype):
            held = self._held[name] = np.empty(size, dtype)
        return held[:size].reshape(shape)
