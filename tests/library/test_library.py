"""The library's face: numbers are the command line's, whatever they are read from; nothing else is public."""

import json
import subprocess
import sys
from pathlib import Path

import geopandas
import numpy as np
import pandas as pd
import pytest
import shapely

import swathledger as sl
from swathledger.audit import run_audit
from swathledger.settings import AuditSettings

PUBLIC = {
    "Cells", "FieldAudit", "Season", "SimulatedDrive", "Study", "SwathledgerError", "__version__", "audit", "frames",
    "read_field", "read_log", "read_machine", "replay", "season", "simulate", "study",
}  # fmt: skip
SPRAYER = {
    "name": "12 m",
    "boom": {"width_m": 12.0, "nozzle_spacing_m": 0.5, "sections": [6, 6, 6, 6]},
    "antenna": {"ahead_of_boom_m": 1.0, "right_of_centre_m": 0.0, "gnss_sigma_m": 0.02},
    "rate": {"set_rate_l_ha": 100.0},
}
TOML = """name = "12 m"
boom = { width_m = 12.0, nozzle_spacing_m = 0.5, sections = [6, 6, 6, 6] }
antenna = { ahead_of_boom_m = 1.0, right_of_centre_m = 0.0, gnss_sigma_m = 0.02 }
rate = { set_rate_l_ha = 100.0 }
"""
GROUND = shapely.box(11.0, 48.0, 11.0015, 48.0009)  # about 112 m by 100 m
GROUPS = ("boom", 2, "nozzle")


@pytest.fixture(scope="module")
def drive():
    return sl.simulate(GROUND, SPRAYER, field_id="Mill", seed=3)


@pytest.fixture(scope="module")
def files(drive, tmp_path_factory):
    folder = tmp_path_factory.mktemp("library")
    drive.log.to_csv(folder / "log.csv", index=False)
    (folder / "m.toml").write_text(TOML)
    frame = geopandas.GeoDataFrame({"field_id": ["Mill"]}, geometry=[GROUND], crs="EPSG:4326")
    frame.to_file(folder / "b.geojson", driver="GeoJSON")
    return folder


@pytest.fixture(scope="module")
def audited(files):
    return sl.audit(files / "log.csv", files / "m.toml", files / "b.geojson", groups=GROUPS, cell_m=0.2)


def test_what_is_public():
    assert set(sl.__all__) == PUBLIC == set(dir(sl))
    for name in PUBLIC - {"__version__"}:
        assert callable(getattr(sl, name)), name
    with pytest.raises(AttributeError, match="nothing"):
        sl.nothing  # noqa: B018


def test_stages_may_be_imported_first_and_the_names_still_be_called(files):
    code = "\n".join([
        "import swathledger.audit, swathledger.season, swathledger.study, swathledger.simulate",
        "from swathledger.season.manifest.manifest import read_manifest",
        "import swathledger as sl",
        f"a = sl.audit({str(files / 'log.csv')!r}, {str(files / 'm.toml')!r}, 'derive', groups=(), cell_m=0.5,",
        "             interval=False)",
        "print(a.areas.area_m2['target'] > 0, callable(sl.season), callable(sl.study), callable(sl.simulate))",
    ])  # fmt: skip
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["True"] * 4


def test_importing_the_face_is_cheap():
    code = "import sys, swathledger; print(any(m in sys.modules for m in ('numpy', 'pandas', 'numba', 'matplotlib')))"
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout == "False\n"


def test_what_is_written_is_what_the_command_line_writes(audited, files, tmp_path):
    run_audit(
        [files / "log.csv"], files / "m.toml", files / "b.geojson", tmp_path / "cli",
        AuditSettings(groups=("boom", "2", "nozzle"), cell_m=0.2),
    )  # fmt: skip
    written = audited.write(tmp_path / "library")
    names = sorted(path.name for path in (tmp_path / "cli").iterdir())
    assert names == sorted(path.name for path in written.iterdir())
    for name in names:
        assert (written / name).read_bytes() == (tmp_path / "cli" / name).read_bytes(), name
    with pytest.raises(sl.SwathledgerError):
        audited.write(tmp_path / "library")


