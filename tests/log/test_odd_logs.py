"""One drive as clients export it: its ground comes out as that of the clean file, or the refusal names the remedy."""

import datetime as dt
import gzip
import warnings
import zipfile
from functools import reduce

import geopandas
import numpy as np
import pandas as pd
import pyproj
import pytest
import shapely

import swathledger as sl
from swathledger.log.formats import sniff
from swathledger.log.positions import angle_deg
from swathledger.words import say_all

GROUND = shapely.box(11.0, 48.0, 11.0012, 48.0007)
BOOM = {"width_m": 12.0, "nozzle_spacing_m": 0.5, "sections": [6, 6, 6, 6]}
STATES = [f"section_{k}" for k in range(1, 5)]


@pytest.fixture(scope="module")
def clean():
    sprayer = {"name": "12 m", "boom": BOOM, "rate": {"set_rate_l_ha": 100.0}}
    drive = sl.simulate(GROUND, sprayer, field_id="Mill", gnss_sigma_m=0.02, seed=5).log
    return drive[["time", "latitude", "longitude", "heading_deg", "speed_km_h", *STATES, "rate_l_ha"]]


def audited(log, columns=None, **options):
    machine = {"name": "m", "boom": BOOM, "columns": columns or {}, "log": options}
    return sl.audit(log, machine, GROUND, groups=(), interval=False, cell_m=0.25)


@pytest.fixture(scope="module")
def truth(clean):
    found = audited(clean)
    return found.ledger.area.applied_m2, found.ledger.volume.logged_l


@pytest.fixture
def same(truth, tmp_path):
    """Reads a log, compares its ground and litres with the clean ones, and gives what was said."""

    def check(log, columns=None, litres=True, **options):
        if isinstance(log, pd.DataFrame):
            path = tmp_path / "log.csv"
            log.to_csv(path, index=False)
            log = path
        found = audited(log, columns, **options)
        assert found.ledger.area.applied_m2 == pytest.approx(truth[0], rel=1e-3)
        if litres:
            assert found.ledger.volume.logged_l == pytest.approx(truth[1], rel=1e-3)
        return " ".join(say_all(found.log.quality.warnings))

    return check


def named(frame, names):
    return frame.rename(columns=dict(zip(frame.columns, names, strict=True)))


HEADERS = {
    "English": ["Timestamp", "Lat", "Long", "Heading (deg)", "Ground Speed (km/h)", "Sec_01", "Sec_02", "Sec_03",
                "Sec_04", "Applied Rate (l/ha)"],
    "German": ["Zeitstempel", "Breitengrad", "Längengrad", "Kurs [°]", "Fahrgeschwindigkeit [km/h]", "Teilbreite 1",
               "Teilbreite 2", "Teilbreite 3", "Teilbreite 4", "Ausbringmenge [l/ha]"],
    "Spanish": ["Fecha y hora", "Latitud", "Longitud", "Rumbo", "Velocidad km/h", "Sección 1", "Sección 2", "Sección 3",
                "Sección 4", "Dosis aplicada (L/ha)"],
    "French": ["Horodatage", "Latitude", "Longitude", "Cap", "Vitesse (km/h)", "Tronçon 1", "Tronçon 2", "Tronçon 3",
               "Tronçon 4", "Dose appliquée (l/ha)"],
    "Portuguese": ["Data e hora", "Latitude", "Longitude", "Rumo", "Velocidade (km/h)", "Seção 1", "Seção 2", "Seção 3",
                   "Seção 4", "Taxa aplicada (L/ha)"],
}  # fmt: skip


@pytest.mark.parametrize("language", HEADERS)
def test_headers_in_plain_use(clean, same, language):
    said = same(named(clean, HEADERS[language]))
    assert "[columns]" in said
    assert "speed_km_h = " in said
    assert "section = " in said


def test_a_header_without_its_unit_is_not_guessed(clean, same):
    said = same(clean.rename(columns={"rate_l_ha": "Rate"}), litres=False)
    assert "rate" not in said
    same(clean.rename(columns={"rate_l_ha": "Rate"}), {"rate_l_ha": "Rate"})


def test_two_headers_that_mean_the_same_are_not_guessed(clean, same):
    twice = clean.rename(columns={"speed_km_h": "Speed (km/h)"}).assign(**{"GPS speed (km/h)": 99.0})
    said = same(twice)
    assert "speed" not in said


