"""The manifest of a season: which logs make up which job. Written by `match`, read and corrected by a person."""

from __future__ import annotations

import datetime as dt
import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from dataclasses import field as default
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from swathledger.errors import InputError
from swathledger.files import read_small
from swathledger.log.span import Span
from swathledger.notes import Note
from swathledger.season.manifest.inputs import machine_by_rule
from swathledger.season.manifest.names import UNLABELLED
from swathledger.settings import AuditSettings
from swathledger.text import slug

if TYPE_CHECKING:
    from swathledger.machine.products import Product
    from swathledger.machine.validation import Fault
    from swathledger.season.manifest.spec import LogSpec, ManifestSpec, SettingsSpec

DERIVE: Literal["derive"] = "derive"


@dataclass(frozen=True, slots=True)
class JobLog:
    """One log of a job.

    Attributes
    ----------
    file : str
        As the manifest has it, relative to the manifest's folder, with forward slashes.
    spans : tuple of (float, float) or None
        Stretches that belong to the job, seconds as in ``Log.time_s``; None: all of it.
    """

    file: str
    spans: tuple[Span, ...] | None = None


@dataclass(frozen=True, slots=True)
class Job:
    """One treatment of one field by one machine.

    Attributes
    ----------
    id : str
        Safe as a folder name; no two jobs share one (not even in other letter case).
    field : str
        ``field_id`` in the boundary file.
    logs : tuple of JobLog
        Each file once.
    machine, boundary : str
        Paths as the manifest has them; ``boundary`` may be ``"derive"``.
    client, product : str
        Empty where not known.
    day : date or None
    settings : AuditSettings
        With ``field_id`` set, and ``product`` where the job names one.
    products : tuple of Product
        Checked ``[[products]]`` tables of the job and of the season, in SI; they come before the machine file's.
    """

    id: str
    field: str
    logs: tuple[JobLog, ...]
    machine: str
    boundary: str
    client: str = ""
    product: str = ""
    day: dt.date | None = None
    settings: AuditSettings = default(default_factory=AuditSettings)
    products: tuple[Product, ...] = ()
    remarks: tuple[Note, ...] = ()

    @property
    def client_folder(self) -> str:
        """Folder of the client's binder."""
        return slug(self.client) if self.client else UNLABELLED


@dataclass(frozen=True, slots=True)
class Unplaced:
    """A file that belongs to no job."""

    file: str
    reason: Note


@dataclass(frozen=True, slots=True)
class Missing:
    """A field that no log was found for."""

    field: str
    reason: Note


@dataclass(frozen=True, slots=True)
class Manifest:
    """A checked manifest.

    Attributes
    ----------
    folder : Path
        Where its relative paths start.
    boundaries : str or None
        Boundary file of the season, as the manifest has it.
    jobs, unplaced, missing : tuple
        In the order of the file.
    files : tuple of (str, str)
        SHA-256 of the files of logs when they were matched; of none where that was not written down.
    """

    folder: Path
    boundaries: str | None
    jobs: tuple[Job, ...]
    unplaced: tuple[Unplaced, ...] = ()
    missing: tuple[Missing, ...] = ()
    files: tuple[tuple[str, str], ...] = ()

    def path(self, name: str) -> Path:
        """A path of the manifest as one that can be opened."""
        return self.folder / name


def read_manifest(path: Path, *, overrides: Mapping[str, Any] | None = None) -> Manifest:
    """Read and check a manifest.

    Parameters
    ----------
    overrides : mapping, optional
        Settings that come before those of the file; a value of None changes nothing.

    Raises
    ------
    InputError
        Not readable, not TOML, or wrong: every fault at once, with its place, what was found and what to do.
    """
    try:
        text = read_small(path).decode("utf-8-sig")
        raw = tomllib.loads(text)
    except UnicodeDecodeError as error:
        raise InputError("this is not text in UTF-8.", file=path.name, hint="Save it as UTF-8.") from error
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise InputError(
            f"this is not valid TOML: {error}.", file=path.name, hint="Text stands in quotes, tables in [brackets]."
        ) from error
    return manifest_from_mapping(raw, folder=path.parent, file=path.name, text=text, overrides=overrides)


