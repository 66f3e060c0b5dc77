"""ISO 11783-10 task data written by the test itself, read through `read_log`."""

from __future__ import annotations

import datetime as dt
import struct
from pathlib import Path

import numpy as np
import pytest
from taskdatakit import (
    LONGITUDE,
    SECTION_Y_MM,
    START,
    device,
    header,
    main_xml,
    packed,
    record,
    task,
    write_main,
    write_time_log,
)

from swathledger.errors import LogError
from swathledger.log.formats import find_format, sniff
from swathledger.log.read import read_log
from swathledger.words import say_all

UTC_START = START.replace(tzinfo=dt.UTC).timestamp()
#: Condensed states, width, work state, total area, rate, pressure of the boom's own scale.
VALUES = [
    ("00A1", "DET-2"),
    ("0043", "DET-2"),
    ("008D", "DET-2"),
    ("0074", "DET-2"),
    ("0002", "DET-2"),
    ("EA60", "DET-2"),
]
ALL_ON, LEFT_ON, NONE_ON = packed([1] * 5), packed([1, 0, 0, 0, 0]), packed([0] * 5)
RECORDS = [
    record(0, {0: ALL_ON, 1: 15000, 2: 1, 3: 0, 4: 2_000_000, 5: 16}),
    record(1, {3: 45}),  # sparse: all else holds
    record(2, {0: LEFT_ON, 1: 3000, 4: 1_500_000}),
    record(3, {2: 0}),
    record(4, {0: NONE_ON, 2: 1}),
]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """One task of one time log, on a boom of five sections."""
    write_time_log(tmp_path, "TLG00001", header(VALUES), RECORDS)
    write_main(tmp_path, device(), task("TSK1", ["TLG00001"], "north block"))
    return tmp_path


def aside(log) -> dict[str, int]:
    return {item.reason: item.count for item in log.quality.set_aside}


# --- published record ----------------------------------------------------------------------------------------------


def test_the_published_record(tmp_path):
    """2005-05-02T16:32:00, 51.00678, 6.03489, status 1, values (0, 10), (1, 15): derived from an exchange that quotes
    ISO 11783-10."""
    first = bytes.fromhex("00348c0325245804671ee4d998030102000a000000010f000000")
    second = bytearray(first)
    second[0:4] = struct.pack("<I", struct.unpack("<I", first[:4])[0] + 1000)
    path = write_time_log(tmp_path, "TLG00001", header([("0074", "DET-1"), ("0050", "DET-1")]), [first, bytes(second)])
    log = read_log(path, columns={"area": "DDI 116", "litres": "DDI 80"})
    assert dt.datetime.fromtimestamp(log.time_s[0], dt.UTC).isoformat() == "2005-05-02T16:32:00+00:00"
    assert (log.latitude_deg[0], log.longitude_deg[0]) == (51.00678, 6.03489)
    assert (log.extra["area"][0], log.extra["litres"][0]) == (10.0, 15.0)
    assert np.diff(log.time_s) == 1.0


def test_seven_of_seven_sections_on(tmp_path):
    """7 of 7 on = 0xFFFFD555 = int32 -10923: public data dictionary of ISO 11783-11."""
    assert packed([1] * 7) == -10923 == 0xFFFFD555 - (1 << 32)  # seven times 01, then nine times 11
    path = write_time_log(tmp_path, "TLG00001", header([("00A1", "DET-1")]), [record(s, {0: -10923}) for s in range(3)])
    log = read_log(path, sections=7)
    assert log.state_kind == "section"
    assert log.state.shape == (3, 7)
    assert log.state.all()


# --- what is understood ----------------------------------------------------------------------------------------------


def test_a_boom_of_five_sections(folder):
    log = read_log(folder, columns={"counter": "DDI 116"}, sections=5)
    np.testing.assert_array_equal(log.time_s, UTC_START + np.arange(5))
    np.testing.assert_array_equal(log.longitude_deg, LONGITUDE)
    np.testing.assert_allclose(log.latitude_deg, -31.5 - 3e-5 * np.arange(5), rtol=0, atol=5e-8)
    assert log.state.astype(int).tolist() == [
        [1, 1, 1, 1, 1],
        [1, 1, 1, 1, 1],
        [1, 0, 0, 0, 0],  # the lowest bits are the left-most section
        [0, 0, 0, 0, 0],  # the work state is off
        [0, 0, 0, 0, 0],
    ]
    assert log.working_width_m.tolist() == [15, 15, 3, 3, 3]
    np.testing.assert_allclose(log.rate_l_m2 * 1e4, [200, 200, 150, 150, 150])  # 2,000,000 x 0.01 mm3/m2 = 200 L/ha
    assert log.extra["counter"].tolist() == [0, 45, 45, 45, 45]
    assert [name for name, _ in log.inputs] == ["TASKDATA.XML", "TLG00001.xml", "TLG00001.bin"]


