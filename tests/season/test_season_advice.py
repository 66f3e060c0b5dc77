"""Alarms and actions of a season by hand."""

from __future__ import annotations

from ledgerkit import ledger

from swathledger.money.ledgers import JobLedger
from swathledger.season.tables.advice import season_actions, season_alarms


def job(name, *actions, alarms=(), field="north"):
    document = ledger(action=list(actions), alarm=list(alarms), field={"id": field})
    return JobLedger(name, "", document)


def action(name, saved_l=None, **more):
    return {"action": name, "found_by": "replay", "saved_l": saved_l, **more}


def test_actions_add_up_by_kind_and_layout():
    jobs = [
        job("a", action("finer_groups", 5.0, layout="nozzle", saved_money=2.0), action("look_again", value=30.0)),
        job("b", action("finer_groups", 7.0, layout="nozzle"), action("keep_off", 20.0, value=100.0)),
        job("c", action("finer_groups", 1.0, layout="24"), action("look_again", value=40.0)),
    ]
    found = [(row.action, row.layout, row.jobs, row.saved_l, row.value) for row in season_actions(jobs)]
    assert found == [
        ("keep_off", None, 1, 20.0, 100.0),
        ("finer_groups", "nozzle", 2, 12.0, None),
        ("finer_groups", "24", 1, 1.0, None),
        ("look_again", None, 2, None, 70.0),
    ]
    assert season_actions(jobs)[1].saved_money == 2.0  # of the job that knows it


def test_delays_of_two_machines_are_not_added():
    jobs = [job(name, action("shut_off", 4.0, value=late)) for name, late in (("a", 0.5), ("b", -0.5))]
    (row,) = season_actions(jobs)
    assert (row.saved_l, row.value) == (8.0, None)


def test_alarms_name_their_job():
    jobs = [job("a"), job("b", alarms=[{"alarm": "excluded", "area_m2": 5.0}], field="south")]
    (alarm,) = season_alarms(jobs)
    assert (alarm.job, alarm.field, alarm.alarm, alarm.area_m2) == ("b", "south", "excluded", 5.0)
    assert season_actions([job("a")]) == ()
