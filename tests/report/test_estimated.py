"""Best estimates on pages: rounded to what their interval bears, read where there is none."""

from __future__ import annotations

import re

import pytest

from swathledger.report.estimated import best_and_interval, digits_borne, estimate_path, estimate_rows
from swathledger.report.numbers import Figures
from swathledger.report.page import lead
from swathledger.words import words

T = words("en")


def line(quantity, read, best, low, high, dominant="receiver"):
    return {"quantity": quantity, "read": read, "best": best, "low": low, "high": high, "level": 0.9,
            "dominant": dominant, "by_source": {}}  # fmt: skip


def document(*estimates):
    area = {"over_application_pct": 1.5, "over_application_m2": 1500.0, "target_m2": 1e5, "skip_pct": 0.7,
            "skip_m2": 700.0, "standard_errors_m2": {"over_application_m2": 3.0}, "not_recorded_m2": 0.0}  # fmt: skip
    return {"area": area, "volume": {"over_applied_l": 22.5, "applied_l": 1500.0}, "replay": [],
            "cause": [{"cause": "crossing", "area_m2": 1500.0}], "estimate": list(estimates) or None}  # fmt: skip


def text(markup):
    return re.sub(r"<[^>]+>", "", str(markup)).replace("\u00a0", " ")


@pytest.mark.parametrize(
    ("half", "most", "digits"),
    [(0.2, 2, 1), (0.1, 2, 1), (0.099, 2, 2), (0.003, 2, 2), (1.0, 2, 0), (0.999, 2, 1), (40.0, 1, 0), (0.0, 2, 2)],
)
def test_last_digit_shown_is_the_first_of_the_half_width(half, most, digits):
    assert digits_borne(half, most) == digits


def test_lead_tells_best_and_interval_and_not_the_cells_error():
    told = text(lead(Figures(document(line("over_application_pct", 1.5, 0.83, 0.71, 1.12),
                                      line("skip_pct", 0.7, 0.46, 0.39, 0.52),
                                      line("over_applied_l", 22.5, 12.4, 10.6, 16.8)), "metric", T), T))  # fmt: skip
    # half widths 0.205 %, 0.065 %, 3.1 L: one, two and no decimals
    assert "about 0.8 % of this field's 10.00 ha target, between 0.7 % and 1.1 %" in told
    assert "about 12 L of the 1,500 L that were laid (11 L to 17 L)" in told
    assert "About 0.46 % was missed, between 0.39 % and 0.52 %." in told
    assert "1.50" not in told
    assert "±" not in told


def test_lead_without_estimates_tells_what_was_read():
    told = text(lead(Figures(document(), "metric", T), T))
    assert "1.50 %" in told
    assert "± 3.0 m" in told


def test_gallons_are_rounded_in_gallons():
    figures = Figures(document(line("over_applied_l", 22.5, 12.4, 10.6, 16.8)), "us", T)
    told = best_and_interval(figures, "over_applied_l")
    # 3.1 L are 0.82 gal: one decimal; 12.4 L are 3.276 gal
    assert told is not None
    assert [text(told[k]) for k in ("best", "low", "high")] == ["3.3 gal", "2.8 gal", "4.4 gal"]


def test_what_cannot_be_told_is_unknown():
    figures = Figures(document(line("saved_pct:nozzle", 1.0, None, None, None, None)), "metric", T)
    assert estimate_path(figures, "saved_pct:nozzle") is None
    (row,) = estimate_rows(figures, T)
    assert row["told"] is None
    assert row["source"] is None
    assert "valve on each nozzle" in text(row["words"])


def test_every_source_has_words():
    from swathledger.estimate.carrier import SOURCES

    for source in (*SOURCES, "errors", "model"):
        assert T(f"estimate.source.{source}")
