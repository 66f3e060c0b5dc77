"""Alarms and actions of made-up ledgers: what is told, in which order, and what is left out."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
import shapely
from ledgerkit import layout, ledger, model, product, standing, volume

import swathledger.advice.setup as from_drive
from swathledger.advice.actions import actions_of
from swathledger.advice.alarms import NEAR_M, alarms_of, near_m2
from swathledger.advice.setup import _wander_share, setup_actions
from swathledger.documents.advice import LedgerAction
from swathledger.fitted.carrier import Controller, Found, Setup
from swathledger.fitted.fit import valves_of


def event(litres, *, exclusion=None, boundary=None, inside=True):
    return {
        "start": None, "start_s": 0.0, "duration_s": 5.0, "latitude": 0.0, "longitude": 0.0, "kind": "measured",
        "occasion": "first", "litres_l": litres, "estimated_l": None, "wetted_m2": None, "to_boundary_m": None,
        "inside_boundary": inside, "to_exclusion_m": None, "nozzles_to_boundary_m": boundary,
        "nozzles_to_exclusion_m": exclusion,
    }  # fmt: skip


def prime(litres):
    return {
        "start": None, "start_s": 0.0, "latitude": 0.0, "longitude": 0.0, "occasion": "first", "break_s": None,
        "event": 1, "measured": litres is not None, "litres_l": litres,
    }  # fmt: skip


def replayed(**steps):
    lines = [
        {"step": name, "saved_l": litres, "saved_m2": 100.0 * litres, "saved_pct": None}
        for name, litres in steps.items()
    ]
    return {"replay": [layout("nozzle", steps=lines)], "model": model(claimed_by="nozzle")}


def names(found):
    return [item.alarm if hasattr(item, "alarm") else item.action for item in found]


# --- alarms -----------------------------------------------------------------------------------------------------------
def test_nothing_to_tell():
    assert alarms_of(ledger(), 0.0, 0.0) == ()


def test_spray_inside_an_exclusion_is_told_with_its_litres():
    document = ledger(area={"excluded_m2": 793.0}, volume=volume(excluded_l=6.0))
    (alarm,) = alarms_of(document, 760.0, 0.0)
    assert (alarm.alarm, alarm.area_m2, alarm.volume_l) == ("excluded", 793.0, 6.0)
    # litres that the log does not tell are unknown, not nothing
    (alarm,) = alarms_of(ledger(area={"excluded_m2": 793.0}), 760.0, 0.0)
    assert alarm.volume_l is None
    # nothing but slivers within the tolerance
    assert alarms_of(document, 0.9, 0.0) == ()


def test_ground_beyond_the_boundary_near_water():
    pond = shapely.box(0, 0, 10, 10)
    near, far = shapely.box(10 + NEAR_M - 1, 0, 30, 5), shapely.box(10 + NEAR_M + 1, 0, 40, 5)
    assert near_m2([(near, 40.0), (far, 70.0)], pond) == 40.0
    assert near_m2([(near, 40.0)], shapely.MultiPolygon()) == 0.0
    assert names(alarms_of(ledger(), 0.0, 40.0)) == ["outside_near_exclusion"]


def test_standing_litres_by_what_is_worse():
    events = [
        event(4.0, exclusion=3.0, boundary=2.0),
        event(5.0, exclusion=80.0, boundary=9.0),
        event(7.0, boundary=90.0),
    ]
    found = alarms_of(ledger(standing=standing(events=events)), 0.0, 0.0)
    assert [(a.alarm, a.volume_l, a.distance_m) for a in found] == [
        ("standing_near_exclusion", 4.0, 3.0),
        ("standing_near_boundary", 5.0, 9.0),
    ]
    # outside the field counts however far the edge is; one unmeasured event makes the sum unknown
    events = [event(4.0, boundary=50.0, inside=False), event(None, boundary=1.0)]
    (alarm,) = alarms_of(ledger(standing=standing(events=events)), 0.0, 0.0)
    assert (alarm.alarm, alarm.volume_l, alarm.distance_m) == ("standing_near_boundary", None, 1.0)


# --- actions ----------------------------------------------------------------------------------------------------------
def test_most_saved_first_and_what_was_missed_last():
    document = ledger(
        area={"excluded_m2": 500.0, "skip_beyond_tolerance_m2": 300.0},
        volume=volume(applied_l=1000.0, excluded_l=7.0),
        standing=standing(likely_primes=[prime(20.0), prime(None)]),
        **replayed(model=3.0, resolution=10.0),
    )
    found = actions_of(document)
    assert [(a.action, a.saved_l) for a in found] == [
        ("catch_primes", 20.0),
        ("finer_groups", 10.0),
        ("keep_off", 7.0),
        ("switching", 3.0),
        ("look_again", None),
    ]
    assert found[0].value == 1.0  # of two primes one was measured
    assert found[-1].value == 300.0


@pytest.mark.parametrize("applied", [10_000.0, 30_000.0])
def test_what_is_worth_nothing_is_not_listed(applied):
    # 0.05 % of 10,000 L is 5 L, of 30,000 L 15 L
    document = ledger(volume=volume(applied_l=applied), **replayed(resolution=10.0, model=-4.0))
    assert names(actions_of(document)) == (["finer_groups"] if applied == 10_000.0 else [])


def test_a_boom_that_recirculates_pours_nothing():
    document = ledger(
        volume=volume(applied_l=1000.0), standing=standing(likely_primes=[prime(20.0)], recirculates=True)
    )
    assert actions_of(document) == ()


def test_interval_in_litres_is_the_estimates_share_of_what_was_laid():
    line = {
        "quantity": "saved_pct:nozzle",
        "read": 1.0,
        "best": 1.1,
        "low": 0.8,
        "high": 1.3,
        "level": 0.9,
        "dominant": None,
    }
    document = ledger(volume=volume(applied_l=2000.0), estimate=[line], **replayed(resolution=20.0))
    (action,) = actions_of(document)
    # the replay's 20 L are the 1.0 % as read; the best estimate is a tenth more
    assert (action.saved_l, action.low_l, action.high_l) == tuple(map(pytest.approx, (22.0, 16.0, 26.0)))
    assert action.level == 0.9


def test_money_follows_litres():
    document = ledger(
        area={"excluded_m2": 500.0}, volume=volume(applied_l=1000.0, excluded_l=7.0), product=product(cost_per_l=0.5)
    )
    (action,) = actions_of(document)
    assert action.saved_money == pytest.approx(3.5)


def test_what_the_drive_says_of_the_set_up_is_ranked_with_the_others():
    fitted = [LedgerAction(action="spacing", found_by="fit", saved_l=15.0, value=0.3)]
    document = ledger(volume=volume(applied_l=1000.0), **replayed(resolution=10.0))
    assert names(actions_of(document, fitted)) == ["spacing", "finer_groups"]


def test_without_litres_ground_ranks():
    document = ledger(area={"applied_m2": 1e5, "excluded_m2": 500.0}, **replayed(resolution=10.0))
    assert [(a.action, a.saved_m2) for a in actions_of(document)] == [("finer_groups", 1000.0), ("keep_off", 500.0)]


def found_setup(on=(0.0, 0.1), off=(0.0, 0.1), spacing=(24.0, 0.05), strays=0.0, wander=0.02):
    def found(value, half):
        return Found(value, half / 1.645, value - half, value + half)

    controller = Controller(
        found(*on), found(*off), found(1.0, 0.1), found(0.0, 0.1), found(0.0, 0.1), 0.1, strays,
        valves_of(on[0], off[0]), 0.0, 1.0,
    )  # fmt: skip
    return Setup(
        False, 0.0, 0.0, 24.0, Found(None), Found(None), Found(None), Found(None), found(*spacing), controller, 4.0,
        100, 100, 100, 50, wander,
    )  # fmt: skip


def test_delays_read_from_the_log_stand_in_place_of_the_models_own_line():
    fitted = [LedgerAction(action="shut_off", found_by="fit", saved_l=8.0, value=0.6)]
    document = ledger(volume=volume(applied_l=1000.0), product=product(cost_per_l=0.5), **replayed(model=9.0))
    (action,) = actions_of(document, fitted)
    assert (action.action, action.saved_money) == ("shut_off", pytest.approx(4.0))


@pytest.mark.parametrize(
    ("on", "off", "strays", "told"),
    [
        ((0.0, 0.1), (0.0, 0.1), 0.0, []),
        ((0.15, 0.05), (0.1, 0.05), 0.0, []),  # surely not zero, but nothing to act on
        ((0.0, 0.1), (0.8, 0.1), 0.0, [("shut_off", 0.8)]),
        ((-0.5, 0.1), (0.0, 0.1), 0.0, [("open", -0.5)]),
        ((0.7, 0.9), (0.8, 0.9), 0.0, []),  # large, but not sure
        ((0.7, 0.1), (0.7, 0.1), 0.0, [("controller_offset", 0.7 * 4.0)]),
        ((0.3, 0.1), (0.9, 0.1), 0.0, [("shut_off", 0.9), ("open", 0.3)]),
        ((0.0, 0.1), (0.8, 0.1), 0.5, []),  # moved by hand
    ],
)
def test_which_delays_are_told(monkeypatch, on, off, strays, told):
    monkeypatch.setattr(from_drive, "logged_layout", lambda *_: None)
    monkeypatch.setattr(from_drive, "at_equal_cover", lambda *_: (1.0, 1.0))
    laid = SimpleNamespace(m2=lambda _: 1.0)
    monkeypatch.setattr(from_drive, "run_layout", lambda *_: SimpleNamespace(result=laid))
    areas = SimpleNamespace(m2=lambda _: 1.0, cell_m=0.5)
    accounting = SimpleNamespace(areas=areas, cause_cells={"guidance": 0}, volumes=None)
    job = SimpleNamespace(log=None, machine=None)
    found = setup_actions(job, accounting, found_setup(on, off, strays=strays))
    assert [(a.action, pytest.approx(a.value)) for a in found] == told


@pytest.mark.parametrize(
    ("near", "half", "told"), [(0.3, 0.05, True), (0.3, 0.4, False), (0.02, 0.01, False), (-0.3, 0.05, False)]
)
def test_spacing_is_told_where_passes_are_surely_close(near, half, told):
    areas = SimpleNamespace(cell_m=0.5)
    accounting = SimpleNamespace(
        areas=areas, cause_cells={"guidance": 4000}, volumes=SimpleNamespace(by_cause_l={"guidance": 10.0})
    )
    found = [
        a
        for a in setup_actions(None, accounting, found_setup(spacing=(24.0 - near, half), wander=0.0))
        if a.action == "spacing"
    ]
    assert [(a.value, a.saved_m2, a.saved_l) for a in found] == ([(pytest.approx(near), 1000.0, 10.0)] if told else [])


def test_wander_leaves_its_share():
    # seams that overlap by 0 + e and by 0.1 + e, e normal with sigma 0.1, drawn many times
    e = np.random.default_rng(7).normal(0.0, 0.1, 400_000)
    share = np.maximum(e, 0).mean() / np.maximum(0.1 + e, 0).mean()
    assert _wander_share(0.1, 0.1) == pytest.approx(share, rel=0.01)
    assert _wander_share(0.1, 0.0) == 0.0