def manifest_from_mapping(
    raw: Mapping[str, Any],
    *,
    folder: Path,
    file: str = "manifest",
    text: str = "",
    overrides: Mapping[str, Any] | None = None,
) -> Manifest:
    """Check the mapping of a manifest; see :func:`read_manifest`."""
    from pydantic import ValidationError

    from swathledger.machine.validation import from_pydantic
    from swathledger.season.manifest.faults import all_told, cross_faults
    from swathledger.season.manifest.spec import SCHEMA, ManifestSpec

    if raw.get("schema") != SCHEMA:
        found = raw.get("schema")
        raise InputError(
            "there is no schema in it, so it is not a manifest." if found is None else f"its schema is {found!r}.",
            file=file,
            hint=f'A manifest begins with schema = "{SCHEMA}"; make one with swathledger match.',
        )
    faults: list[Fault] = []
    spec: ManifestSpec | None = None
    try:
        spec = ManifestSpec.model_validate(_with_log_tables(raw))
    except ValidationError as error:
        faults = [
            replace(fault, text=fault.text.replace("from_", "from").replace("schema_", "schema"))
            for fault in from_pydantic(error, _with_log_tables(raw), ManifestSpec)
        ]
    told = {fault.path for fault in faults}
    faults += [fault for fault in cross_faults(raw) if fault.path not in told]
    if faults:
        raise all_told(faults, file, text)
    if spec is None:  # pragma: no cover - faults were told
        raise InputError("cannot be read.", file=file)
    return Manifest(
        folder=folder,
        boundaries=spec.boundaries,
        jobs=_jobs(spec, overrides or {}),
        unplaced=tuple(Unplaced(item.file, _said(item.reason)) for item in spec.unplaced),
        missing=tuple(Missing(item.field, _said(item.reason)) for item in spec.missing),
        files=tuple((item.file, item.sha256) for item in spec.files),
    )


def _said(text: str) -> Note:
    """What the file says, in whatever words."""
    return Note.of("said", text=text)


def _with_log_tables(raw: Mapping[str, Any]) -> dict[str, Any]:
    """The mapping with every log as a table: a plain text is the file of one."""

    def logs(job: Any) -> Any:
        if not isinstance(job, Mapping) or not isinstance(job.get("logs"), list):
            return job
        return {**job, "logs": [{"file": item} if isinstance(item, str) else item for item in job["logs"]]}

    jobs = raw.get("jobs")
    return {**raw, "jobs": [logs(job) for job in jobs]} if isinstance(jobs, list) else dict(raw)


def _settings(*layers: SettingsSpec | Mapping[str, Any], field: str) -> AuditSettings:
    """Settings of one job: later layers come before earlier ones."""
    out = AuditSettings(field_id=field)
    for layer in layers:
        given = dict(layer) if isinstance(layer, Mapping) else layer.model_dump(exclude_none=True)
        changes = {key: value for key, value in given.items() if value is not None}
        if "groups" in changes:
            changes["groups"] = tuple(dict.fromkeys(str(item) for item in changes["groups"]))
        out = replace(out, **changes)
    return out


def _logs(entries: list[LogSpec]) -> tuple[JobLog, ...]:
    """Each file once, with all its stretches."""
    from swathledger.season.manifest.faults import seconds

    spans: dict[str, list[Span] | None] = {}
    for entry in entries:
        if entry.from_ is None and entry.to is None:
            spans[entry.file] = None
            continue
        known = spans.setdefault(entry.file, [])
        if known is not None:
            known.append((seconds(entry.from_, -math.inf), seconds(entry.to, math.inf)))
    return tuple(JobLog(file, None if item is None else tuple(sorted(item))) for file, item in spans.items())


def _jobs(spec: ManifestSpec, overrides: Mapping[str, Any]) -> tuple[Job, ...]:
    from swathledger.machine.keys import build
    from swathledger.machine.products import ProductTable, with_products

    rules = [(rule.folder, rule.machine) for rule in spec.machine_rules]
    season = [build(ProductTable, item).product() for item in spec.products]
    out = []
    for job in spec.jobs:
        logs = _logs(job.logs)
        derived = job.boundary == DERIVE
        machine = job.machine or machine_by_rule(logs[0].file, rules) or spec.machine
        boundary = job.boundary or spec.boundaries
        if machine is None or boundary is None:  # pragma: no cover - told among the faults
            raise InputError(f"job {job.id} has no machine or no boundary.")
        settings = _settings(spec.settings, job.settings, overrides, field=job.field)
        if job.product.strip():
            settings = replace(settings, product=job.product.strip())
        own = [build(ProductTable, item).product() for item in job.products]
        out.append(
            Job(
                id=job.id,
                field=job.field,
                logs=logs,
                machine=machine,
                boundary=DERIVE if derived else boundary,
                client=job.client,
                product=job.product,
                day=job.day,
                settings=settings,
                products=with_products(season, own),
                remarks=tuple(map(_said, job.remarks)),
            )
        )
    return tuple(out)
