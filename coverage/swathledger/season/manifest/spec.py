"""What a manifest may hold: one pydantic model per table, types and ranges only."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from swathledger.machine.keys import file_model
from swathledger.machine.products import ProductTable

if TYPE_CHECKING:  # made at run time from the keys of a product
    ProductSpec = BaseModel
else:
    ProductSpec = file_model(ProductTable)

SCHEMA = "swathledger/manifest/1"

Text = Annotated[str, Field(strict=True, min_length=1)]
Words = Annotated[str, Field(strict=True)]
Positive = Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0)]
NotNegative = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0)]
Seconds = Annotated[float, Field(strict=True, allow_inf_nan=False)]
Count = Annotated[int, Field(strict=True, ge=1)]
Moment = Annotated[dt.datetime, Field(strict=True)] | Seconds


class _Table(BaseModel):
    """A table of the file: unknown keys are faults."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)


class SettingsSpec(_Table):
    """``[settings]``, of the season or of one job: the names of :class:`swathledger.settings.AuditSettings`."""

    cell_m: Positive | None = None
    max_gap_s: Positive | None = None
    bridge_s: Positive | None = None
    tolerance_m: NotNegative | None = None
    groups: list[Literal["boom", "nozzle", "limit"] | Count] | None = None
    off_when_covered: Annotated[float, Field(strict=True, gt=0, le=1)] | None = None
    units: Literal["metric", "us"] | None = None
    interval: Annotated[bool, Field(strict=True)] | None = None


class LogSpec(_Table):
    """A log, or one stretch of it: from (included) to (not included). A plain text is a log's file, all of it."""

    file: Text
    from_: Annotated[Moment | None, Field(alias="from")] = None
    to: Moment | None = None


class JobSpec(_Table):
    """``[[jobs]]``: one treatment of one field."""

    id: Text
    field: Text
    logs: Annotated[list[LogSpec], Field(min_length=1)]
    client: Words = ""
    product: Words = ""
    day: Annotated[dt.date, Field(strict=True)] | None = None
    machine: Text | None = None
    boundary: Text | None = None
    settings: SettingsSpec = SettingsSpec()
    products: list[ProductSpec] = []
    remarks: list[Words] = []


class MachineRuleSpec(_Table):
    """``[[machine_rules]]``: the machine of every log in a folder and in those below it."""

    folder: Text
    machine: Text


class UnplacedSpec(_Table):
    """``[[unplaced]]``: a file that belongs to no job, and why."""

    file: Text
    reason: Text


class MissingSpec(_Table):
    """``[[missing]]``: a field that no log was found for."""

    field: Text
    reason: Words = ""


Sha256 = Annotated[str, Field(strict=True, pattern="^[0-9a-f]{64}$")]


class FileSpec(_Table):
    """``[[files]]``: a file of a log, and the SHA-256 of its bytes when it was matched."""

    file: Text
    sha256: Sha256


class ManifestSpec(_Table):
    """The whole file."""

    schema_: Annotated[Literal["swathledger/manifest/1"], Field(alias="schema")]
    boundaries: Text | None = None
    machine: Text | None = None
    machine_rules: list[MachineRuleSpec] = []
    settings: SettingsSpec = SettingsSpec()
    products: list[ProductSpec] = []
    jobs: list[JobSpec] = []
    unplaced: list[UnplacedSpec] = []
    missing: list[MissingSpec] = []
    files: list[FileSpec] = []
