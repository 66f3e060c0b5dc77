"""Delimited text: delimiters, decimal signs, encodings, odd rows."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import pytest

from swathledger.errors import LogError
from swathledger.log.read import read_log
from swathledger.words import say_all

HEADER = "time,latitude,longitude,work_state,speed_km_h"
ROWS = [
    "2026-03-04T07:30:00Z,-31.50000,117.20000,0,18.0",
    "2026-03-04T07:30:01Z,-31.50003,117.20000,1,18.0",
    "2026-03-04T07:30:02Z,-31.50006,117.20000,1,9.0",
]


def test_plain_file(write):
    path = write([HEADER, *ROWS])
    log = read_log(path)
    assert len(log) == 3
    np.testing.assert_array_equal(log.latitude_deg, [-31.5, -31.50003, -31.50006])
    np.testing.assert_array_equal(log.longitude_deg, [117.2] * 3)
    np.testing.assert_array_equal(log.state, [[False], [True], [True]])
    np.testing.assert_allclose(log.speed_m_s, [5.0, 5.0, 2.5])  # 18 km/h = 5 m/s
    assert log.time_s[0] == 1772609400.0  # date -u -d 2026-03-04T07:30:00Z +%s
    assert log.state_kind == "work"
    assert log.quality.warnings == ()
    assert log.quality.median_step_s == 1.0
    assert log.inputs == (("drive.csv", hashlib.sha256(path.read_bytes()).hexdigest()),)


@pytest.mark.parametrize("mark", [";", "\t", "|"])
def test_other_delimiters(write, mark):
    assert len(read_log(write([line.replace(",", mark) for line in (HEADER, *ROWS)]))) == 3


def test_decimal_commas(write):
    lines = [line.replace(",", ";").replace(".", ",") for line in (HEADER, *ROWS)]
    log = read_log(write(lines))
    np.testing.assert_array_equal(log.latitude_deg, [-31.5, -31.50003, -31.50006])
    np.testing.assert_allclose(log.speed_m_s, [5.0, 5.0, 2.5])


def test_decimal_commas_mixed_with_points(write):
    lines = [HEADER.replace(",", ";"), *(row.replace(",", ";") for row in ROWS)]
    lines[1] = lines[1].replace(".", ",")
    log = read_log(write(lines))
    assert log.latitude_deg[0] == -31.5
    assert log.latitude_deg[2] == -31.50006


def test_decimal_commas_between_commas_are_told(write):
    lines = [HEADER, *(row.replace(".", ",") for row in ROWS)]
    with pytest.raises(LogError, match="header has 5 columns but rows have 8") as caught:
        read_log(write(lines))
    assert "Decimal commas" in str(caught.value)


def test_wrong_delimiter_asked_for(write):
    with pytest.raises(LogError, match="',' would give 5"):
        read_log(write([HEADER, *ROWS]), options={"delimiter": ";"})


def test_no_delimiter_at_all(write):
    with pytest.raises(LogError, match="single column"):
        read_log(write(["time latitude longitude", "1 2 3"]))


def test_delimiter_by_option(write):
    lines = [line.replace(",", "~") for line in (HEADER, *ROWS)]
    assert len(read_log(write(lines), options={"delimiter": "~"})) == 3


def test_separator_line_and_comments_before_the_header(write):
    lines = ["sep=;", "# made by a logger", *(line.replace(",", ";") for line in (HEADER, *ROWS))]
    assert len(read_log(write(lines))) == 3


def test_skip_rows(write):
    assert len(read_log(write(["a title, of sorts", HEADER, *ROWS]), options={"skip_rows": 1})) == 3


@pytest.mark.parametrize("text", ["", "\n\n", "\ufeff"])
def test_empty_file(write, text):
    with pytest.raises(LogError, match="empty"):
        read_log(write(text.encode()))


def test_header_only(write):
    with pytest.raises(LogError, match="a header but no row"):
        read_log(write([HEADER]))


def test_one_row_is_no_drive(write):
    with pytest.raises(LogError, match="of 1 row only 1 can be used"):
        read_log(write([HEADER, ROWS[0]]))


def test_missing_file(tmp_path: Path):
    with pytest.raises(LogError, match="no such file"):
        read_log(tmp_path / "none.csv")


def test_folder(tmp_path: Path):
    with pytest.raises(LogError, match="folder"):
        read_log(tmp_path)


def test_something_else(write):
    with pytest.raises(LogError, match="not a format that is known"):
        read_log(write(bytes(range(32)) * 20, "drive.bin"))


def test_bom_and_windows_line_ends(write):
    text = "\ufeff" + "\r\n".join([HEADER, *ROWS]) + "\r\n"
    log = read_log(write(text.encode("utf-8")))
    assert len(log) == 3
    assert log.quality.warnings == ()


@pytest.mark.parametrize("encoding", ["utf-16", "utf-8-sig"])
def test_marked_encodings(write, encoding):
    assert len(read_log(write("\n".join([HEADER, *ROWS]) + "\n", encoding=encoding))) == 3


def test_windows_1252(write):
    lines = [HEADER + ",product", *(row + ",Brühe" for row in ROWS)]
    log = read_log(write(lines, encoding="cp1252"))
    assert log.product == ("Brühe",) * 3
    assert any("Windows-1252" in text for text in say_all(log.quality.warnings))


def test_mixed_encodings(write):
    lines = [HEADER + ",product", *(row + ",Brühe" for row in ROWS)]
    data = "\n".join(lines[:2]).encode("utf-8") + b"\n" + "\n".join(lines[2:]).encode("cp1252") + b"\n"
    log = read_log(write(data))
    assert log.product == ("Brühe",) * 3
    assert any("mixed with UTF-8" in text for text in say_all(log.quality.warnings))


def test_encoding_by_option(write):
    lines = [HEADER + ",product", *(row + ",Žito" for row in ROWS)]
    log = read_log(write(lines, encoding="cp1250"), options={"encoding": "cp1250"})
    assert log.product == ("Žito",) * 3


def test_zero_bytes_of_a_broken_recording(write):
    data = ("\n".join([HEADER, *ROWS]) + "\n").encode() + b"\0" * 50
    log = read_log(write(data))
    assert len(log) == 3
    assert any("zero bytes" in text for text in say_all(log.quality.warnings))


def test_rows_cut_short_are_counted_with_their_place(write):
    log = read_log(write([HEADER, ROWS[0], "2026-03-04T07:30:", "", *ROWS[1:]]))
    assert log.quality.epochs == 4
    assert log.quality.used == 3
    (item,) = log.quality.set_aside
    assert (item.reason, item.count) == ("bad_row", 1)
    assert "drive.csv, row 3: 1 fields, 5 expected" in item.example


def test_delimiter_at_the_end_of_rows(write):
    assert len(read_log(write([HEADER, *(row + "," for row in ROWS)]))) == 3
    assert len(read_log(write([HEADER + ",", *ROWS]))) == 3


def test_text_in_a_position_is_set_aside_with_row_and_value(write):
    rows = [
        *ROWS,
        "2026-03-04T07:30:03Z,somewhere,117.2,1,18",
        "2026-03-04T07:30:04Z,nan,117.2,1,18",
        "2026-03-04T07:30:05Z,-31.5,inf,1,18",
    ]
    log = read_log(write([HEADER, "", *rows]))
    (item,) = log.quality.set_aside
    assert (item.reason, item.count) == ("bad_position", 3)
    assert "drive.csv, row 6" in item.example  # header, blank line, three good rows before it
    assert "latitude somewhere" in item.example


def test_nan_and_infinite_numbers_count_as_unknown(write):
    rows = [ROWS[0].replace("18.0", "NaN"), ROWS[1].replace("18.0", "inf"), ROWS[2].replace("9.0", "")]
    log = read_log(write([HEADER, *rows]))
    assert np.isnan(log.speed_m_s).all()
    (text,) = say_all(log.quality.warnings)
    assert "2 cells of 'speed_km_h'" in text  # the empty cell is no fault
    assert "row 2" in text


def test_one_odd_word_in_a_numeric_column(write):
    log = read_log(write([HEADER, ROWS[0], ROWS[1].replace("18.0", "fast"), ROWS[2]]))
    np.testing.assert_allclose(log.speed_m_s, [5.0, np.nan, 2.5])
    assert any("row 3" in text and "'fast'" in text for text in say_all(log.quality.warnings))


def test_a_column_of_words_where_numbers_belong(write):
    rows = [row.rpartition(",")[0] + ",fast" for row in ROWS]
    with pytest.raises(LogError) as caught:
        read_log(write([HEADER, *rows]))
    error = caught.value
    assert (error.file, error.row, error.column) == ("drive.csv", 2, "speed_km_h")
    assert "'fast'" in str(error)


def test_quoted_cells_and_blanks(write):
    rows = [", ".join(f'"{cell}"' if index < 2 else cell for index, cell in enumerate(row.split(","))) for row in ROWS]
    log = read_log(write([HEADER.replace(",", ", "), *rows]))
    np.testing.assert_array_equal(log.longitude_deg, [117.2] * 3)
    np.testing.assert_array_equal(log.state[:, 0], [False, True, True])


@pytest.mark.parametrize("folder", ["with space", "Grün é", "bang!dir"])
def test_odd_paths(write, folder):
    path = write([HEADER, *ROWS], f"{folder}/a log! é.csv")
    assert len(read_log(path)) == 3


def test_a_drive_that_never_sprays_is_read(write):
    log = read_log(write([HEADER, *(row.replace(",1,", ",0,") for row in ROWS)]))
    assert not log.state.any()


def test_a_million_rows(tmp_path: Path):
    n = 1_000_000
    path = tmp_path / "long.csv"
    seconds = np.arange(n) * 0.1 + 1772609400.0
    latitude = -31.5 + np.arange(n) * 1e-7
    with path.open("w") as stream:
        stream.write("time,latitude,longitude,section_1,section_2\n")
        stream.writelines(
            f"{t:.1f},{lat:.7f},117.2,{i % 2},1\n"
            for i, (t, lat) in enumerate(zip(seconds.tolist(), latitude.tolist(), strict=True))
        )
    log = read_log(path)
    assert len(log) == n
    assert log.state.sum() == n + n // 2
    assert log.quality.median_step_s == pytest.approx(0.1, abs=1e-6)