@pytest.mark.parametrize("name", [".", "TASKDATA.XML", "TLG00001.xml", "TLG00001.bin"])
def test_each_way_to_name_it_gives_the_same(folder, name):
    log, whole = read_log(folder / name), read_log(folder / "TASKDATA.XML")
    np.testing.assert_array_equal(log.state, whole.state)
    np.testing.assert_array_equal(log.time_s, whole.time_s)


def test_folder_around_a_folder_named_taskdata_and_other_case(tmp_path):
    inner = tmp_path / "TASKDATA"
    write_time_log(inner, "TLG00001", header(VALUES), RECORDS)
    write_main(inner, device(), task("TSK1", ["TLG00001"]))
    (inner / "TASKDATA.XML").rename(inner / "taskdata.xml")
    (inner / "TLG00001.bin").rename(inner / "tlg00001.BIN")
    assert len(read_log(tmp_path)) == 5


def test_a_time_log_alone(tmp_path):
    path = write_time_log(tmp_path, "TLG00001", header(VALUES), RECORDS)
    log = read_log(path, sections=5)
    assert log.state.sum() == 11
    assert any("no TASKDATA.XML" in text for text in say_all(log.quality.warnings))


def test_values_by_number_by_element_and_in_the_units_of_the_device(folder):
    log = read_log(
        folder,
        columns={
            "raw": "DDI 60000",
            "named": "ddi 60000 DET-2",
            "pressure": "DDI 60000 bar",
            "first": "DDI 67",
            "second": "DDI 2 DET-2",
        },
    )
    assert log.extra["raw"][0] == log.extra["named"][0] == 16
    assert log.extra["pressure"][0] == (16 - 10) * 0.5  # (raw + offset) * scale
    assert log.extra["first"].tolist() == [15, 15, 3, 3, 3]
    assert log.extra["second"][0] == 200
    assert log.working_width_m[0] == 15  # still understood by itself


def test_a_header_that_is_not_there_is_told_with_those_near_it(folder):
    with pytest.raises(LogError, match=r"maps counter to the header 'DDI 117'.*'DDI 116'"):
        read_log(folder, columns={"counter": "DDI 117"})


def test_one_work_state_for_each_section_in_order_of_their_offsets(tmp_path):
    order = [3, 1, 5, 2, 4]  # as the header has them; from left to right they are 1 to 5
    values = [("008D", f"DET-1{number}") for number in order] + [("008D", "DET-1"), ("0043", "DET-2")]
    first = {index: int(number in (1, 2)) for index, number in enumerate(order)} | {5: 1, 6: 15000}
    write_time_log(tmp_path, "TLG00001", header(values), [record(0, first), record(1, {0: 1}), record(2, {5: 0})])
    write_main(tmp_path, device(), task("TSK1", ["TLG00001"]))
    log = read_log(tmp_path, sections=5)
    assert log.state.astype(int).tolist() == [[1, 1, 0, 0, 0], [1, 1, 1, 0, 0], [0, 0, 0, 0, 0]]


def test_sections_without_offsets_go_by_element_number_and_it_is_told(tmp_path):
    values = [("008D", f"DET-1{number}") for number in (2, 1, 3)]
    write_time_log(tmp_path, "TLG00001", header(values), [record(s, {0: 0, 1: 1, 2: 0}) for s in range(2)])
    write_main(tmp_path, device(offsets=False), task("TSK1", ["TLG00001"]))
    log = read_log(tmp_path)
    assert log.state[0].tolist() == [True, False, False]
    assert any("by element number" in text for text in say_all(log.quality.warnings))


