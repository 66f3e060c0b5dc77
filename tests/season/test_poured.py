"""What a season poured at standstill, its mass balance and its products: the sums of its ledgers."""

from __future__ import annotations

import json
import math

import pytest

from swathledger.documents.document import plain
from swathledger.money.ledgers import read_ledgers
from swathledger.money.totals import season_balance, season_products, season_standing
from swathledger.season.manifest.manifest import read_manifest
from swathledger.season.run.pool import InlinePool
from swathledger.season.season import run_season

from .conftest import START, degrees, lanes, make_farm_in

WIDTH_M, SPEED_M_S, RATE_L_HA = 6.0, 4.0, 100.0
FLOW_L_MIN = 60 * RATE_L_HA / 1e4 * WIDTH_M * SPEED_M_S  # 14.4
CHARGE_S, CHARGE_L_MIN = 40, 60.0  # 40 L
MANIFEST = """\
schema = "swathledger/manifest/1"
boundaries = "fields.geojson"
machine = "machine.toml"
[settings]
cell_m = 0.5
groups = []
[[products]]
name = "herbicide A"
unit = "L/ha"
rate = 2.0
price = 10.0
currency = "AUD"
active_ingredient_g_l = 400
[[jobs]]
id = "a"
field = "plot 1"
client = "Weir"
logs = ["logs/flow.csv"]
[[jobs]]
id = "b"
field = "plot 2"
client = "Mill"
logs = ["logs/none.csv"]
"""


def drive(number, start, *, flow):
    """A charge of 40 s before the first pass, then the field; flow in L/min where it is logged."""
    x, y, _ = lanes(number)[0]
    rows = [(x, y, 1, CHARGE_L_MIN)] * CHARGE_S
    rows += [(x, y, on, FLOW_L_MIN * on) for x, y, on in lanes(number)]
    lines = ["time,latitude,longitude,section_1,section_2,rate_l_ha" + (",flow_l_min" if flow else "")]
    for second, (x, y, on, litres) in enumerate(rows):
        latitude, longitude = degrees(x, y)
        line = f"{start + second},{latitude:.8f},{longitude:.8f},{on},{on},{RATE_L_HA}"
        lines.append(f"{line},{litres}" if flow else line)
    return "\n".join(lines) + "\n"


@pytest.fixture(scope="module")
def poured(tmp_path_factory):
    farm = make_farm_in(tmp_path_factory.mktemp("poured") / "farm", 2, with_logs=False)
    farm.log("flow.csv", drive(0, START, flow=True))
    farm.log("none.csv", drive(1, START + 86_400, flow=False))
    (farm.folder / "season.toml").write_text(MANIFEST)
    out = farm.folder / "out"
    done = run_season(read_manifest(farm.folder / "season.toml"), out, pool=InlinePool())
    assert not done.failed
    return out, plain(done.document)


def test_litres_poured_are_the_measured_ones_and_the_others_are_counted(poured):
    out, document = poured
    standing = document["standing"]
    assert (standing["measured"], standing["unmeasured"]) == (1, 1)
    assert standing["litres_l"] == pytest.approx(40.0, rel=0.01)  # 40 s at 60 L/min
    # 100 L/ha hold 2 L/ha of 400 g/L: 8 g in a litre of spray, worth 0.20
    assert standing["active_g"] == pytest.approx(320.0, rel=0.01)
    assert standing["money"] == pytest.approx(8.0, rel=0.01)
    assert (standing["likely_primes"], standing["measured_primes"]) == (2, 1)
    weir = json.loads((out / "Weir" / "season.json").read_text())["standing"]
    mill = json.loads((out / "Mill" / "season.json").read_text())["standing"]
    assert weir["litres_l"] == standing["litres_l"]
    assert (mill["litres_l"], mill["active_g"], mill["unmeasured"]) == (None, None, 1)  # not known, and not zero


def test_the_balance_of_the_season_closes(poured):
    out, document = poured
    balance = document["balance"]
    parts = [
        balance["on_target_l"],
        *(row["volume_l"] for row in balance["by_cause"]),
        balance["standing_l"],
        balance["unexplained_l"],
    ]
    assert math.fsum(parts) == pytest.approx(balance["logged_l"], rel=1e-9)
    assert (balance["jobs"], balance["jobs_without_litres"]) == (2, 0)
    ledgers = [json.loads(path.read_text())["balance"] for path in sorted(out.glob("*/*/ledger.json"))]
    assert len(ledgers) == 2
    for key in ("logged_l", "on_target_l", "over_applied_l"):
        assert balance[key] == pytest.approx(math.fsum(item[key] for item in ledgers), rel=1e-9)
    # 36 L on each field and the 40 L that the first log measures
    assert balance["logged_l"] == pytest.approx(112.0, rel=0.02)
    assert abs(balance["unexplained_pct"]) < 1.0


def test_products_without_a_name_in_the_log_come_from_the_manifest(poured):
    _, document = poured
    (product,) = document["products"]
    assert (product["name"], product["jobs"], product["measure"]) == ("herbicide A", 2, "L")
    # 100 L/ha carry 2 L/ha: a fiftieth of the litres laid
    laid = document["totals"]["applied_l"]
    assert product["applied"]["amount"] == pytest.approx(laid / 50, rel=1e-6)
    assert product["applied"]["active_g"] == pytest.approx(8 * laid, rel=1e-6)
    assert product["over_label_m2"] is None  # no maximum was entered


def test_what_payback_reads_is_what_the_season_says(poured):
    out, document = poured
    jobs, aside = read_ledgers(out)
    assert not aside
    for key, value in plain(season_standing(jobs)).items():
        assert document["standing"][key] == pytest.approx(value), key
    assert season_balance(jobs).logged_l == pytest.approx(document["balance"]["logged_l"])


def test_the_page_says_it(poured):
    out, _ = poured
    page = (out / "season.html").read_text(encoding="utf-8")
    assert "Measured by the logs" in page
    assert "Events whose litres no log tells" in page
    assert 'data-key="balance/unexplained_l"' in page
    assert "Events whose litres no log tells" not in (out / "Weir" / "season.html").read_text(encoding="utf-8")


def test_of_no_jobs_nothing_is_known():
    assert season_standing([]).litres_l is None
    assert season_balance([]) is None
    assert season_products([]) == ()
