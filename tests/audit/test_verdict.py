"""The verdict on the log travels: exit code, ledger, head of the page, what is printed."""

from __future__ import annotations

import json

import numpy as np
import pytest

ROWS = 130
PLAIN = ("--no-interval", "--cell", "0.5")


def drive(job, flow_open: float, flow_shut: float, **extra):
    """Up one pass with the boom open and down the next with it shut, at 2 m/s."""
    y = np.concatenate((np.arange(0.0, ROWS, 2.0), np.arange(ROWS, 0.0, -2.0)))
    x = np.repeat([0.0, 12.0], ROWS // 2)
    states = np.repeat([1, 0], ROWS // 2)
    flow = np.where(states == 1, flow_open, flow_shut)
    job.write_boundary([(-6, 0), (18, 0), (18, ROWS), (-6, ROWS)])
    columns = {"flow_l_min": flow.tolist(), **{name: values.tolist() for name, values in extra.items()}}
    job.write_log(x, y, np.arange(float(ROWS)), states, columns)


def test_a_sound_log_is_fit_and_says_that_the_antenna_was_assumed(job, accepted):
    drive(job, 14.4, 0.0)  # 12 m x 2 m/s x 100 L/ha = 0.24 L/s
    document = accepted(*PLAIN)
    assert document["verdict"] == {"fit": "fit", "why": []}
    assert document["quality"]["flow_l"]["difference_pct"] == pytest.approx(0.0, abs=2.0)
    assert document["quality"]["counter_m2"] is None
    assert "checkup.antenna_assumed" in [note["code"] for note in document["quality"]["notes"]]
    page = (job.out / "report.html").read_text(encoding="utf-8")
    assert "does not say where the antenna is" in page
    assert 'id="verdict"' not in page


def test_exchanged_states_are_written_marked_and_exit_1(job, accepted):
    drive(job, 0.0, 14.4)
    document = accepted(*PLAIN, code=1)
    assert document["verdict"]["fit"] == "unfit"
    assert [why["code"] for why in document["verdict"]["why"]] == ["checkup.states_inverted"]
    page = (job.out / "report.html").read_text(encoding="utf-8")
    assert page.index("The log is not fit to be used") < page.index('class="lead"')
    assert "States are exchanged" in page
    before = document["area"]["skip_m2"], document["area"]["covered_m2"]
    job.machine.write_text(job.machine.read_text() + '\n[log]\nstates = {"0" = "open", "1" = "shut"}\n')
    document = accepted(*PLAIN, "--overwrite")
    assert document["verdict"] == {"fit": "fit", "why": []}
    # the other pass was sprayed: the same area, on the other half of the field
    assert document["area"]["covered_m2"] == pytest.approx(before[1], rel=0.05)


def test_headings_in_radians_are_left_out_and_the_ground_is_that_of_the_track(job, accepted):
    heading = np.repeat([0.0, np.pi], ROWS // 2)
    drive(job, 14.4, 0.0)
    plain = accepted(*PLAIN)["area"]["covered_m2"]
    drive(job, 14.4, 0.0, heading_deg=heading)
    document = accepted(*PLAIN, "--overwrite")
    assert document["verdict"]["fit"] == "doubtful"
    assert document["verdict"]["why"][0]["code"] == "checkup.heading_radians"
    assert document["area"]["covered_m2"] == pytest.approx(plain, rel=1e-3)
    page = (job.out / "report.html").read_text(encoding="utf-8")
    assert "heading_unit" in page
    job.machine.write_text(job.machine.read_text() + '\n[log]\nheading_unit = "rad"\n')
    document = accepted(*PLAIN, "--overwrite")
    assert document["verdict"]["fit"] == "fit"
    # the step from one pass to the other, 12 m to the side, is turned through one way or the other
    assert document["area"]["covered_m2"] == pytest.approx(plain, rel=0.03)


def test_what_check_says_is_what_audit_says(job):
    from click.testing import CliRunner

    from swathledger_cli.main import cli

    drive(job, 0.0, 14.4)
    found = CliRunner().invoke(cli, ["check", str(job.log), "--machine", str(job.machine), "--json"])
    assert found.exit_code == 1
    document = json.loads(found.stdout)
    assert document["verdict"] == "unfit"
    assert [note["code"] for note in document["codes"]["reasons"]] == ["checkup.states_inverted"]
    told = job.run(*PLAIN)
    assert told.exit_code == 1
    assert job.ledger()["verdict"]["why"] == document["codes"]["reasons"]