@pytest.mark.parametrize(
    ("name", "meant"),
    [
        ("heading", "heading_deg"), ("rate", "rate_l_ha"), ("flow", "flow_l_min"), ("speed", "speed_m_s"),
        ("lat", "latitude"), ("width", "working_width_m"), ("rate_lha", "rate_l_ha"),
    ],
)  # fmt: skip
def test_a_name_that_is_nearly_ours_is_refused(clean, name, meant):
    with pytest.raises(sl.SwathledgerError, match=meant):
        audited(clean.rename(columns={"rate_l_ha": "x1"}), {name: "x1"})


def test_a_second_row_of_headers_with_units(clean, tmp_path, same):
    lines = named(clean, ["time", "latitude", "longitude", "Heading", "Speed", *STATES, "Rate"]).to_csv(index=False)
    header, _, rows = lines.partition("\n")
    path = tmp_path / "units.csv"
    path.write_text(f"{header}\n,deg,deg,deg,km/h,,,,,l/ha\n{rows}")
    said = same(path)
    assert "speed_km_h = 'Speed'" in said
    assert "rate_l_ha = 'Rate'" in said


def test_lines_about_the_file_above_the_header(clean, tmp_path, same):
    path = tmp_path / "head.csv"
    path.write_text("Job report\nOperator;A. Nyman\n\nExported,2026-05-01\n" + clean.to_csv(index=False))
    said = same(path)
    assert "skip_rows = 4" in said
    assert same(path, skip_rows=4) == ""


def test_two_columns_of_one_name_are_refused_with_both_places(clean, tmp_path):
    path = tmp_path / "twice.csv"
    path.write_text(clean.rename(columns={"rate_l_ha": "latitude"}).to_csv(index=False))
    with pytest.raises(sl.SwathledgerError, match="'latitude': columns 2 and 10"):
        audited(path)


def moved(clean, pattern):
    stamps = pd.to_datetime(clean["time"], utc=True)
    return clean.assign(time=stamps.dt.strftime(pattern))


@pytest.mark.parametrize(
    "pattern", ["%d.%m.%Y %H:%M:%S", "%Y/%m/%d %H:%M:%S", "%Y-%m-%d %H:%M:%S", "%d.%m.%y %H:%M:%S",
                "%d.%m.%Y %I:%M:%S %p"]
)  # fmt: skip
def test_ways_to_write_a_time(clean, same, pattern):
    same(moved(clean, pattern))


def test_day_and_month_that_only_the_column_tells_apart(clean, same):
    later = pd.to_datetime(clean["time"], utc=True) + pd.Timedelta(days=20)  # the 25th
    same(clean.assign(time=later.dt.strftime("%d/%m/%Y %H:%M:%S")))
    same(clean.assign(time=later.dt.strftime("%m/%d/%Y %H:%M:%S")))
    with pytest.raises(sl.SwathledgerError, match="cannot be told apart.*time_format"):
        audited(moved(clean, "%d/%m/%Y %H:%M:%S"))


def test_day_and_clock_in_two_columns(clean, same):
    for day, clock in (("%Y-%m-%d", "%H:%M:%S"), ("%d.%m.%Y", "%H:%M:%S"), ("%Y-%m-%d", "%H%M%S")):
        stamps = pd.to_datetime(clean["time"], utc=True).dt
        same(clean.assign(time=stamps.strftime(clock), Datum=stamps.strftime(day)))


@pytest.mark.parametrize("pattern", ["%Y-%m-%dT%H:%M:%SZ", "%d.%m.%Y %H:%M:%S", None])
def test_a_day_beside_times_that_have_theirs(clean, same, pattern):
    stamps = pd.to_datetime(clean["time"], utc=True)
    epoch = stamps.dt.tz_localize(None).to_numpy().astype("datetime64[s]").astype(np.int64)
    times = epoch if pattern is None else stamps.dt.strftime(pattern)
    same(clean.assign(time=times, Datum=stamps.dt.strftime("%d.%m.%Y")))


@pytest.mark.parametrize("unit", ["s", "ms", "us"])
def test_epoch_numbers(clean, same, unit):
    stamps = pd.to_datetime(clean["time"], utc=True).dt.tz_localize(None)
    same(clean.assign(time=stamps.to_numpy().astype(f"datetime64[{unit}]").astype(np.int64)))


def minutes(value, marks):
    whole, rest = divmod(abs(value) * 60, 60)
    return f"{int(whole)}°{rest:.6f}'{marks[value < 0]}"


def test_degrees_with_minutes_and_hemispheres(clean, same):
    said = same(clean.assign(latitude=[minutes(v, "NS") for v in clean.latitude],
                             longitude=[minutes(v, "EW") for v in clean.longitude]))  # fmt: skip
    assert "degrees, minutes" in said
    same(
        clean.assign(latitude=[f"{v:.8f}N" for v in clean.latitude], longitude=[f"E {v:.8f}" for v in clean.longitude])
    )


