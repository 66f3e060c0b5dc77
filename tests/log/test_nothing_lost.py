"""Every line is a row used or a row set aside by a named reason, whatever stands in it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swathledger.errors import LogError
from swathledger.log import lines as lines_module
from swathledger.log.csv_layout import quoted, split_line
from swathledger.log.formats import is_log
from swathledger.log.lines import TextFile
from swathledger.log.quality import assess
from swathledger.log.read import read_log
from swathledger.words import say_all

HEADER = "time,latitude,longitude,section_1,product"


def row(number: int, product: str = "herbicide A") -> str:
    minutes, seconds = divmod(number, 60)
    return f"2026-03-04T07:{minutes:02d}:{seconds:02d}Z,{-31.5 - 3e-5 * number:.6f},117.2,1,{product}"


def drive(count: int = 1640) -> list[str]:
    return [HEADER, *(row(number) for number in range(count))]


def accounted(log: object) -> int:
    quality = log.quality  # type: ignore[attr-defined]
    assert quality.used + sum(item.count for item in quality.set_aside) == quality.epochs
    return int(quality.epochs)


def test_a_stray_quotation_mark_loses_no_row(write):
    lines = drive()
    head, _, last = lines[700].rpartition(",")
    lines[700] = f'{head},"{last}'
    log = read_log(write(lines))
    assert accounted(log) == 1640
    assert len(log) == 1640
    assert log.product[699] == "herbicide A"
    told = say_all(log.quality.warnings)
    assert any("row 701" in text and "quotation mark is not closed" in text for text in told)


def test_a_product_that_begins_with_a_mark_in_every_row(write):
    log = read_log(write([HEADER, *(row(number, '"A') for number in range(100))]))
    assert (len(log), set(log.product)) == (100, {"A"})


@pytest.mark.parametrize("at", [1, 50, 99])
def test_a_mark_before_any_cell_of_any_row(write, at):
    for column in range(5):
        lines = drive(100)
        cells = lines[at].split(",")
        cells[column] = '"' + cells[column]
        lines[at] = ",".join(cells)
        log = read_log(write(lines))
        assert accounted(log) == 100
        assert len(log) >= 99


def test_a_value_never_goes_on_in_the_next_line(write):
    lines = [HEADER, row(0), row(1, '"two'), 'lines"', row(2), row(3)]
    log = read_log(write(lines))
    assert accounted(log) == 5
    assert [(item.reason, item.count) for item in log.quality.set_aside] == [("bad_row", 1)]


@pytest.mark.parametrize("end", ["\r", "\r\n", "\n"])
def test_line_ends_read_alike(write, end):
    text = end.join(drive(60)) + end
    path = write(text.encode())
    assert is_log(path)
    log = read_log(path)
    assert len(log) == 60
    assert assess(log).distance_m == pytest.approx(59 * 3e-5 * 110_860, rel=1e-3)  # 110.86 km a degree at 31.5 south
    assert log.quality.warnings == ()


def rows_of(text: str) -> int:
    """An independent count: lines by the standard's three ends, blank ones left out."""
    return sum(1 for line in re.split("\r\n|\r|\n", text) if line.strip(" \t"))


@settings(max_examples=120)
@given(
    st.lists(
        st.tuples(st.integers(0, 3000), st.sampled_from(['"', '""', ",", "\n", "\r", "\r\n", '",', ',"', "x"])),
        max_size=12,
    )
)
def test_injected_marks_and_line_ends_are_all_accounted_for(tmp_path_factory, injected):
    body = "\n".join(drive(40)[1:]) + "\n"
    for at, what in injected:
        place = at % (len(body) + 1)
        body = body[:place] + what + body[place:]
    path = tmp_path_factory.mktemp("drive") / "drive.csv"
    path.write_bytes(f"{HEADER}\n{body}".encode())
    try:
        log = read_log(path)
    except LogError:
        return  # refused with words
    assert accounted(log) == rows_of(body)


@settings(max_examples=60)
@given(st.text(alphabet='a",\t ', max_size=30), st.sampled_from([",", ";", "\t"]))
def test_what_is_quoted_anew_reads_the_same(line, delimiter):
    fields, _ = split_line(line, delimiter)
    assert split_line(quoted(fields, delimiter), delimiter) == (fields, True)


@given(st.binary(max_size=200), st.integers(1, 40))
def test_blocks_do_not_depend_on_where_they_are_cut(tmp_path_factory, data, size):
    path = tmp_path_factory.mktemp("text") / "t.csv"
    path.write_bytes(data)
    whole = [line for block in TextFile(path).blocks() for line in block.text()]
    pieces = list(TextFile(path).blocks(size))
    assert [line for block in pieces for line in block.text()] == whole
    assert [block.first_line for block in pieces] == [1 + sum(b.lines for b in pieces[:k]) for k in range(len(pieces))]


def test_lines_that_are_too_long_are_counted_and_let_go(write, monkeypatch):
    monkeypatch.setattr(lines_module, "MOST_LINE_BYTES", 200)
    monkeypatch.setattr(lines_module, "BLOCK", 512)
    lines = drive(60)
    lines[30] = lines[30] + "x" * 5000
    lines[31] = "y" * 300
    log = read_log(write(lines))
    assert accounted(log) == 60
    assert [(item.reason, item.count) for item in log.quality.set_aside] == [("line_too_long", 2)]
    assert "row 31" in log.quality.set_aside[0].example


def test_odd_rows_of_later_blocks_are_found_again(write, monkeypatch):
    monkeypatch.setattr(lines_module, "BLOCK", 700)
    lines = drive(80)
    lines[70] = lines[70].replace("117.2", "east")
    lines[40] = "cut"
    log = read_log(write(lines))
    examples = {item.reason: item.example for item in log.quality.set_aside}
    assert "row 71" in examples["bad_position"]
    assert "row 41" in examples["bad_row"]


def test_a_mark_of_utf8_before_windows_1252(write):
    text = "\n".join([HEADER, *(row(number, "Brühe") for number in range(5))]) + "\n"
    log = read_log(write(b"\xef\xbb\xbf" + text.encode("cp1252")))
    assert log.product == ("Brühe",) * 5


def test_columns_of_one_name(write):
    lines = [HEADER.replace("product", "time"), *(row(number) for number in range(5))]
    with pytest.raises(LogError, match="two columns are named 'time': columns 1 and"):
        read_log(write(lines))
    assert len(read_log(write(lines), columns={"time": "time"})) == 5


def test_names_of_files_and_columns_cannot_steer_the_terminal(write, tmp_path: Path):
    from swathledger_cli.check import render

    lines = [HEADER + ",odd\x1b[2Jname", *(row(number) + ",1" for number in range(20))]
    lines[5] = "cut\x1b]0;x\x07"
    report = assess(read_log(write(lines, "drive\x1b[31m.csv")))
    assert all(line.isprintable() for line in render(report, "metric"))