def test_sections_of_two_devices_are_not_mixed(tmp_path):
    other = (
        '<DVC A="DVC-2" B="front tank"><DET A="DET-30" B="1" C="1" D="" E="0" F="0"/>'
        '<DET A="DET-31" B="2" C="4" D="" E="1" F="1"/></DVC>'
    )
    values = [("008D", "DET-31"), *(("008D", f"DET-1{number}") for number in (1, 2, 3, 4, 5)), ("008D", "DET-30")]
    first = {0: 1, 1: 0, 2: 1, 3: 0, 4: 0, 5: 0, 6: 0}
    write_time_log(tmp_path, "TLG00001", header(values), [record(s, first) for s in range(2)])
    write_main(tmp_path, other, device(), task("TSK1", ["TLG00001"]))
    log = read_log(tmp_path, sections=5)
    assert log.state[0].tolist() == [False, True, False, False, False]  # DET-30 is off, but of the other device
    assert any("those of DVC-1 'field sprayer' are used" in text for text in say_all(log.quality.warnings))


def test_more_than_sixteen_sections(tmp_path):
    first, second = packed([1] * 15 + [0]), packed([0, 1])
    values = [("00A1", "DET-1"), ("00A2", "DET-1")]
    path = write_time_log(tmp_path, "TLG00001", header(values), [record(s, {0: first, 1: second}) for s in range(2)])
    assert read_log(path, sections=18).state[1].astype(int).tolist() == [1] * 15 + [0, 0, 1]


def test_errors_count_as_shut_and_are_counted(tmp_path):
    words = [packed([1, 1, 2]), packed([1, 2, 2]), packed([1, 1, 2])]
    path = write_time_log(
        tmp_path,
        "TLG00001",
        header([("00A1", "DET-1")]),
        [record(second, {0: word}) for second, word in enumerate(words)],
    )
    log = read_log(path)
    assert log.state.astype(int).tolist() == [[1, 1, 0], [1, 0, 0], [1, 1, 0]]
    assert any("1 cell of section 2" in text and "counts as shut" in text for text in say_all(log.quality.warnings))
    assert any("section 3 is in error in all records" in text for text in say_all(log.quality.warnings))


def test_setpoints_where_nothing_actual_is_recorded(tmp_path):
    """DDI 290: the layout of 161, but 11 means no change (public data dictionary)."""
    values = [("0122", "DET-1"), ("0001", "DET-1")]
    words = [packed([1, 0]), packed([3, 1]), packed([0, 3])]
    path = write_time_log(
        tmp_path,
        "TLG00001",
        header(values),
        [record(second, {0: word, 1: 2_000_000}) for second, word in enumerate(words)],
    )
    log = read_log(path)
    assert log.state.astype(int).tolist() == [[1, 0], [1, 1], [0, 1]]
    np.testing.assert_allclose(log.rate_l_m2 * 1e4, 200)
    assert (
        sum("actual" in text and ("asked for" in text or "setpoint" in text) for text in say_all(log.quality.warnings))
        == 2
    )


def test_before_its_first_value_nothing_is_known(tmp_path):
    path = write_time_log(
        tmp_path, "TLG00001", header(VALUES), [record(0, {}), *(record(s, {0: ALL_ON, 1: 15000, 2: 1}) for s in (1, 2))]
    )
    log = read_log(path)
    assert np.isnan(log.working_width_m[0])
    assert log.state.any(axis=1).tolist() == [False, True, True]
    assert log.rate_l_m2 is None or np.isnan(log.rate_l_m2).all()


def test_a_value_that_stands_in_the_header_holds_for_all_records(tmp_path):
    head = '<TIM A="" D="4"><PTN A="" B="117.25" D=""/><DLV A="0043" B="12000" C="DET-1"/></TIM>'
    ms = struct.pack("<IHiB", 1000, 16000, -315000000, 4)
    records = [ms + b"\0", struct.pack("<IHiB", 2000, 16000, -315000100, 4) + b"\0"]
    log = read_log(write_time_log(tmp_path, "TLG00001", head, records))
    assert log.working_width_m.tolist() == [12, 12]
    assert log.longitude_deg.tolist() == [117.25, 117.25]
    assert log.state_kind == "none"


def test_two_elements_with_a_work_state_and_no_description(tmp_path):
    values = [("008D", "DET-1"), ("008D", "DET-7")]
    path = write_time_log(tmp_path, "TLG00001", header(values), [record(s, {0: 1, 1: s % 2}) for s in range(4)])
    with pytest.raises(LogError, match=r"work state \(DDI 141\) of 2 device elements.*DET-1, DET-7"):
        read_log(path)
    log = read_log(path, columns={"work_state": "DDI 141 DET-7"})
    assert log.state[:, 0].tolist() == [False, True, False, True]


# --- positions and times -------------------------------------------------------------------------------------------