def test_frames_and_geometries_in_memory_count_as_files_do(audited, drive):
    frame = geopandas.GeoDataFrame({"field_id": ["Mill"]}, geometry=[GROUND], crs="EPSG:4326")
    for ground in (frame, frame.to_crs(25832), GROUND, sl.read_field(GROUND, "Mill")):
        found = sl.audit(drive.log, SPRAYER, ground, field_id="Mill", groups=(), cell_m=0.2, interval=False)
        # another coordinate system moves corners by less than a tenth of a millimetre
        np.testing.assert_allclose(found.areas.area_m2, audited.areas.area_m2, atol=0.2)


def test_savings_of_endless_drives_have_no_interval(audited, drive, monkeypatch):
    monkeypatch.setattr("swathledger.estimate.estimate.MOST_ROWS", 100)
    monkeypatch.setattr("swathledger.fitted.told.MOST_ROWS", 100)
    found = sl.audit(drive.log, SPRAYER, GROUND, groups=("boom",), cell_m=0.2)
    saved = found.estimate.loc["saved_pct:boom"]
    assert saved["read"] == pytest.approx(audited.estimate.loc["saved_pct:boom", "read"])
    assert saved[["best", "low", "high"]].isna().all()
    assert found.estimate.loc["skip_pct", "low"] < found.estimate.loc["skip_pct", "high"]
    assert any("savings have no interval" in text for text in found.ledger.quality.assumptions)


def test_two_frames_are_one_drive(drive, audited):
    half = len(drive.log) // 2
    parts = [drive.log.iloc[:half], drive.log.iloc[half:]]
    found = sl.audit(parts, SPRAYER, GROUND, groups=(), cell_m=0.2, interval=False)
    assert found.areas.area_m2.equals(audited.areas.area_m2)
    assert [name for name, _ in found.log.inputs] == ["DataFrame 1", "DataFrame 2"]


def test_times_and_states_of_a_frame_may_be_typed(drive, audited):
    typed = drive.log.assign(time=pd.to_datetime(drive.log["time"], utc=True))
    typed = typed.astype({name: bool for name in typed if name.startswith("section_")})
    found = sl.audit(typed, SPRAYER, GROUND, groups=(), cell_m=0.2, interval=False)
    assert found.areas.area_m2.equals(audited.areas.area_m2)


def test_tables_hold_the_ledger(audited):
    area = audited.ledger.area
    assert audited.areas.loc["overlap", "area_m2"] == area.overlap_m2
    assert audited.areas.loc["over_application", "pct"] == pytest.approx(area.over_application_pct)
    assert audited.causes.area_m2.sum() == pytest.approx(area.over_application_m2)
    assert list(audited.layouts.index) == [layout.label for layout in audited.ledger.replay]
    first = audited.ledger.replay[0]
    assert audited.savings.loc[(first.label, "resolution"), "saved_m2"] == first.step("resolution").saved_m2
    line = next(line for line in audited.ledger.estimate if line.quantity == "skip_pct")
    assert tuple(audited.estimate.loc["skip_pct", ["low", "best", "high"]]) == (line.low, line.best, line.high)


def test_cells_add_up_to_the_areas(audited):
    cells = audited.cells
    overlap = int((cells.classes == cells.legend.index("overlap")).sum()) * 0.2**2
    assert overlap == pytest.approx(audited.ledger.area.overlap_m2)
    inside = cells.times[np.isin(cells.classes, [cells.legend.index(n) for n in ("single", "overlap")])]
    assert int((inside - 1).sum()) * 0.2**2 == pytest.approx(audited.ledger.area.overlap_extra_m2)
    assert cells.dose_unit == "share of the set rate"  # the log names rates that differ
    # north up: the transform takes a cell's place to where its class was counted
    step, _, west, _, _, north = cells.transform
    piece = audited.pieces.query("kind == 'overlap'").iloc[0]
    where = piece.geometry.representative_point()
    row, column = int((north - where.y) / step), int((where.x - west) / step)
    assert cells.legend[cells.classes[row, column]] == "overlap"


