"""From a folder of logs to jobs: by field, product, day and machine."""

from __future__ import annotations

import datetime as dt
import os
import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from swathledger.errors import InputError, OutputError
from swathledger.files import sha256_of
from swathledger.notes import Measure, Note
from swathledger.season.find.discover import FoundLog, GivenMachine, Told, client_of, find_logs, relative
from swathledger.season.find.preview import Preview
from swathledger.season.find.split_by_field import FieldIndex, Visit, find_visits
from swathledger.season.manifest.inputs import files_of
from swathledger.season.manifest.manifest import Job, JobLog, Missing, Unplaced, manifest_from_mapping
from swathledger.season.manifest.toml_text import manifest_text
from swathledger.text import MOST_CHARACTERS, printable, slug
from swathledger.words import say

JOIN_GAP_S = 4 * 3600.0
"""Logs of one field, product and machine this close in time belong to one job even across midnight."""
_OVERLAP_S = 60.0
_ELSEWHERE_SHARE = 0.05
_MANIFEST = re.compile(rb"""^\s*schema\s*=\s*["']swathledger/manifest/""", re.MULTILINE)


@dataclass(frozen=True, slots=True)
class Matched:
    """What `match` found.

    Attributes
    ----------
    jobs : tuple of Job
        In order of time, then id.
    unplaced : tuple of Unplaced
        In order of name.
    missing : tuple of Missing
        In the order of the boundary file.
    text : str
        The manifest.
    logs : int
        Logs that belong to a job.
    fields : int
        Fields in the boundary file.
    """

    jobs: tuple[Job, ...]
    unplaced: tuple[Unplaced, ...]
    missing: tuple[Missing, ...]
    text: str
    logs: int
    fields: int


@dataclass(frozen=True, slots=True)
class _Placed:
    """One visit of one log."""

    log: FoundLog
    visit: Visit
    client: str

    @property
    def day(self) -> dt.date | None:
        """Local day by the sun: no log says which time zone its field keeps."""
        if not self.log.preview.absolute:
            return None
        shift = self.visit.longitude_deg / 15 * 3600
        return (dt.datetime(1970, 1, 1, tzinfo=dt.UTC) + dt.timedelta(seconds=self.visit.start_s + shift)).date()

    @property
    def alike(self) -> tuple[object, ...]:
        """What logs of one job share."""
        preview = self.log.preview
        return (
            self.client,
            self.visit.field,
            self.visit.product.casefold(),
            self.log.machine.name,
            preview.state_kind,
            preview.states,
            preview.absolute,
        )


def read_machines(given: Sequence[tuple[Path, Path | None]], base: Path) -> list[GivenMachine]:
    """Machine files with the folders they are for.

    Raises
    ------
    MachineError, InputError
    """
    from swathledger.machine.read import read_machine

    out = []
    for path, folder in given:
        if folder is not None and not folder.is_dir():
            raise InputError(f"there is no folder {folder} to give a machine to.", hint="Check the path.")
        machine = read_machine(path)
        out.append(GivenMachine(relative(path, base), machine, None if folder is None else relative(folder, base)))
    return out


def match(
    folder: Path,
    boundaries: Path,
    machines: Sequence[tuple[Path, Path | None]],
    out: Path,
    *,
    client: str = "",
    clients_from_folders: bool = False,
    told: Told | None = None,
) -> Matched:
    """Find the logs in a folder and the fields they were made in, and group them into jobs.

    Parameters
    ----------
    folder : Path
        Searched with all folders below it.
    boundaries : Path
        Boundary file with all fields.
    machines : sequence of (Path, Path or None)
        Machine files, each with the folder it is for; None: for logs that no folder's machine claims. Among several of
        those, a log's count of states must tell its machine.
    out : Path
        Where the manifest is to be written (it is not written here): its paths are relative to that.
    client : str
        Label of every job.
    clients_from_folders : bool
        The first folder under ``folder`` is the label instead.
    told : callable, optional
        Is told of the files done.

    Raises
    ------
    InputError, FieldError, MachineError
    """
    from swathledger.field.read import list_fields

    if not folder.is_dir():
        raise InputError("is not a folder.", file=str(folder), hint="Give the folder that holds the logs.")
    base = out.absolute().parent
    index = FieldIndex(list_fields(boundaries))
    given = read_machines(machines, base)
    check_out(out, [boundaries, *(path for path, _ in machines)])
    skip = [boundaries, out, *(path for path, _ in machines)]
    logs, unplaced = find_logs(folder.absolute(), given, base, skip=skip, told=told, by_client=clients_from_folders)
    placed, passed = _place(logs, index, unplaced, client, clients_from_folders)
    placed = _without_copies(placed, unplaced)
    groups = _group(placed)
    ids: set[str] = set()
    jobs = [(_job(group, index, relative(boundaries, base), ids), group[0].log.preview.absolute) for group in groups]
    ruled = {item.name: item.folder for item in given}
    plain = [item.name for item in given if item.folder is None]
    default = plain[0] if len(plain) == 1 else None
    missing = _missing(index, placed, passed)
    unplaced.sort(key=lambda item: (item.file, say(item.reason)))
    text = manifest_text(
        jobs,
        unplaced,
        missing,
        boundaries=relative(boundaries, base),
        machine=default,
        rules=[(item.folder, item.name) for item in given if item.folder is not None],
        by_itself=frozenset(job.id for job, _ in jobs if ruled[job.machine] is None and job.machine != default),
        files=_digests(placed, base),
    )
    # What is handed to a person must be readable to us again, with all its faults told now rather than later.
    manifest_from_mapping(tomllib.loads(text), folder=base, file=out.name, text=text)
    used = {item.log.name for item in placed}
    return Matched(tuple(job for job, _ in jobs), tuple(unplaced), tuple(missing), text, len(used), len(index.outlines))


