"""The verdict, its figures, and the advice."""

from __future__ import annotations

import dataclasses
import json
from types import SimpleNamespace

import numpy as np
import pytest

from swathledger.log.log import Log, LogQuality, SetAside
from swathledger.log.quality import assess, position_noise_m
from swathledger.words import say, say_all

M_PER_DEG = 110_574.27582  # of latitude at the equator on WGS84: pi / 180 x a (1 - e2)


def drive(n: int = 601, rate: float = 5.0, speed: float = 5.0, **changes: object) -> Log:
    """Straight north at a steady speed, two sections, both open all the time."""
    time = 1772609400.0 + np.arange(n) / rate
    quality = LogQuality(n, n, (), (("time", "time"),), (), 1.0 / rate)
    plain = Log(
        time_s=time,
        latitude_deg=np.arange(n) * speed / rate / M_PER_DEG,
        longitude_deg=np.full(n, 117.2),
        state_kind="section",
        state=np.ones((n, 2), bool),
        quality=quality,
        inputs=(("drive.csv", "0"),),
        working_width_m=np.full(n, 24.0),
    )
    return dataclasses.replace(plain, **changes)


def test_figures_of_a_plain_drive():
    report = assess(drive())
    assert report.fit
    assert report.reasons == ()
    assert report.span_s == pytest.approx(120.0)  # 600 steps of 0.2 s
    assert report.rows_per_s == pytest.approx(5.0)
    assert report.distance_m == pytest.approx(600.0, rel=1e-6)  # 120 s at 5 m/s
    assert report.sprayed_distance_m == pytest.approx(600.0, rel=1e-6)
    assert report.spraying_share == pytest.approx(1.0)
    assert (report.gaps, report.gaps_s, report.gap_threshold_s) == (0, 0.0, 6.0)
    assert (report.states, report.states_ever_open) == (2, 2)
    assert report.start_utc == "2026-03-04T07:30:00Z"


def test_a_state_holds_until_the_next_row():
    state = np.zeros((601, 2), bool)
    state[100:250, 1] = True  # 150 steps of 600
    report = assess(drive(state=state))
    assert report.spraying_share == pytest.approx(0.25)
    assert report.sprayed_distance_m == pytest.approx(150.0, rel=1e-6)
    assert report.states_ever_open == 1


def test_gaps_are_longer_than_six_seconds_and_six_steps():
    time = drive().time_s.copy()
    time[300:] += 5.9
    assert assess(drive(time_s=time)).gaps == 1  # 5.9 + 0.2 s
    time[300:] -= 0.2
    assert assess(drive(time_s=time)).gaps == 0  # 5.7 + 0.2 s
    slow = drive(rate=0.5, n=61)  # steps of 2 s: the limit is 12 s
    assert assess(slow).gap_threshold_s == 12.0


def test_never_sprays():
    report = assess(drive(state=np.zeros((601, 2), bool)))
    assert not report.fit
    assert "No row records any spraying." in say_all(report.reasons)


def test_rows_too_far_apart():
    assert assess(drive(rate=0.2, n=61)).fit  # 5 s is still taken
    assert any("apart" in text for text in say_all(assess(drive(rate=0.19, n=61)).reasons))


def test_too_many_rows_set_aside():
    good = drive()
    kept = dataclasses.replace(good.quality, epochs=751, set_aside=(SetAside("bad_time", 150),))
    assert assess(dataclasses.replace(good, quality=kept)).fit  # 150 / 751 = 19.97 %
    many = dataclasses.replace(good.quality, epochs=752, set_aside=(SetAside("bad_time", 151),))
    reasons = say_all(assess(dataclasses.replace(good, quality=many)).reasons)
    assert any("set aside" in text for text in reasons)  # 151 / 752 = 20.08 %