def test_pieces_and_passes_lie_on_the_plane(audited):
    assert audited.pieces.crs == audited.passes.crs
    assert set(audited.pieces.kind) <= {"overlap", "skip", "outside", "excluded", "not_recorded"}
    boundary = audited.field.boundary.buffer(20)
    assert audited.passes.within(boundary).all()
    drawn = audited.pieces.query("kind == 'skip'").area_m2.sum()
    assert 0 <= drawn <= audited.ledger.area.skip_m2 + 1e-9


def test_pictures(audited):
    axes = audited.plot()
    assert axes.get_title() == "Mill"
    assert {text.get_text() for text in axes.get_legend().get_texts()} >= {"single", "overlap"}
    html = audited._repr_html_()
    assert 'src="data:image/png;base64,iVBOR' in html
    assert "over-application" in html
    assert "between" in html
    assert "Mill" in repr(audited)


def test_replay_of_layouts_of_ones_own(audited):
    again = sl.replay(audited, GROUPS)
    pd.testing.assert_frame_equal(again.savings, audited.savings)
    own = sl.replay(audited, layouts=[{"groups": 4, "name": "quarters", "on_delay_s": 0.9}])
    assert list(own.layouts.index) == ["quarters"]
    assert own.layouts.loc["quarters", "skip_m2"] > again.layouts.loc["2", "skip_m2"]  # it opens 0.9 s too late
    with pytest.raises(sl.SwathledgerError, match="on_delay_s"):
        sl.replay(audited, layouts=[{"groups": 4, "delay_on_s": 0.5}])
    with pytest.raises(sl.SwathledgerError, match="no groups"):
        sl.replay(audited)


def test_errors_are_the_librarys_own(drive, files):
    far = shapely.box(12.0, 48.0, 12.001, 48.001)
    twice = pd.concat([drive.log, drive.log[["latitude"]]], axis=1)
    for bad in (
        lambda: sl.audit("nowhere.csv", SPRAYER, GROUND),
        lambda: sl.audit(drive.log, {"boom": {"width_m": -1}}, GROUND),
        lambda: sl.audit(drive.log, SPRAYER, far),
        lambda: sl.audit(drive.log, SPRAYER, sl.read_field(far)),
        lambda: sl.audit(drive.log, SPRAYER, 5),
        lambda: sl.audit(drive.log, SPRAYER, GROUND, groups="boom"),
        lambda: sl.audit(drive.log, SPRAYER, GROUND, groups=("half",)),
        lambda: sl.audit(drive.log, SPRAYER, GROUND, cell_m=-1),
        lambda: sl.audit(drive.log.drop(columns="time"), SPRAYER, GROUND),
        lambda: sl.audit(twice, SPRAYER, GROUND),
        lambda: sl.audit(drive.log.iloc[:0], SPRAYER, GROUND),
        lambda: sl.audit([], SPRAYER, GROUND),
        sl.read_machine,
        lambda: sl.study([], files),
        lambda: sl.season(files / "none.toml", files / "x"),
    ):
        with pytest.raises(sl.SwathledgerError):
            bad()


def test_a_season_and_a_study(files, tmp_path):
    manifest = tmp_path / "season.toml"
    manifest.write_text(
        f'schema = "swathledger/manifest/1"\n[[jobs]]\nid = "mill"\nfield = "Mill"\nmachine = "{files / "m.toml"}"\n'
        f'boundary = "{files / "b.geojson"}"\nlogs = [{{ file = "{files / "log.csv"}" }}]\n'
    )
    done = sl.season(manifest, tmp_path / "season", workers=1, settings={"cell_m": 0.5, "groups": ("boom", 2)})
    assert done.failed == {}
    assert list(done.fields()["job"]) == ["mill"]
    assert len(done.layouts()) == 2
    assert "fields" in done.frames()
    found = sl.study(done.folder, tmp_path / "study", resamples=199)
    assert found.document.fields == 1
    assert len(found.table()) > 0
    assert json.loads(Path(found.folder / "study.json").read_text())["fields"] == 1


def test_the_page_of_the_library_runs():
    page = (Path(__file__).parents[2] / "docs" / "library.md").read_text(encoding="utf-8")
    block = page.split("```python\n")[-1].split("```")[0]
    names: dict[str, object] = {}
    exec(block, names)  # noqa: S102  # our own page
    assert 0 < names["found"].areas.loc["skip", "pct"] < 10