def _digests(placed: Sequence[_Placed], base: Path) -> list[tuple[str, str]]:
    """Hashes of the files of all logs that belong to a job."""
    parts = {relative(part, base): part for item in placed for part in files_of(item.log.path)}
    return [(name, sha256_of(parts[name])) for name in sorted(parts)]


def check_out(out: Path, inputs: Sequence[Path] = ()) -> None:
    """Refuse a place for the manifest where something stands that is none of ours, or that is read.

    Raises
    ------
    OutputError
    """
    shown = printable(str(out))
    if out.is_dir():
        raise OutputError(f"{shown}: is a folder. Give the name of a file.")
    if not os.path.lexists(out):
        return
    if any(path.samefile(out) for path in inputs if path.exists() and out.exists()):
        raise OutputError(f"{shown}: is read by this run, and would be replaced by it. Give another name.")
    try:
        ours = _MANIFEST.search(out.read_bytes()) is not None
    except OSError as error:
        raise OutputError(f"{shown}: cannot be read ({error.strerror or error}). Give another name.") from error
    if not ours:
        raise OutputError(f"{shown}: is no manifest of this program and is not replaced. Give another name.")


def write_manifest(matched: Matched, out: Path, *, overwrite: bool = False) -> None:
    """Write the manifest, whole or not at all.

    Raises
    ------
    OutputError
        It exists and ``overwrite`` is not set, or it cannot be written.
    """
    from swathledger.files import write_whole

    check_out(out)
    if out.exists() and not overwrite:
        raise OutputError(
            f"{out}: exists already, and corrections made in it would be lost. Give another name, or --overwrite."
        )
    write_whole(out, matched.text.encode("utf-8"))


def _label(log: FoundLog, client: str, from_folders: bool) -> str:
    if from_folders:
        return client_of(log.below) or client
    return client


def _place(
    logs: Sequence[FoundLog], index: FieldIndex, unplaced: list[Unplaced], client: str, from_folders: bool
) -> tuple[list[_Placed], dict[int, list[str]]]:
    """Pieces of every log, and for fields that were only passed through the logs that did."""
    out: list[_Placed] = []
    passed: dict[int, list[str]] = {}
    for found in logs:
        preview, log = found.preview, found
        visits = find_visits(preview, index)
        if not visits.settled:
            preview = found.whole()
            log = replace(found, preview=preview)
            visits = find_visits(preview, index)
        for number in visits.passed:
            passed.setdefault(number, []).append(found.name)
        if not visits.visits:
            unplaced.append(Unplaced(found.name, _why_none(log, index, visits.passed)))
            continue
        if visits.elsewhere_share > _ELSEWHERE_SHARE:
            share = Measure(100 * visits.elsewhere_share, "pct")
            remark = Note.of("match.elsewhere", file=found.path.name, share=share)
            log = replace(log, remarks=(*log.remarks, remark))
        label = _label(found, client, from_folders)
        out += [_Placed(log, visit, label) for visit in visits.visits]
    return out, passed


def _why_none(log: FoundLog, index: FieldIndex, passed: tuple[int, ...]) -> Note:
    from swathledger.field.proximity import say_distance

    if passed:
        return Note.of("match.passed_by", fields=tuple(index.outlines[number].field_id for number in passed))
    name, far = index.nearest(log.preview.longitude_deg, log.preview.latitude_deg)
    return Note.of("match.in_no_field", field=name, distance=say_distance(far))


