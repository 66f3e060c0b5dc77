"""The tables of a season, made from the finished ledgers on disk: for all, and for each client alone."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from swathledger.documents.document import dump, load, rounded
from swathledger.documents.ledger import Ledger
from swathledger.documents.season import FieldTotals, LabelOfTheDay, SeasonDocument
from swathledger.documents.written import By
from swathledger.errors import InputError
from swathledger.files import write_whole
from swathledger.money.ledgers import JobLedger
from swathledger.report.folder import new_folder
from swathledger.report.season_page import render_season
from swathledger.season.manifest.manifest import Job, Manifest
from swathledger.season.manifest.names import TABLES
from swathledger.season.run.plan import Estimator
from swathledger.season.run.task import LEDGER, faults_of
from swathledger.season.tables.columns import FIELDS, REPLAY, Row, columns_of, field_row, replay_rows
from swathledger.season.tables.label_day import DayJob, day_doses
from swathledger.season.tables.summary import Parts, by_field, ordered, season_document
from swathledger.season.tables.write import write_csv, write_layers, write_parquet
from swathledger.words import words

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

SEASON = "season.json"
PAGE = "season.html"
NAMES = TABLES


class _Season:
    """Rows and geometries of all jobs."""

    def __init__(self, manifest: Manifest, out: Path, failed: dict[str, str]) -> None:
        self.manifest, self.out = manifest, out
        self.estimate = Estimator()
        self.rows: dict[str, Row] = {}
        self.replay: dict[str, list[Row]] = {}
        self.ledgers: dict[str, JobLedger] = {}
        self._days: dict[tuple[str, str, str], list[LabelOfTheDay]] = {}
        places = self._treatments()
        for job in manifest.jobs:
            head = self._head(job, places)
            if job.id in failed:
                last = self._last_good(job)
                self.rows[job.id] = {**last, **head, "status": "older" if last["target_m2"] is not None else "failed"}
                self.rows[job.id]["reason"] = failed[job.id]
                self.replay[job.id] = []
                continue
            ledger = load(Ledger, self._folder(job) / "ledger.json")
            self.ledgers[job.id] = JobLedger(job.id, job.client_folder, ledger)
            self.rows[job.id] = {**field_row(ledger), **head, "status": "done", "reason": None}
            identity = {name: head[name] for name in ("job", "client", "field", "product", "day")}
            self.replay[job.id] = [{**row, **identity} for row in replay_rows(ledger)]

    def _last_good(self, job: Job) -> Row:
        """Figures of results that an earlier run left whole; nothing known where there are none."""
        if faults_of(self._folder(job)) == []:
            with suppress(InputError):
                return field_row(load(Ledger, self._folder(job) / LEDGER))
        return dict.fromkeys(FIELDS)

    def _folder(self, job: Job) -> Path:
        return self.out / job.client_folder / job.id

    def _treatments(self) -> dict[str, tuple[int, int]]:
        """For each job which treatment of its field it is, and of how many."""
        groups: dict[tuple[str, str], list[Job]] = {}
        for job in self.manifest.jobs:
            groups.setdefault((job.client, job.field), []).append(job)
        return {
            job.id: (number, len(own)) for own in groups.values() for number, job in enumerate(ordered(own), start=1)
        }

    def _head(self, job: Job, places: dict[str, tuple[int, int]]) -> Row:
        number, of = places[job.id]
        return {
            "job": job.id,
            "client": job.client or None,
            "field": job.field,
            "product": job.product or None,
            "day": job.day,
            "treatment": number,
            "treatments": of,
            "logs": "; ".join(Path(log.file).name for log in job.logs),
        }

    def geometry(self, job: Job) -> BaseGeometry | None:
        """Boundary of a job in degrees; of a derived one that of its own results, where they have one."""
        if job.boundary != "derive":
            outline = self.estimate.fields(str(self.manifest.path(job.boundary).absolute())).get(job.field)
            return None if outline is None else outline.geometry
        return _derived(self._folder(job) / "ledger.gpkg")

    def parts(self, jobs: Sequence[Job], client: str | None) -> Parts:
        """What the summary of some jobs is made from."""
        alone = client is None or len({job.client for job in self.manifest.jobs}) == 1
        rows = [self.rows[job.id] for job in jobs]
        if not alone:
            rows = [self._without_others(row, client or "") for row in rows]
        return Parts(
            jobs=jobs,
            rows=rows,
            replay=[row for job in jobs for row in self.replay[job.id]],
            # Which client a file without a place or a field without a log belongs to is not known.
            unplaced=self.manifest.unplaced if alone else (),
            missing=self.manifest.missing if alone else (),
            client=client,
            ledgers=[self.ledgers[job.id] for job in jobs if job.id in self.ledgers],
            label_day=self._label_day(jobs),
        )

    def _label_day(self, jobs: Sequence[Job]) -> list[LabelOfTheDay]:
        """Products that several jobs put on one field on one day; each field is summed once."""
        groups: dict[tuple[str, str, str], list[Job]] = {}
        for job in jobs:
            if job.id in self.ledgers:
                day = "" if job.day is None else job.day.isoformat()
                groups.setdefault((job.client, job.field, day), []).append(job)
        out = []
        for key, own in groups.items():
            if len(own) > 1 and key not in self._days:
                client, field, day = key
                self._days[key] = day_doses(
                    client or None,
                    field,
                    day or None,
                    [DayJob(job.id, self._folder(job), self.ledgers[job.id].ledger) for job in own],
                )
            out += self._days.get(key, [])
        return out

    def _without_others(self, row: Row, client: str) -> Row:
        """A reason may name fields of the whole boundary file; those of others stay out of a client's binder."""
        if row["reason"] is None:
            return row
        own = {job.field for job in self.manifest.jobs if job.client == client}
        others = {name for job in self.manifest.jobs if job.client != client for name in (job.field, job.client)}
        others |= {item.field for item in self.manifest.missing}
        if any(name and name in row["reason"] for name in others - own):
            return {**row, "reason": words().line("season.gaps.of_another")}
        return row


