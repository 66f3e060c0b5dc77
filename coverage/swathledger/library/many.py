"""Many fields, and drives that never were: :func:`season`, :func:`study`, :func:`simulate`."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from io import StringIO
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from swathledger.errors import InputError
from swathledger.library.inputs import FieldLike, MachineLike, PathLike, read_field, read_machine

if TYPE_CHECKING:
    import geopandas
    import pandas as pd

    from swathledger.documents.season import SeasonDocument
    from swathledger.documents.study import StudyDocument


@dataclass(frozen=True, slots=True)
class Season:
    """What a season's folder holds.

    Attributes
    ----------
    folder : Path
    document : SeasonDocument
        As in ``season.json`` (docs/season.md).
    failed : dict of str to str
        Reasons by job.
    """

    folder: Path
    document: SeasonDocument
    failed: dict[str, str]

    def fields(self) -> pd.DataFrame:
        """A row a job: areas, litres, causes, money."""
        return _parquet(self.folder / "fields.parquet")

    def layouts(self) -> pd.DataFrame:
        """A row a job and replayed layout."""
        return _parquet(self.folder / "replay.parquet")

    def frames(self) -> dict[str, geopandas.GeoDataFrame]:
        """Layers of ``season.gpkg``, WGS84."""
        from swathledger.report.frames import frames

        return frames(self.folder)


@dataclass(frozen=True, slots=True)
class Study:
    """What a study's folder holds; ``document`` as in ``study.json`` (docs/study.md)."""

    folder: Path
    document: StudyDocument

    def table(self) -> pd.DataFrame:
        """``study.parquet``: a row a field and layout."""
        return _parquet(self.folder / "study.parquet")


@dataclass(frozen=True, slots=True)
class SimulatedDrive:
    """A drive that was planned and driven by the program, and its truth.

    Attributes
    ----------
    log : DataFrame
        As a log file would hold it; :func:`swathledger.audit` takes it.
    truth : dict
        What really happened, as ``truth/FIELD.json`` (docs/simulate.md) without the valves' times.
    """

    log: pd.DataFrame
    truth: dict[str, Any]


def _parquet(path: Path) -> pd.DataFrame:
    import pandas as pd

    return pd.read_parquet(path)


def season(
    manifest: PathLike | Sequence[PathLike],
    out: PathLike,
    *,
    workers: int | None = None,
    dask: str | None = None,
    resume: bool = True,
    settings: Mapping[str, Any] | None = None,
    progress: Callable[[str], None] | None = None,
) -> Season:
    """Audit every job of a manifest (``swathledger match`` writes one) into a folder, or go on with it.

    Parameters
    ----------
    manifest : path or sequence of paths
        Several are run as one season.
    out : path
    workers, dask, resume
        See :func:`swathledger.season.season.run_season`.
    settings : mapping, optional
        Overrule the manifest's: ``cell_m``, ``groups``, ``units``, ``interval``.
    progress : callable, optional
        Is told what a person should know.

    Raises
    ------
    InputError, OutputError
        A manifest cannot be used; the folder cannot be written or another run is at work there. Jobs that fail are no
        error: see ``failed``.
    """
    from swathledger.season.manifest.manifest import read_manifest
    from swathledger.season.manifest.merge import merged
    from swathledger.season.season import run_season

    paths = _paths(manifest)
    overrides = dict(settings or {})
    if overrides.get("groups") is not None:
        overrides["groups"] = tuple(str(item) for item in overrides["groups"])
    given = merged([(path, read_manifest(path, overrides=overrides)) for path in paths])
    run = run_season(given, Path(out), workers=workers, dask=dask, resume=resume, say=progress)
    return Season(run.folder, run.document, run.failed)


def study(
    results: PathLike | Sequence[PathLike],
    out: PathLike,
    *,
    level: float = 0.9,
    seed: int = 20_240_501,
    resamples: int = 4999,
    worth_points: float = 0.25,
    units: Literal["metric", "us"] = "metric",
    overwrite: bool = False,
) -> Study:
    """Study shutoff resolution across the fields whose ledgers lie below some folders; writes as the command does.

    Raises
    ------
    InputError, OutputError
        No ledger there; ``out`` exists and ``overwrite`` is not set.
    """
    from swathledger.study.collected import StudySettings
    from swathledger.study.run import run_study

    settings = StudySettings(seed=seed, resamples=resamples, level=level, worth_points=worth_points)
    return Study(Path(out), run_study(_paths(results), Path(out), settings, units=units, overwrite=overwrite))


def simulate(
    field: FieldLike,
    machine: MachineLike,
    *,
    field_id: str | None = None,
    log_hz: float = 1.0,
    control: Literal["auto", "manual"] = "auto",
    speed_m_s: float = 5.0,
    bearing: float | Literal["best", "longest"] = "best",
    gnss_sigma_m: float | None = None,
    guidance_sigma_m: float = 0.03,
    heading: bool = True,
    product: str = "herbicide A",
    seed: int = 1,
) -> SimulatedDrive:
    """Plan a drive from a boundary alone, and log it as a real machine would.

    Parameters
    ----------
    field, field_id, machine
        As for :func:`swathledger.audit`.
    log_hz : float
        Rows a second.
    control : {"auto", "manual"}
        Section control by covered ground, or the whole boom by the operator's switch.
    speed_m_s : float
        On passes.
    bearing : float, "best" or "longest"
        Direction of the passes, degrees clockwise from north.
    gnss_sigma_m, guidance_sigma_m : float
        Error of logged positions, and weaving about the planned line, m.
    heading : bool
        Whether headings are logged.
    seed : int
        The same seed gives the same drive.

    Raises
    ------
    FieldError, MachineError, InputError
        Something given cannot be used, or no plan fits into the field.
    """
    import pandas as pd

    from swathledger.simulate.drive import DriveSettings
    from swathledger.simulate.motion import Speeds
    from swathledger.simulate.planned import PlanSettings
    from swathledger.simulate.run import RunSettings, simulate_field
    from swathledger.simulate.truth import truth_document
    from swathledger.simulate.write import Dialect, log_text

    ground, sprayer = read_field(field, field_id), read_machine(machine)
    drive = DriveSettings(
        speeds=replace(Speeds(), pass_m_s=speed_m_s), log_hz=log_hz, control=control, gnss_sigma_m=gnss_sigma_m,
        step_s=0.1 if log_hz in {2.0, 10.0} else 0.2, guidance_sigma_m=guidance_sigma_m, seed=seed,
    )  # fmt: skip
    settings = RunSettings(plan=PlanSettings(bearing=bearing), drive=drive)
    driven = simulate_field(ground, sprayer, settings)
    text = log_text(driven, ground.plane, Dialect(heading=heading, product=product))
    return SimulatedDrive(pd.read_csv(StringIO(text)), truth_document(driven, ground.field_id, valves=False))


def _paths(given: PathLike | Sequence[PathLike]) -> list[Path]:
    paths = [Path(given)] if isinstance(given, (str, os.PathLike)) else [Path(item) for item in given]
    if not paths:
        raise InputError("nothing was given.", hint="Give at least one path.")
    return paths
