"""Records of task data against a reader that goes byte by byte, and against damage."""

from __future__ import annotations

import io
import struct
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from taskdatakit import device, header, packed, record, task, write_main, write_time_log

from swathledger.errors import LogError
from swathledger.log.read import read_log
from swathledger.log.taskdata_binary import held, read_records, times_us
from swathledger.log.taskdata_columns import build_columns
from swathledger.log.taskdata_xml import Header, LoggedValue

FIELDS = (("ms", "<u4"), ("days", "<u2"), ("latitude", "<i4"), ("longitude", "<i4"), ("status", "u1"))
INT32 = st.integers(-(1 << 31), (1 << 31) - 1)
ROWS = st.lists(
    st.tuples(
        st.tuples(st.integers(0, 86_399_999), st.integers(1, 65_534), INT32, INT32, st.integers(0, 15)),
        st.lists(st.tuples(st.integers(0, 3), INT32), max_size=12),
    ),
    max_size=30,
)


def head(*ddis: int) -> Header:
    return Header("TLG00001.xml", FIELDS, {}, tuple(LoggedValue(ddi, "DET-1") for ddi in ddis))


def read_slowly(data: bytes) -> tuple[list[tuple[int, ...]], list[dict[int, int]]]:
    """One field after the other from a stream; the values that hold at each record."""
    stream = io.BytesIO(data)
    fixed, states, now = [], [], {}
    while block := stream.read(15):
        fixed.append(struct.unpack("<IHiiB", block))
        for _ in range(stream.read(1)[0]):
            index = stream.read(1)[0]
            now[index] = int.from_bytes(stream.read(4), "little", signed=True)
        states.append(dict(now))
    return fixed, states


@given(ROWS)
def test_as_a_reader_that_goes_byte_by_byte(rows):
    data = b"".join(
        struct.pack("<IHiiBB", *fixed, len(values)) + b"".join(struct.pack("<Bi", *pair) for pair in values)
        for fixed, values in rows
    )
    records = read_records(data, head(1, 2, 3, 4), "TLG00001.bin")
    fixed, states = read_slowly(data)
    assert [tuple(row) for row in records.fixed.tolist()] == fixed == [row[0] for row in rows]
    assert records.cut_at is None
    for index in range(4):
        values, known = held(records, [index])
        assert known.tolist() == [index in state for state in states]
        assert values.tolist() == [state.get(index, 0) for state in states]
        constant, always = held(records, [index], fixed=7)
        assert always.all()
        assert constant.tolist() == [state.get(index, 7) for state in states]
    micros, good = times_us(records)
    assert good.all()
    day_zero = np.datetime64("1980-01-01", "us").astype(np.int64)
    assert micros.tolist() == [day_zero + (row[1] * 86_400_000 + row[0]) * 1000 for row in fixed]


@given(ROWS.filter(bool), st.data())
def test_cut_anywhere_it_is_the_records_before_the_cut(rows, data):
    parts = [
        struct.pack("<IHiiBB", *fixed, len(values)) + b"".join(struct.pack("<Bi", *pair) for pair in values)
        for fixed, values in rows
    ]
    whole = b"".join(parts)
    cut = data.draw(st.integers(0, len(whole)))
    ends = np.cumsum([len(part) for part in parts])
    records = read_records(whole[:cut], head(1, 2, 3, 4), "TLG00001.bin")
    assert len(records) == int((ends <= cut).sum())
    start = int(ends[len(records) - 1]) if len(records) else 0
    assert records.cut_at == (None if start == cut else start)


@given(st.lists(st.lists(st.integers(0, 2), min_size=1, max_size=40), min_size=1, max_size=5))
def test_condensed_states_come_back(rows):
    count = max(map(len, rows))
    rows = [[*row, *[0] * (count - len(row))] for row in rows]  # all as long; 0, 1 and 2 are installed
    blocks = -(-count // 16)
    parts = [record(s, {b: packed(row[16 * b : 16 * b + 16]) for b in range(blocks)}) for s, row in enumerate(rows)]
    top = head(*range(161, 161 + blocks))
    built = build_columns(top, read_records(b"".join(parts), top, "TLG00001.bin"), {}, {}, "TLG00001.bin")
    assert sorted(built.values) == sorted(f"section_{number}" for number in range(1, count + 1))
    for number in range(count):
        told = [row[number] for row in rows]
        expected = told if {0, 1} & set(told) else [0] * len(told)  # in error throughout: shut
        assert built.values[f"section_{number + 1}"].tolist() == expected


def test_a_time_of_day_beyond_the_day_is_no_time():
    rows = [(86_400_999, 16000), (86_401_000, 16000), (0xFFFFFFFF, 16000), (0, 0), (0, 0xFFFF)]
    data = b"".join(struct.pack("<IHiiBB", ms, day, 0, 0, 4, 0) for ms, day in rows)
    assert times_us(read_records(data, head(1), "TLG00001.bin"))[1].tolist() == [True, False, False, False, False]


@pytest.mark.parametrize("name", ["TLG00001.bin", "TLG00001.xml", "TASKDATA.XML"])
def test_damaged_bytes_are_read_or_refused_by_name(tmp_path: Path, name):
    values = [("00A1", "DET-2"), ("0043", "DET-2"), ("008D", "DET-2")]
    write_time_log(
        tmp_path,
        "TLG00001",
        header(values),
        [record(s, {0: packed([1, 0, 1, 0, 1]), 1: 15000, 2: 1}) for s in range(20)],
    )
    write_main(tmp_path, device(), task("TSK1", ["TLG00001"]))
    path = tmp_path / name
    whole = path.read_bytes()
    draw = np.random.default_rng(20260304)
    read, refused = 0, []
    for _ in range(60):
        broken = bytearray(whole)
        for at in draw.integers(0, len(whole), int(draw.integers(1, 4))):
            broken[int(at)] = int(draw.integers(0, 256))
        path.write_bytes(bytes(broken[: int(draw.integers(len(whole) // 2, len(whole) + 1))]))
        try:
            log = read_log(tmp_path)
        except LogError as error:
            refused.append(str(error))
        else:
            read += 1
            assert log.quality.epochs - log.quality.used == sum(item.count for item in log.quality.set_aside)
    assert refused
    assert [text for text in refused if "TLG00001" not in text and "TASKDATA" not in text] == []
    assert read or name != "TLG00001.bin"
