"""Several manifests as one season: client folders matched one by one, run and summed together."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from swathledger.errors import InputError
from swathledger.season.manifest.manifest import DERIVE, Job, Manifest, Missing


def merged(manifests: Sequence[tuple[Path, Manifest]]) -> Manifest:
    """Join manifests; paths become relative to the folder that all of them lie in.

    Parameters
    ----------
    manifests : sequence of (Path, Manifest)
        The file of each, for the words of errors, and what it holds. At least one.

    Returns
    -------
    Manifest
        Jobs in the order given. A field counts as missing where some manifest misses it and no job of any treats one
        of its name in the same boundary file.

    Raises
    ------
    InputError
        An id stands in two of them, or two clients would share a binder; every clash is told.
    """
    if len(manifests) == 1:
        return manifests[0][1]
    _check(manifests)
    folders = [manifest.folder.absolute() for _, manifest in manifests]
    common = Path(os.path.commonpath(folders))

    def moved(manifest: Manifest, name: str) -> str:
        return Path(os.path.relpath(manifest.path(name).absolute(), common)).as_posix()

    def moved_job(manifest: Manifest, job: Job) -> Job:
        return replace(
            job,
            machine=moved(manifest, job.machine),
            boundary=job.boundary if job.boundary == DERIVE else moved(manifest, job.boundary),
            logs=tuple(replace(log, file=moved(manifest, log.file)) for log in job.logs),
        )

    jobs = tuple(moved_job(manifest, job) for _, manifest in manifests for job in manifest.jobs)
    treated = {(job.boundary, job.field) for job in jobs}
    missing: dict[tuple[str, str], Missing] = {}
    for _, manifest in manifests:
        boundaries = "" if manifest.boundaries is None else moved(manifest, manifest.boundaries)
        for item in manifest.missing:
            if (boundaries, item.field) not in treated:
                missing.setdefault((boundaries, item.field), item)
    return Manifest(
        folder=common,
        boundaries=None,
        jobs=jobs,
        unplaced=tuple(
            replace(item, file=moved(manifest, item.file)) for _, manifest in manifests for item in manifest.unplaced
        ),
        missing=tuple(missing.values()),
        files=tuple((moved(manifest, name), digest) for _, manifest in manifests for name, digest in manifest.files),
    )


def _check(manifests: Sequence[tuple[Path, Manifest]]) -> None:
    clashes: list[str] = []
    ids: dict[str, Path] = {}
    labels: dict[str, tuple[str, Path]] = {}
    for path, manifest in manifests:
        for job in manifest.jobs:
            first = ids.setdefault(job.id.casefold(), path)
            if first != path:
                clashes.append(f"{path}: job {job.id} stands in {first} too; give one of them another id.")
            label, other = labels.setdefault(job.client_folder.casefold(), (job.client, path))
            if label != job.client:
                clashes.append(
                    f"{path}: clients {job.client!r} and {label!r} ({other}) would share the binder "
                    f"{job.client_folder!r}; name them more differently."
                )
    if clashes:
        lines = list(dict.fromkeys(clashes))
        raise InputError(
            f"{len(lines)} clash{'es' if len(lines) > 1 else ''} between the manifests:\n  " + "\n  ".join(lines)
        )