def test_rows_without_a_fix_are_set_aside_and_their_values_hold(tmp_path):
    path = write_time_log(
        tmp_path,
        "TLG00001",
        header(VALUES),
        [
            record(0, {0: ALL_ON, 2: 1}),
            record(1, {0: LEFT_ON}, status=0),
            record(2, {}, status=15),
            record(3, {}, status=14, latitude=0.0),
            record(4, {}),
            record(5, {}, status=5),
            record(6, {}, status=8),
        ],
    )
    log = read_log(path)
    assert aside(log) == {"no_position_fix": 3}
    assert log.quality.epochs == 7
    assert (log.time_s - UTC_START).tolist() == [0, 4, 5, 6]
    assert log.state.sum(axis=1).tolist() == [5, 1, 1, 1]
    assert "record 2" in log.quality.set_aside[0].example
    assert any("1 position is marked as simulated" in text for text in say_all(log.quality.warnings))


def test_a_status_that_is_never_recorded_is_no_reason(tmp_path):
    path = write_time_log(tmp_path, "TLG00001", header(VALUES), [record(s, {0: ALL_ON}, status=15) for s in range(4)])
    log = read_log(path)
    assert len(log) == 4
    assert any("position status is not recorded" in text for text in say_all(log.quality.warnings))


def test_times_have_no_zone(folder):
    plain = read_log(folder)
    assert any("UTC is assumed" in text for text in say_all(plain.quality.warnings))
    zoned = read_log(folder, options={"time_zone": "+08:00"})
    np.testing.assert_array_equal(plain.time_s - zoned.time_s, 8 * 3600)
    assert not any("UTC is assumed" in text for text in say_all(zoned.quality.warnings))


def test_the_receivers_utc_tells_the_zone(tmp_path):
    head = header(VALUES, 'A="" B="" D="" F="" H="" I=""')
    days = (START.date() - dt.date(1980, 1, 1)).days
    # 07:30 on the clock is 23:30 UTC of the day before; the receiver's time lags by 0.4 s
    records = [
        record(s, {0: ALL_ON}, between=struct.pack("<HIH", 9, (23 * 3600 + 1800 + s) * 1000 - 400, days - 1))
        for s in range(3)
    ]
    log = read_log(write_time_log(tmp_path, "TLG00001", head, records))
    np.testing.assert_array_equal(log.time_s, UTC_START - 8 * 3600 + np.arange(3))
    assert any("+8 h from the receiver's UTC" in text for text in say_all(log.quality.warnings))
    np.testing.assert_allclose(log.hdop, 0.9)


# --- which task -----------------------------------------------------------------------------------------------------


@pytest.fixture
def two_tasks(tmp_path: Path) -> Path:
    """TSK1 of two time logs a minute apart (the later one first), TSK2 of one, TSK3 whose time log is missing."""
    write_time_log(tmp_path, "TLG00001", header(VALUES), [record(60 + s, {0: ALL_ON, 2: 1}) for s in range(3)])
    write_time_log(tmp_path, "TLG00002", header(VALUES[:3]), [record(s, {0: LEFT_ON, 2: 1}) for s in range(3)])
    write_time_log(tmp_path, "TLG00003", header(VALUES), [record(3600 + s, {0: NONE_ON, 2: 1}) for s in range(3)])
    write_main(
        tmp_path,
        device(),
        task("TSK1", ["TLG00001", "TLG00002"], "north"),
        task("TSK2", ["TLG00003"], "south"),
        task("TSK3", ["TLG00009"]),
        '<TSK A="TSK4" B="planned" G="1"/>',
    )
    return tmp_path


def test_several_tasks_are_named_with_their_times(two_tasks):
    with pytest.raises(LogError) as error:
        read_log(two_tasks)
    text = str(error.value)
    assert "TASKDATA.XML: holds 3 tasks" in text
    assert '[log] task = "TSK1"' in text
    assert "TSK1 'north' (2026-03-04T07:30:00 to 2026-03-04T07:40:00; TLG00001, TLG00002)" in text
    assert "TSK4" not in text


@pytest.mark.parametrize("word", ["TSK1", "north", "NORTH"])
def test_all_time_logs_of_a_task_are_joined_in_order_of_time(two_tasks, word):
    log = read_log(two_tasks, options={"task": word}, sections=5)
    assert (log.time_s - UTC_START).tolist() == [0, 1, 2, 60, 61, 62]
    assert log.state.sum(axis=1).tolist() == [1, 1, 1, 5, 5, 5]  # nothing holds from one time log to the next
    assert not any("more than once" in text or "sorted" in text for text in say_all(log.quality.warnings))