@pytest.mark.parametrize(
    ("text", "degrees"),
    [
        ("31 30 36 S", -31.51), ("S31 30 36", -31.51), ("31°30'36\"S", -31.51), ("31°30'36''S", -31.51),
        ("11d30m E", 11.5),
        ("-31.51", -31.51), ("31,51S", -31.51), ("-31 30 36", -31.51), ("31 61 0 N", None), ("12 O", None),
        ("-31.5 S", None), ("north", None),
    ],
)  # fmt: skip
def test_angles_by_hand(text, degrees):
    assert angle_deg(text) == (
        pytest.approx(degrees, abs=1e-12) if degrees is not None else pytest.approx(np.nan, nan_ok=True)
    )


def test_metres_of_a_projection(clean, same):
    x, y = pyproj.Transformer.from_crs(4326, 32632, always_xy=True).transform(clean.longitude, clean.latitude)
    grid = clean.drop(columns=["latitude", "longitude"]).assign(Easting=np.round(x, 3), Northing=np.round(y, 3))
    same(grid, crs="EPSG:32632")
    with pytest.raises(sl.SwathledgerError, match="crs ="):
        audited(grid)


def masked(clean, how):
    states = clean[STATES].to_numpy()
    bits = ["".join(map(str, row)) for row in states]
    numbers = [sum(int(bit) << place for place, bit in enumerate(row)) for row in states]
    cells = {"bits": bits, "hex": [f"0x{number:02X}" for number in numbers], "decimal": [str(n) for n in numbers],
             "right": [row[::-1] for row in bits]}[how]  # fmt: skip
    return clean.drop(columns=STATES).assign(section_mask=cells)


def test_states_in_one_mask(clean, same):
    assert "bits of 4 outlets" in same(masked(clean, "bits"))
    same(masked(clean, "hex"))
    same(masked(clean, "decimal"), state_mask="decimal")
    same(masked(clean, "right"), mask_first="right")
    with pytest.raises(sl.SwathledgerError, match="several ways.*state_mask"):
        audited(masked(clean, "decimal"))
    with pytest.raises(sl.SwathledgerError, match="row 8, .*the mask '0x1F' is no hex of 4 outlets"):
        audited(masked(clean, "hex").assign(section_mask=lambda t: t["section_mask"].where(t.index != 7, "0x1F")))