def _derived(path: Path) -> BaseGeometry | None:
    import pyogrio
    import shapely

    from swathledger.files import plain_path

    if not path.is_file():
        return None
    with plain_path(path) as plain:
        _, _, shapes, _ = pyogrio.raw.read(plain, layer="boundary", columns=[])
    found: BaseGeometry | None = shapely.from_wkb(shapes[0]) if len(shapes) else None
    return found


def write_tables(manifest: Manifest, out: Path, failed: dict[str, str]) -> SeasonDocument:
    """Write the tables of the whole season into ``out`` and those of each labelled client into its binder.

    Parameters
    ----------
    out : Path
        Holds the finished results of every job that did not fail.
    failed : dict
        Reasons by job.

    Returns
    -------
    SeasonDocument
        The document of ``out/season.json``.

    Raises
    ------
    OutputError
    """
    season = _Season(manifest, out, failed)
    labels = sorted({job.client for job in manifest.jobs if job.client})
    for label in labels:
        own = [job for job in manifest.jobs if job.client == label]
        _write(season, own, out / own[0].client_folder, label)
    return _write(season, manifest.jobs, out, None)


def _write(season: _Season, jobs: Sequence[Job], folder: Path, client: str | None) -> SeasonDocument:
    by: By = "season" if client is None else "client"
    with new_folder(folder, by=by, among=True) as new:
        return _fill(new, season, jobs, client, folder)


def _fill(folder: Path, season: _Season, jobs: Sequence[Job], client: str | None, place: Path) -> SeasonDocument:
    """Write into a folder whose files will be put into ``place``, where the jobs' folders are."""
    parts = season.parts(jobs, client)
    write_parquet(folder / NAMES[0], parts.rows, FIELDS)
    write_csv(folder / NAMES[1], parts.rows, FIELDS)
    write_parquet(folder / NAMES[2], parts.replay, REPLAY)
    done = [(job, row) for job, row in zip(jobs, parts.rows, strict=True) if row["status"] == "done"]
    shapes = {job.id: season.geometry(job) for job, _ in done}
    fields = [rounded(field) for field in by_field(row for _, row in done)]
    first = {(job.client, job.field): job.id for job, _ in reversed(done)}
    write_layers(
        folder / NAMES[3],
        {
            "fields": (
                [msgspec.structs.asdict(field) for field in fields],
                columns_of(FieldTotals),
                [shapes[first[field.client or "", field.field]] for field in fields],
            ),
            "jobs": ([row for _, row in done], FIELDS, [shapes[job.id] for job, _ in done]),
        },
        _last_day(jobs),
    )
    document = rounded(season_document(parts))
    write_whole(folder / SEASON, dump(document))
    write_whole(folder / PAGE, render_season(folder, jobs[0].settings.units, place=place))
    return document


def _last_day(jobs: Iterable[Job]) -> str:
    return max((job.day.isoformat() for job in jobs if job.day is not None), default="1970-01-01")