@pytest.mark.parametrize(
    ("gap_s", "moved_m", "lost_s", "fit"),
    [(39.0, 100.0, 39.0, True), (41.0, 100.0, 41.0, False), (41.0, 1.0, 0.0, True), (90_000.0, 100.0, 20.0, True)],
)
def test_time_lost_in_gaps(gap_s, moved_m, lost_s, fit):
    # 599 steps of 0.2 s = 119.8 s driven; a quarter of all is lost at 39.93 s. A pause on the spot loses nothing, and
    # of a night's break only the 20 s that 100 m take.
    good = drive()
    time, latitude = good.time_s.copy(), good.latitude_deg.copy()
    time[300:] += gap_s - 0.2
    latitude[300:] += (moved_m - 1.0) / M_PER_DEG
    report = assess(dataclasses.replace(good, time_s=time, latitude_deg=latitude))
    assert report.gaps == 1
    assert report.gaps_lost_s == pytest.approx(lost_s, rel=1e-3)
    assert report.fit is fit


def test_a_machine_that_stands():
    report = assess(drive(latitude_deg=np.zeros(601)))
    assert "The machine never moves." in say_all(report.reasons)


@pytest.mark.parametrize(("kind", "words"), [("none", "neither states nor a width"), ("work", "no width")])
def test_no_states_and_no_width(kind, words):
    log = drive(state_kind=kind, state=np.ones((601, 1), bool), working_width_m=None)
    assert any(words in text for text in say_all(assess(log).reasons))
    machine = SimpleNamespace(boom=None, gnss_sigma_m=0.02)
    report = assess(log, machine)
    assert report.fit
    assert report.gnss_sigma_m == 0.02
    assert report.states == (0 if kind == "none" else 1)


def test_advice():
    text = " ".join(say_all(assess(drive()).better))
    for word in ("flow", "heading", "reversing", "gnss_sigma_m"):
        assert word in text
    assert "5 to 10 rows" not in text
    n = 601
    full = drive(heading_deg=np.zeros(n), rate_l_m2=np.full(n, 0.008), reverse=np.zeros(n, bool))
    full = dataclasses.replace(full, quality=dataclasses.replace(full.quality, gnss_sigma_m=0.02))
    assert assess(full).better == ()
    assert any("5 to 10 rows" in line for line in say_all(assess(drive(rate=1.0)).better))
    assert any("[log] start" in line for line in say_all(assess(drive(time_is_absolute=False)).better))


def test_document_is_plain_json():
    document = assess(drive(time_is_absolute=False)).document(say)
    assert document["start_utc"] is None
    assert document["columns_understood"] == [{"name": "time", "header": "time"}]
    assert json.loads(json.dumps(document, allow_nan=False)) == json.loads(json.dumps(document))


@pytest.mark.parametrize("sigma", [0.005, 0.02, 0.1])
def test_white_noise_is_measured(sigma):
    rng = np.random.default_rng(20260304)
    n = 4001
    good = drive(n)
    noisy = drive(
        n,
        latitude_deg=good.latitude_deg + rng.normal(0, sigma, n) / M_PER_DEG,
        longitude_deg=good.longitude_deg + rng.normal(0, sigma, n) / M_PER_DEG,
    )
    # the relative error of a median absolute deviation is about 1.17 / sqrt(n) = 2 %, more here: rows are correlated
    assert position_noise_m(noisy) == pytest.approx(sigma, rel=0.1)


def test_steady_curves_and_clocks_make_no_noise():
    # a circle of 200 m once around: third differences of a circle are (v dt / R)^3 R = (1 / 200)^3 * 200 = 25 um
    angle = np.arange(1200) * 1.0 / 200.0
    log = drive(
        1200, latitude_deg=200 * np.sin(angle) / M_PER_DEG, longitude_deg=117.2 + 200 * np.cos(angle) / M_PER_DEG
    )
    assert position_noise_m(log) == pytest.approx(0.0, abs=1e-4)


def test_too_little_straight_driving_is_unknown():
    assert position_noise_m(drive(99)) is None
    assert position_noise_m(drive(latitude_deg=np.zeros(601))) is None