@pytest.mark.parametrize(
    ("options", "first"),
    [
        ({"time_log": "TLG00003"}, 3600),
        ({"task": "TSK1", "time_log": ["TLG00001"]}, 60),
        ({"time_log": "tlg00002.bin"}, 0),
    ],
)
def test_time_logs_are_chosen(two_tasks, options, first):
    assert read_log(two_tasks, options=options).time_s[0] == UTC_START + first


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"task": "TSK9"}, r"'\[log\] task'.*no task 'TSK9'.*TSK1 'north'"),
        ({"time_log": "TLG00007"}, r"no time log 'TLG00007'.*TSK2 'south'"),
        ({"task": "TSK1", "time_log": "TLG00003"}, r"no time log 'TLG00003'"),
        ({"task": "TSK3"}, r"TLG00009 is not whole: there is no TLG00009\.xml \(its header\) and no TLG00009\.bin"),
    ],
)
def test_a_choice_that_is_not_there(two_tasks, options, words):
    with pytest.raises(LogError, match=words):
        read_log(two_tasks, options=options)


def test_missing_records_are_named(folder):
    (folder / "TLG00001.bin").unlink()
    with pytest.raises(LogError, match=r"TASKDATA\.XML: the time log TLG00001 is not whole: there is no TLG00001\.bin"):
        read_log(folder)


def test_no_task_with_a_time_log(tmp_path):
    with pytest.raises(LogError, match="no task with a time log"):
        read_log(write_main(tmp_path, device()))


def test_parts_in_files_of_their_own(tmp_path):
    write_time_log(tmp_path, "TLG00001", header(VALUES), RECORDS)
    write_main(tmp_path, '<XFR A="DVC00001" B="1"/>', '<XFR A="TSK00001" B="1"/>')
    (tmp_path / "DVC00001.XML").write_text(f"<XFC>{device()}</XFC>", encoding="utf-8")
    (tmp_path / "TSK00001.XML").write_text(f"<XFC>{task('TSK1', ['TLG00001'])}</XFC>", encoding="utf-8")
    assert len(read_log(tmp_path)) == 5
    (tmp_path / "DVC00001.XML").unlink()
    with pytest.raises(LogError, match="refers to the file 'DVC00001'"):
        read_log(tmp_path)
    write_main(tmp_path, '<XFR A="../DVC00001" B="1"/>')
    with pytest.raises(LogError, match=r"refers to the file '\.\./DVC00001'"):
        read_log(tmp_path)


# --- damage -----------------------------------------------------------------------------------------------------------


def test_a_last_record_cut_short_is_set_aside_and_counted(tmp_path):
    whole = b"".join(RECORDS)
    size = len(RECORDS[-1])
    for lost in range(1, size):
        path = write_time_log(tmp_path, "TLG00001", header(VALUES), [whole[:-lost]])
        log = read_log(path)
        assert aside(log) == {"cut_short": 1}, lost
        assert log.quality.epochs == 5
        assert f"byte {len(whole) - size}, record 5: {size - lost} bytes" in log.quality.set_aside[0].example


def test_a_value_that_the_header_does_not_list(tmp_path):
    path = write_time_log(tmp_path, "TLG00001", header(VALUES[:2]), [record(0, {0: ALL_ON}), record(1, {1: 5, 4: 9})])
    # record 2 begins after 15 + 1 + 5 bytes; its second value stands 15 + 1 + 5 bytes further
    with pytest.raises(LogError, match=r"TLG00001\.bin: record 2 at byte 21 has value number 4 at byte 42; .*only 2"):
        read_log(path)


@pytest.mark.parametrize("what", ["TASKDATA.XML", "TLG00001.xml"])
def test_entities_are_not_expanded(folder, what):
    path = folder / what
    text = path.read_text(encoding="utf-8").partition("\n")[2]
    lines = ['<!ENTITY a "ha">']
    lines += [f'<!ENTITY {b} "{f"&{a};" * 10}">' for a, b in zip("abcdefgh", "bcdefghi", strict=True)]
    for doctype in (f"<!DOCTYPE x [{''.join(lines)}]>", '<!DOCTYPE x SYSTEM "file:///etc/hostname">'):
        path.write_text(f'<?xml version="1.0"?>{doctype}{text}', encoding="utf-8")
        with pytest.raises(LogError, match="declares a document type or entities"):
            read_log(folder / "TASKDATA.XML")


