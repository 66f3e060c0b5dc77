"""Moments, durations, slugs and names that any terminal can show."""

from __future__ import annotations

import datetime as dt
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from swathledger.errors import InputError
from swathledger.text import duration, moment, printable, slug


@pytest.mark.parametrize(
    ("seconds", "decimals", "text"),
    [
        (0.0, 3, "1970-01-01T00:00:00Z"),
        (86_400.5, 3, "1970-01-02T00:00:00.500Z"),
        (0.0004, 3, "1970-01-01T00:00:00Z"),
        (0.0004, 6, "1970-01-01T00:00:00.000400Z"),
        (-0.25, 6, "1969-12-31T23:59:59.750Z"),
    ],
)
def test_a_moment_has_one_spelling(seconds: float, decimals: int, text: str) -> None:
    assert moment(seconds, decimals=decimals) == text


def test_a_fixed_moment_keeps_its_decimals() -> None:
    assert moment(0.0, fixed=True) == "1970-01-01T00:00:00.000Z"


@given(st.integers(-(10**13), 10**14))
def test_a_moment_reads_back_to_the_microsecond(micros: int) -> None:
    back = dt.datetime.fromisoformat(moment(micros / 1e6, decimals=6))
    assert abs((back - dt.datetime(1970, 1, 1, tzinfo=dt.UTC)) / dt.timedelta(microseconds=1) - micros) <= 1


def test_durations() -> None:
    # 3600 x 2 + 60 x 5 = 7500; 59.6 rounds to a minute, never to "60 s"
    assert [duration(s) for s in (0, 59.6, 185, 7500)] == ["0 s", "1 min 00 s", "3 min 05 s", "2 h 05 min"]


def test_slugs() -> None:
    assert slug("end/paddock é", "field") == "end-paddock-e"
    assert slug("///", "field") == "field"
    assert slug("con") == "con_"


@given(st.text())
def test_what_is_printable_moves_no_cursor(text: str) -> None:
    shown = printable(text)
    shown.encode("utf-8")
    assert not any(unicodedata.category(char) in ("Cc", "Cs", "Zl", "Zp") for char in shown)
    assert printable(shown) == shown


def test_escapes_name_the_character() -> None:
    assert printable("a\x1b[2Jb\u202ec\udcff\n") == "a\\x1b[2Jb\\u202ec\\xff\\x0a"
    assert printable("a\nb", keep="\n") == "a\nb"
    assert printable("Möhre 田 \U0001f468\u200d\U0001f33e") == "Möhre 田 \U0001f468\u200d\U0001f33e"


def test_errors_cannot_steer_the_terminal() -> None:
    text = str(InputError("found \x07 there.", file="a\x1b]0;x\x07.csv", column="b\x1b[2J", hint="Mend\rit."))
    assert text.isprintable()
