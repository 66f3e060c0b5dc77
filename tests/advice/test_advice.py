"""Alarms and actions of made-up ledgers: what is told, in which order, and what is left out."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import pytest
import shapely
from ledgerkit import layout, ledger, model, product, standing
from ledgerkit import volume as any_volume

import swathledger.advice.setup as from_drive
from swathledger.advice.actions import actions_of
from swathledger.advice.alarms import NEAR_M, alarms_of, near_m2
from swathledger.advice.setup import by_hand
from swathledger.documents.advice import LedgerAction
from swathledger.fitted.carrier import Controller, Found, Setup
from swathledger.fitted.fit import valves_of
from swathledger.notes import Note
from swathledger.shutoff.run import Setting


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


def volume(**more):
    """Enough over-applied for every saving, unless said otherwise."""
    return any_volume(**{"over_applied_l": 500.0, **more})


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
    document = ledger(
        area={"applied_m2": 1e5, "excluded_m2": 500.0, "over_application_m2": 3e3}, **replayed(resolution=10.0)
    )
    assert [(a.action, a.saved_m2) for a in actions_of(document)] == [("finer_groups", 1000.0), ("keep_off", 500.0)]


def found_setup(on=(0.0, 0.1), off=(0.0, 0.1), spacing=(24.0, 0.05), strays=0.0, wander=0.02):
    def found(value, half):
        return Found(value, half / 1.645, value - half, value + half)

    controller = Controller(
        found(*on), found(*off), found(1.0, 0.1), found(0.0, 0.1), found(0.0, 0.1), 0.1, strays,
        valves_of(on[0], off[0]), 0.0, 1.0, found(*on), found(*off), found(off[0] - on[0], on[1] + off[1]),
    )  # fmt: skip
    return Setup(
        False, 0.0, 0.0, 24.0, Found(None), Found(None), Found(None), Found(None), found(*spacing), controller, 4.0,
        100, 100, 100, 50, wander,
    )  # fmt: skip


def test_delays_read_from_the_log_stand_in_place_of_the_models_own_line():
    fitted = [LedgerAction(action="shut_off", found_by="fit", saved_l=8.0, value=0.6)]
    document = ledger(volume=volume(applied_l=1000.0), product=product(cost_per_l=0.5), **replayed(model=9.0))
    (action,) = actions_of(document, fitted, by_hand=False)
    assert (action.action, action.saved_money) == ("shut_off", pytest.approx(4.0))
    assert names(actions_of(document, fitted)) == ["switching", "shut_off"]  # a hand has no delay to be set


def test_ground_missed_weighs_as_what_would_have_gone_on_it():
    # 1,000 L on 10,000 m2: 50 m2 missed are 5 L
    fitted = [
        LedgerAction(action="open", found_by="fit", missed_m2=50.0, value=0.6),
        LedgerAction(action="spacing", found_by="replay", saved_l=4.0, value=0.2),
        LedgerAction(action="sideways", found_by="replay", saved_l=3.0, missed_m2=30.0, value=0.2),
    ]
    document = ledger(area={"applied_m2": 1e4}, volume=volume(applied_l=1000.0))
    assert names(actions_of(document, fitted)) == ["sideways", "open", "spacing"]


def test_no_layout_saves_more_than_was_over_applied():
    document = ledger(volume=volume(applied_l=1000.0, over_applied_l=6.0), **replayed(resolution=10.0))
    (action,) = actions_of(document)
    assert action.saved_l == 6.0


def test_hand_switching_without_what_the_rows_add():
    """The log reads 30 L of 1,000; the best estimate of the saving against the log is 3.2 %, of resolution 1 %."""

    def line(quantity, read, best, low, high):
        return {
            "quantity": quantity, "read": read, "best": best, "low": low, "high": high, "level": 0.9, "dominant": None,
        }  # fmt: skip

    lines = [line("saved_vs_log_pct:nozzle", 4.0, 3.2, 2.7, 3.7), line("saved_pct:nozzle", 1.0, 1.0, 0.9, 1.1)]
    document = ledger(volume=volume(applied_l=1000.0), estimate=lines, **replayed(model=30.0, resolution=10.0))
    found = {action.action: action for action in actions_of(document)}
    hand = found["switching"]
    assert (hand.saved_l, hand.low_l, hand.high_l) == tuple(map(pytest.approx, (22.0, 17.0, 27.0)))


@pytest.mark.parametrize(
    ("on", "off", "strays", "told"),
    [
        ((0.0, 0.1), (0.0, 0.1), 0.0, []),
        ((0.15, 0.05), (0.1, 0.05), 0.0, []),  # surely not zero, but nothing to act on
        ((0.0, 0.1), (0.8, 0.1), 0.0, [("shut_off", 0.8)]),
        ((-0.5, 0.1), (0.0, 0.1), 0.0, [("open", -0.5)]),
        ((0.7, 0.9), (0.8, 0.9), 0.0, []),  # large, but not sure
        ((0.7, 0.1), (0.7, 0.1), 0.0, [("controller_offset", 0.7 * 4.0)]),
        ((-0.7, 0.05), (-0.6, 0.05), 0.0, [("controller_offset", -0.65 * 4.0)]),
        ((0.4, 0.05), (0.9, 0.05), 0.0, [("shut_off", 0.9), ("open", 0.4)]),
        ((-0.7, 0.1), (0.7, 0.1), 0.0, [("shut_off", 0.7), ("open", -0.7)]),
        ((0.0, 0.1), (0.8, 0.1), 0.5, []),  # moved by hand
    ],
)
def test_which_delays_are_told(monkeypatch, on, off, strays, told):
    monkeypatch.setattr(from_drive, "longer_wanted", lambda swath, *_: swath)
    setup = found_setup(on, off, strays=strays)
    what_if = SimpleNamespace(
        laid=lambda *_: None,
        action=lambda name, by, now, then, found, value: LedgerAction(action=name, found_by=by, value=value),
    )
    control = SimpleNamespace(fitted=Setting(valves_of(0.0, 0.0), 1.0, None, 0.0))
    found = from_drive._timing(SimpleNamespace(swath=None, control=control), what_if, setup)
    assert [(a.action, pytest.approx(a.value)) for a in found] == told


def test_a_boom_that_moves_as_one_is_moved_by_hand():
    assert by_hand(found_setup(strays=0.5))
    assert not by_hand(found_setup(strays=0.1))
    assert not by_hand(None)
    for code, hand in (("fitted.as_one", True), ("fitted.never_switched", True), ("fitted.few_seams", False)):
        nothing = replace(found_setup(), controller=None, ahead_m=Found(None, why_not=Note.of(code)))
        assert by_hand(nothing) is hand


def test_interval_follows_what_is_to_be_set():
    """0.4 m (0.3 to 0.6) saves 100 m2 at 0.01 L/m2: 1 L, 0.75 to 1.5 L; covered ground stays as it was."""
    what_if = object.__new__(from_drive._WhatIf)
    what_if.covered_m2, what_if.dose_l_m2 = 1000.0, 0.01
    now, then = from_drive._Laid(150.0, 1000.0), from_drive._Laid(50.0, 1000.0)
    action = what_if.action("spacing", "replay", now, then, Found(0.4, 0.1, 0.3, 0.6), value=0.4)
    assert (action.saved_l, action.low_l, action.high_l) == tuple(map(pytest.approx, (1.0, 0.75, 1.5)))
    assert (action.saved_m2, action.missed_m2, action.level) == (pytest.approx(100.0), None, 0.9)
    # 20 m2 missed less, and nothing over-applied: no litres are saved, and none are claimed
    gained = what_if.action("open", "fit", from_drive._Laid(0.0, 980.0), from_drive._Laid(0.0, 1000.0))
    assert (gained.saved_l, gained.saved_m2, gained.low_l) == (None, None, None)
    assert gained.missed_m2 == pytest.approx(20.0 * 1000.0 / 980.0)