def _rows(preview: Preview) -> set[tuple[int, int, int]]:
    time_s = np.rint(preview.time_s * 1e3).astype(np.int64)
    latitude = np.rint(preview.latitude_deg * 1e7).astype(np.int64)
    longitude = np.rint(preview.longitude_deg * 1e7).astype(np.int64)
    return set(zip(time_s.tolist(), latitude.tolist(), longitude.tolist(), strict=True))


def _without_copies(placed: list[_Placed], unplaced: list[Unplaced]) -> list[_Placed]:
    """Take out logs whose rows another log of the same field holds too: exports made twice, copies cut short."""
    logs = {item.log.name: item.log for item in placed}
    clients = {item.log.name: item.client for item in placed}
    fields: dict[str, set[int]] = {}
    for item in placed:
        fields.setdefault(item.log.name, set()).add(item.visit.field)
    ordered = sorted(logs.values(), key=lambda log: (float(log.preview.time_s[0]), log.name))
    rows: dict[str, set[tuple[int, int, int]]] = {}
    gone: set[str] = set()

    def rows_of(log: FoundLog) -> set[tuple[int, int, int]]:
        if log.name not in rows:
            rows[log.name] = _rows(log.whole())
        return rows[log.name]

    for number, first in enumerate(ordered):
        for other in ordered[number + 1 :]:
            if float(other.preview.time_s[0]) > float(first.preview.time_s[-1]):
                break
            if first.name in gone or other.name in gone or not fields[first.name] & fields[other.name]:
                continue
            one, two = rows_of(first), rows_of(other)
            small, large = (other, first) if len(two) <= len(one) else (first, other)
            if len(one) == len(two):
                small, large = sorted((first, other), key=lambda log: log.name, reverse=True)
            shared = len(one & two)
            # The last row of a copy cut short may hold half a number.
            if shared >= max(min(len(one), len(two)) - 1, 1):
                if clients[first.name] != clients[other.name]:
                    for log in (first, other):
                        gone.add(log.name)
                        unplaced.append(Unplaced(log.name, Note.of("match.rows_of_other_client")))
                    continue
                gone.add(small.name)
                reason = Note.of("match.same_rows", file=large.name)
                if len(one) != len(two):
                    more = len(one | two) - min(len(one), len(two))
                    reason = Note.of("match.all_rows_in", file=large.name, more=more)
                if any(remark.code == "match.cut_short" for remark in small.remarks):
                    reason = Note.of("match.and_cut_short", reason=reason)
                unplaced.append(Unplaced(small.name, reason))
    return [item for item in placed if item.log.name not in gone]


def _group(placed: Sequence[_Placed]) -> list[list[_Placed]]:
    """Join visits of one field, product, machine and day; not those that two machines made at the same time."""
    open_groups: dict[tuple[object, ...], list[list[_Placed]]] = {}
    for item in sorted(placed, key=lambda one: (one.visit.start_s, one.log.name)):
        groups = open_groups.setdefault(item.alike, [])
        for group in groups:
            end = max(other.visit.end_s for other in group)
            near = item.visit.start_s - end <= JOIN_GAP_S or item.day == group[0].day
            if item.log.preview.absolute and near and item.visit.start_s > end - _OVERLAP_S:
                group.append(item)
                break
        else:
            groups.append([item])
    found = [group for groups in open_groups.values() for group in groups]
    return sorted(found, key=lambda group: (group[0].visit.start_s, group[0].log.name, group[0].visit.field))


def _job(group: list[_Placed], index: FieldIndex, boundaries: str, ids: set[str]) -> Job:
    first = group[0]
    field = index.outlines[first.visit.field].field_id
    parts = [slug(field), first.day.isoformat() if first.day is not None else "", slug(first.visit.product, "")]
    stem = "-".join(part for part in parts if part)[: MOST_CHARACTERS - 4]
    name, number = stem, 1
    while name.casefold() in ids:
        number += 1
        name = f"{stem}-{number}"
    ids.add(name.casefold())
    remarks = [remark for item in group for remark in item.log.remarks]
    return Job(
        id=name,
        field=field,
        logs=tuple(JobLog(item.log.name, item.visit.spans) for item in group),
        machine=first.log.machine.name,
        boundary=boundaries,
        client=first.client,
        product=first.visit.product,
        day=first.day,
        remarks=tuple(dict.fromkeys(remarks)),
    )


def _missing(index: FieldIndex, placed: Sequence[_Placed], passed: dict[int, list[str]]) -> list[Missing]:
    treated = {item.visit.field for item in placed}
    out = []
    for number, outline in enumerate(index.outlines):
        if number in treated:
            continue
        through = tuple(passed.get(number, ()))
        reason = Note.of("match.only_passed", logs=through) if through else Note.of("match.no_log_in_it")
        out.append(Missing(outline.field_id, reason))
    return out
