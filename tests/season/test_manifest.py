"""The manifest: what a person may write, and how every fault is told at once."""

from __future__ import annotations

import datetime as dt
import math
import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from swathledger.errors import InputError
from swathledger.notes import Note
from swathledger.season.manifest.inputs import machine_by_rule
from swathledger.season.manifest.manifest import Job, JobLog, Missing, Unplaced, manifest_from_mapping, read_manifest
from swathledger.season.manifest.names import name_fault
from swathledger.season.manifest.toml_text import manifest_text
from swathledger.text import slug
from swathledger.words import say

HEAD = 'schema = "swathledger/manifest/1"\nboundaries = "b.geojson"\nmachine = "m.toml"\n'


def said(text):
    return Note.of("said", text=text)


def read(text, **options):
    return manifest_from_mapping(tomllib.loads(HEAD + text), folder=Path("/x"), text=HEAD + text, **options)


def faults(text):
    with pytest.raises(InputError) as caught:
        read(text)
    return str(caught.value)


def test_a_job_with_everything():
    manifest = read("""
[settings]
cell_m = 0.25
groups = ["boom", 3, "nozzle"]
[[machine_rules]]
folder = "north"
machine = "n.toml"
[[jobs]]
id = "one"
field = "F1"
client = "Weir"
product = "herbicide A"
day = 2026-08-06
logs = ["north/a.csv", { file = "north/b.csv", from = 2026-08-06T06:00:00Z, to = 2026-08-06T08:00:00+01:00 }]
remarks = ["odd"]
[jobs.settings]
cell_m = 0.5
[[jobs]]
id = "two"
field = "F2"
boundary = "derive"
machine = "own.toml"
logs = [{ file = "c.csv", from = 10.5 }, { file = "c.csv", to = 3 }]
[[unplaced]]
file = "x"
reason = "y"
[[missing]]
field = "F3"
""")
    one, two = manifest.jobs
    six = dt.datetime(2026, 8, 6, 6, tzinfo=dt.UTC).timestamp()
    assert one.logs == (JobLog("north/a.csv"), JobLog("north/b.csv", ((six, six + 3600),)))
    assert (one.machine, two.machine) == ("n.toml", "own.toml")
    assert (one.boundary, two.boundary) == ("b.geojson", "derive")
    assert (one.settings.cell_m, two.settings.cell_m) == (0.5, 0.25)
    assert one.settings.groups == ("boom", "3", "nozzle")
    assert one.settings.field_id == "F1"
    assert two.logs == (JobLog("c.csv", ((-math.inf, 3.0), (10.5, math.inf))),)
    assert (one.client_folder, two.client_folder) == ("Weir", "all")
    assert manifest.unplaced == (Unplaced("x", said("y")),)
    assert manifest.missing == (Missing("F3", said("")),)


def test_options_of_the_call_come_before_those_of_the_file():
    text = '[settings]\ncell_m = 0.25\n[[jobs]]\nid = "a"\nfield = "F"\nlogs = ["a.csv"]\nsettings = { cell_m = 0.5 }\n'
    assert read(text, overrides={"cell_m": 1.0, "groups": None}).jobs[0].settings.cell_m == 1.0


def test_every_fault_is_told_at_once():
    said = faults("""
colour = "red"
[[jobs]]
id = "../up"
field = "F1"
logs = []
[[jobs]]
id = "Twice"
field = 3
logs = ["a.csv"]
day = "Monday"
client = "A b"
[[jobs]]
id = "twice"
field = "F2"
client = "A-b"
logs = [{ file = "a.csv", from = 2026-08-06T06:00:00, too = 1 }, { file = "b.csv", from = 5, to = 5 }]
[jobs.settings]
cell_m = -1
""")
    assert said.startswith("manifest: 11 faults in the manifest:")
    for words in (
        "colour (line 5): this key is not known",
        'jobs[1].id (line 7): found "../up"; must be letters, digits, dot, dash and underscore',
        "jobs[1].logs (line 9): found []; must be a list with at least one entry",
        "jobs[2].field (line 12): found 3; must be text in quotes",
        'jobs[2].day (line 14): found "Monday"; must be a date',
        'jobs[3].id (line 17): found "twice"; job 2 has that id already',
        'jobs[3].client (line 19): found "A-b"; it and "A b" would share the binder \'A-b\'',
        "it needs an offset, as in 2026-08-06T06:00:00Z",
        "jobs[3].logs[2].to: found 5; it must be later than from",
        "found -1; must be above 0",
        "jobs[3].logs[1].too: this key is not known. Did you mean to?",
    ):
        assert words in said