@pytest.mark.parametrize(
    ("head", "words"),
    [
        ('<TIM A="" D="4"><PTN A="" B=""/>', r"TLG00001\.xml: is not well-formed XML at line 1"),
        ('<TIM A="2026-03-04T07:30:00"><PTN A="" B=""/></TIM>', "TIM A is '2026-03-04T07:30:00'"),
        ('<TIM A="" B=""><PTN A="" B=""/></TIM>', "TIM B is empty"),
        ('<TIM A=""/>', "names no latitude"),
        ('<TIM A=""><PTN A=""/></TIM>', "names no longitude"),
        ('<TIM A=""><PTN A="north" B=""/></TIM>', "PTN A is 'north', which is no number"),
        ('<TIM A=""><PTN A="" B=""/><DLV A="XY" B="" C="DET-1"/></TIM>', r"DLV 0 .*A='XY'"),
        ('<HDR A=""/>', "its root is 'HDR'"),
    ],
)
def test_headers_that_are_none(tmp_path, head, words):
    path = write_time_log(tmp_path, "TLG00001", head, RECORDS)
    with pytest.raises(LogError, match=words):
        read_log(path)


def test_other_xml_as_taskdata(tmp_path):
    write_time_log(tmp_path, "TLG00001", header(VALUES), RECORDS)
    (tmp_path / "TASKDATA.XML").write_text("<plan/>", encoding="utf-8")
    with pytest.raises(LogError, match="its root is 'plan'"):
        read_log(tmp_path / "TLG00001.bin")


def test_empty_records(folder):
    (folder / "TLG00001.bin").write_bytes(b"")
    with pytest.raises(LogError, match="no row"):
        read_log(folder)


# --- the machine ------------------------------------------------------------------------------------------------------


def test_device_elements_are_told(folder):
    told = [
        text
        for text in say_all(read_log(folder).quality.warnings)
        if "device description of DVC-1 'field sprayer'" in text
    ]
    assert len(told) == 1
    assert "function DET-2 'boom' (width 15 m, x -2.5 m)" in told[0]
    places = [told[0].index(f"section DET-1{number} 'part {number}' (width 3 m, y ") for number in (1, 2, 3, 4, 5)]
    assert places == sorted(places)


def test_section_widths_against_the_machine_file(tmp_path):
    widths = {1: 3500, 2: 3000, 3: 2000, 4: 3000, 5: 3500}
    assert set(widths) == set(SECTION_Y_MM)
    write_time_log(tmp_path, "TLG00001", header(VALUES), RECORDS)
    write_main(tmp_path, device(widths), task("TSK1", ["TLG00001"]))

    def told(machine):
        return [
            t
            for t in say_all(read_log(tmp_path, section_widths_m=machine).quality.warnings)
            if "machine file is used" in t
        ]

    assert told([3.5, 3, 2, 3, 3.5]) == []
    other = told([3, 3, 3])[0]
    assert "sections of 3.5, 3, 2, 3, 3.5 m (left to right, 15 m in all), the machine file 3, 3, 3 m (9 m" in other
    assert len(told([3.5, 3, 2, 3, 3.6])) == 1


# --- recognition ------------------------------------------------------------------------------------------------------


def test_each_drive_is_one_log_to_a_search(folder):
    kinds = {path.name: sniff(path).kind for path in folder.iterdir()}
    assert kinds == {"TLG00001.bin": "log", "TLG00001.xml": "other", "TASKDATA.XML": "other"}
    assert sniff(folder).kind == "log"
    assert {find_format(path).name for path in (folder, *folder.iterdir())} == {"taskdata"}
    (folder / "TLG00001.xml").unlink()
    assert sniff(folder / "TLG00001.bin").reason == "records of a time log without their header TLG00001.xml"


def test_a_folder_of_other_things(tmp_path):
    with pytest.raises(LogError, match="is a folder, not a file, and holds no TASKDATA"):
        read_log(tmp_path)


def test_with_a_declaration_comment_and_mark(folder):
    path = folder / "TASKDATA.XML"
    text = main_xml(device(), task("TSK1", ["TLG00001"])).replace("?>\n", "?>\n<!-- by hand -->\n")
    path.write_bytes(b"\xef\xbb\xbf" + text.encode())
    assert find_format(path).name == "taskdata"
    assert len(read_log(path)) == 5