def test_packed_files(clean, tmp_path, same):
    text = clean.to_csv(index=False)
    with gzip.open(tmp_path / "log.csv.gz", "wt") as out:
        out.write(text)
    with zipfile.ZipFile(tmp_path / "log.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("export/notes.md", "# nothing")
        archive.writestr("export/log.csv", text)
        archive.writestr("__MACOSX/export/._log.csv", b"\0\1")
    for name in ("log.csv.gz", "log.zip"):
        assert sniff(tmp_path / name).kind == "log"
        same(tmp_path / name)
    with zipfile.ZipFile(tmp_path / "two.zip", "w") as archive:
        archive.writestr("a.csv", text)
        archive.writestr("b.csv", text)
    with pytest.raises(sl.SwathledgerError, match="2 logs: a.csv, b.csv"):
        audited(tmp_path / "two.zip")


def test_a_row_at_fault_in_a_packed_file_is_named(clean, tmp_path):
    lines = clean.to_csv(index=False).splitlines()
    lines[40] = lines[40].replace("48.", "x.", 1)
    with gzip.open(tmp_path / "log.csv.gz", "wt") as out:
        out.write("\n".join(lines) + "\n")
    found = audited(tmp_path / "log.csv.gz").log.quality.set_aside
    assert [item.reason for item in found] == ["bad_position"]
    assert "row 41" in found[0].example


def test_what_a_packed_file_may_not_do(clean, tmp_path):
    with zipfile.ZipFile(tmp_path / "up.zip", "w") as archive:
        archive.writestr("../../up.csv", clean.to_csv(index=False))
    audited(tmp_path / "up.zip")
    assert not (tmp_path.parent.parent / "up.csv").exists()
    with zipfile.ZipFile(tmp_path / "bomb.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("log.csv", b"0" * (300 << 20))
    with pytest.raises(sl.SwathledgerError, match="unpacks to more than"):
        audited(tmp_path / "bomb.zip")
    (tmp_path / "cut.gz").write_bytes(gzip.compress(clean.to_csv(index=False).encode())[:-20])
    with pytest.raises(sl.SwathledgerError, match="cannot be unpacked"):
        audited(tmp_path / "cut.gz")


def test_a_zipped_shapefile_keeps_its_cut_columns(clean, tmp_path, same):
    frame = geopandas.GeoDataFrame(
        clean.drop(columns=["latitude", "longitude"]).assign(working_width_m=12.0),
        geometry=geopandas.points_from_xy(clean.longitude, clean.latitude), crs=4326,
    )  # fmt: skip
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # that names are cut is what is tried here
        frame.to_file(tmp_path / "log.shp")
    with zipfile.ZipFile(tmp_path / "shape.zip", "w") as archive:
        for part in tmp_path.glob("log.*"):
            archive.write(part, part.name)
    same(tmp_path / "shape.zip")
    read = sl.read_log(tmp_path / "shape.zip", {"name": "m", "boom": BOOM})
    assert read.working_width_m is not None
    assert set(read.working_width_m) == {12.0}


def test_workbooks(clean, tmp_path, same):
    stamps = pd.to_datetime(clean["time"], utc=True).dt.tz_localize(None)
    with pd.ExcelWriter(tmp_path / "log.xlsx") as book:
        pd.DataFrame({"what": ["a season"]}).to_excel(book, sheet_name="About", index=False)
        clean.assign(time=stamps).to_excel(book, sheet_name="Drive", index=False)
    bad = clean.assign(time=stamps, latitude=clean.latitude.astype(object).where(clean.index != 3, "x"))
    with pd.ExcelWriter(tmp_path / "bad.xlsx") as book:
        bad.to_excel(book, sheet_name="Drive", index=False, startrow=2)
    found = audited(tmp_path / "bad.xlsx").log.quality.set_aside
    assert "sheet 'Drive', row 7" in found[0].example  # two empty rows, the header, three rows before it
    assert sniff(tmp_path / "log.xlsx").kind == "log"
    same(tmp_path / "log.xlsx")
    same(tmp_path / "log.xlsx", layer="Drive")
    with pytest.raises(sl.SwathledgerError, match="no sheet 'Dirve'; it has 'About', 'Drive'"):
        audited(tmp_path / "log.xlsx", layer="Dirve")


def sentence(body):
    return f"${body}*{reduce(lambda left, mark: left ^ ord(mark), body, 0):02X}"


def nmea(value, width, marks):
    whole, rest = divmod(abs(value) * 60, 60)
    return f"{int(whole):0{width}d}{rest:010.7f},{marks[value < 0]}"


def test_sentences_of_a_receiver(clean, tmp_path):
    lines = []
    for row in clean.itertuples():
        at = dt.datetime.fromisoformat(row.time)
        place = f"{nmea(row.latitude, 2, 'NS')},{nmea(row.longitude, 3, 'EW')}"
        knots = row.speed_km_h / 1.852
        clock, day = at.strftime("%H%M%S.00"), at.strftime("%d%m%y")
        lines += [sentence(f"GPGGA,{clock},{place},4,12,0.7,440.0,M,47.0,M,1.0,0000"), sentence("GPGSV,1,1,00"),
                  sentence(f"GPRMC,{clock},A,{place},{knots:.2f},{row.heading_deg:.1f},{day},,,D")]  # fmt: skip
    lines[11] = lines[11][:-2] + ("00" if lines[11][-2:] != "00" else "01")
    lines[14] = lines[14].replace(",A,", ",V,")
    lines[14] = sentence(lines[14][1:-3])
    path = tmp_path / "track.nmea"
    path.write_text("\n".join(lines) + "\n")
    assert sniff(path).kind == "log"
    log = sl.read_log(path, {"name": "m", "boom": {"width_m": 12.0}})
    assert {item.reason: item.count for item in log.quality.set_aside} == {"bad_checksum": 1, "no_position_fix": 1}
    keep = np.setdiff1d(np.arange(len(clean)), [3, 4])
    np.testing.assert_allclose(log.latitude_deg, clean.latitude.to_numpy()[keep], atol=2e-9)
    np.testing.assert_allclose(log.longitude_deg, clean.longitude.to_numpy()[keep], atol=2e-9)
    assert log.hdop is not None
    assert set(log.hdop) == {0.7}
    # the same drive without states, as a table
    bare = clean.loc[keep, ["time", "latitude", "longitude"]]
    ground = [audited_bare(item).areas.area_m2["applied"] for item in (path, bare)]
    assert ground[0] == pytest.approx(ground[1], rel=1e-3)


def audited_bare(log):
    return sl.audit(log, {"name": "m", "boom": {"width_m": 12.0}}, GROUND, groups=(), interval=False, cell_m=0.25)
