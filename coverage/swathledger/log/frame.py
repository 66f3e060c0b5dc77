"""A log that is in memory already, as a table of columns."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from typing import TYPE_CHECKING

import pyarrow as pa

from swathledger.errors import LogError
from swathledger.log.columns import plan_columns, require
from swathledger.log.table import Column, RawTable, feature_places, mend_text

if TYPE_CHECKING:
    import pandas as pd


def table_from_frame(frame: pd.DataFrame, columns: Mapping[str, str] | None, name: str = "DataFrame") -> RawTable:
    """The columns of a data frame that a log needs; its index is left out.

    Parameters
    ----------
    frame : pandas.DataFrame
        A row an epoch, columns as in a log file.
    columns : mapping, optional
        Our column name to the frame's, as in ``[columns]`` of a machine file.
    name : str
        Stands where a file's name would.

    Raises
    ------
    LogError
        A column is there twice or missing, or cannot be read as numbers, times or text.
    """
    headers = tuple(str(header) for header in frame.columns)
    twice = next((header for header in headers if headers.count(header) > 1), None)
    if twice is not None:
        raise LogError(f"has two columns {twice!r}.", file=name, column=twice, hint="Name each once.")
    plan = plan_columns(headers, columns, file=name)
    require(plan, headers, name, position_from_geometry=False)
    digest = hashlib.sha256()
    found = {}
    for header in plan.headers:
        try:
            array = pa.Array.from_pandas(frame.iloc[:, headers.index(header)])
        except (pa.ArrowException, ValueError, TypeError) as error:
            raise LogError(
                f"cannot be read as one kind of value ({error}).", file=name, column=header,
                hint="Give numbers, times or text.",
            ) from error  # fmt: skip
        found[header] = array
        for buffer in (array if isinstance(array, pa.Array) else array.combine_chunks()).buffers():
            digest.update(b"" if buffer is None else memoryview(buffer))
    table, told = mend_text(pa.table(found), name)
    return RawTable(
        file=name,
        inputs=((name, digest.hexdigest()),),
        headers=headers,
        columns={header: Column.of(table.column(header)) for header in plan.headers},
        latitude_deg=None,
        longitude_deg=None,
        places=feature_places,
        warnings=told,
    )