def test_products_of_the_season_and_of_a_job():
    (job,) = read("""
[[products]]
name = "herbicide A"
unit = "mL/ha"
rate = 1500
price = 0.02
currency = "AUD"
[[products]]
name = "adjuvant C"
unit = "L/ha"
rate = 0.5
[[jobs]]
id = "one"
field = "F1"
product = " herbicide A "
logs = ["a.csv"]
[[jobs.products]]
name = "Adjuvant C"
unit = "L/ha"
rate = 0.25
""").jobs
    assert job.settings.product == "herbicide A"
    herbicide, adjuvant = job.products
    # 1,500 mL/ha are 1.5 L/ha; 0.02 for one mL is 20 for one L
    assert (herbicide.rate_per_m2, herbicide.measure) == (pytest.approx(1.5e-4), "L")
    assert herbicide.price == pytest.approx(20.0)
    assert (adjuvant.name, adjuvant.rate_per_m2) == ("Adjuvant C", pytest.approx(0.25e-4))


def test_faults_of_products_are_told_with_their_places():
    told = faults("""
[[products]]
name = "herbicide A"
rate = 2.0
[[products]]
name = "Herbicide a"
unit = "L/ha"
[[jobs]]
id = "one"
field = "F1"
logs = ["a.csv"]
[[jobs.products]]
name = "b"
unit = "kg/ha"
currency = "dollars"
active_ingredient_g_l = 100
""")
    assert "4 faults" in told
    assert "products[1].unit" in told
    assert 'products[2].name (line 9): found "Herbicide a" a second time' in told
    assert "jobs[1].products[1].active_ingredient_g_l" in told
    assert "jobs[1].products[1].currency" in told


def test_a_job_without_a_machine_or_boundary():
    raw = {"schema": "swathledger/manifest/1", "jobs": [{"id": "a", "field": "F", "logs": ["a.csv"]}]}
    with pytest.raises(InputError) as caught:
        manifest_from_mapping(raw, folder=Path("/x"))
    assert "jobs[1].boundary: is missing" in str(caught.value)
    assert "jobs[1].machine: is missing" in str(caught.value)


@pytest.mark.parametrize(
    "name", ["..", ".", "a/b", "a\\b", "", "-x", ".x", "CON", "nul.txt", "a.", "a b", "é", "x" * 81]
)
def test_names_that_could_lead_elsewhere_are_refused(name):
    assert name_fault(name) is not None


@given(st.text())
def test_every_slug_is_a_safe_name(text):
    assert name_fault(slug(text)) is None


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "there is no schema in it, so it is not a manifest"),
        (b'schema = "other/1"', "its schema is 'other/1'"),
        (b"schema = ", "this is not valid TOML"),
        (b"\xff\xff\xff", "this is not text in UTF-8"),
    ],
)
def test_a_file_that_is_no_manifest(tmp_path, data, words):
    path = tmp_path / "s.toml"
    path.write_bytes(data)
    with pytest.raises(InputError, match=words):
        read_manifest(path)


def test_no_file(tmp_path):
    with pytest.raises(InputError, match="no such file"):
        read_manifest(tmp_path / "none.toml")


def test_the_deepest_rule_rules():
    rules = [("a", "1"), ("a/b", "2"), (".", "3"), ("a/b", "4")]
    assert machine_by_rule("a/b/c/x.csv", rules) == "2"
    assert machine_by_rule("a/x.csv", rules) == "1"
    assert machine_by_rule("z.csv", rules) == "3"
    assert machine_by_rule("ab/x.csv", rules[:2]) is None


names = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=20)
# Times as logs have them, to the microsecond, which is what is written.
moments = st.integers(0, 4_000_000_000 * 10**6).map(lambda micro: micro / 1e6)


@st.composite
def jobs(draw):
    spans = st.none() | st.tuples(st.tuples(moments, st.just(math.inf)))
    count = draw(st.integers(1, 4))
    out = []
    for number in range(count):
        files = draw(st.lists(names, min_size=1, max_size=3, unique=True))
        logs = tuple(JobLog(file, draw(spans)) for file in files)
        out.append(
            Job(
                id=f"job{number}",
                field=draw(names),
                logs=logs,
                machine="m.toml",
                boundary="b",
                client="",
                product=draw(names),
                day=draw(st.none() | st.dates()),
                remarks=tuple(map(said, draw(st.lists(names, max_size=2)))),
            )
        )
    return out


@given(jobs(), st.lists(st.tuples(names, names), max_size=3))
def test_what_is_written_is_read_back(given_jobs, aside):
    text = manifest_text(
        [(job, True) for job in given_jobs],
        [Unplaced(name, said(why)) for name, why in aside],
        [Missing(name, said(why)) for name, why in aside],
        boundaries="b",
        machine="m.toml",
    )
    manifest = manifest_from_mapping(tomllib.loads(text), folder=Path("/x"))
    assert [(job.id, job.field, job.product, job.day, job.remarks) for job in manifest.jobs] == [
        (job.id, job.field, job.product, job.day, job.remarks) for job in given_jobs
    ]
    assert [job.logs for job in manifest.jobs] == [job.logs for job in given_jobs]
    assert [(item.file, say(item.reason)) for item in manifest.unplaced] == aside
    assert [(item.field, say(item.reason)) for item in manifest.missing] == aside
