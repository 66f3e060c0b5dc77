"""Names that people and machines give: nothing of them moves a terminal, and none is taken for another."""

from __future__ import annotations

import json
import os
import unicodedata

import pytest
from click.testing import CliRunner

from swathledger_cli.main import cli
from swathledger_cli.progress import escaped

from .conftest import lanes, log_text, write_season

ESCAPES = "plot\x1b[2J\x07\x9b31m\u202e\x7f one"
UNSEEN = {"Cc", "Cf", "Cs"}


@pytest.fixture
def call(monkeypatch):
    from swathledger.season import season as runner
    from swathledger.season.run.pool import InlinePool

    monkeypatch.setattr(runner, "LocalPool", lambda seats: InlinePool())

    def run(*arguments):
        done = CliRunner().invoke(cli, [str(item) for item in arguments])
        for text in (done.stdout, done.stderr):
            odd = {char for char in text if unicodedata.category(char) in UNSEEN} - {"\n"}
            assert not odd, (arguments[0], text)
        return done

    return run


def test_nothing_that_a_terminal_would_obey_gets_there(make_farm, call):
    farm = make_farm(2, with_logs=False, names=[ESCAPES, "plot 2"])
    log = farm.log("a\x1b[2J.csv", log_text(lanes(0), product=ESCAPES))
    farm.log("\x1bnote.txt", "x")
    farm.log("b.csv", log_text(lanes(1)).replace("rate_l_ha", "rate\x1b[2J"))
    given = ["--boundaries", farm.boundaries, "--machine", farm.machine, "--out", farm.folder / "season.toml"]
    matched = call("match", farm.logs, *given, "--json")
    assert matched.exit_code == 0, matched.stderr
    document = json.loads(matched.stdout)
    assert document["jobs"][0]["field"] == ESCAPES
    assert document["jobs"][0]["logs"] == ["logs/a\x1b[2J.csv"]
    assert "\\x1b" in matched.stderr
    manifest = write_season(farm)
    done = call("season", manifest, "--out", farm.folder / "out", "--json")
    assert done.exit_code == 0, done.stderr
    assert ESCAPES in {row["field"] for row in json.loads(done.stdout)["ranking"]["by_area"]}
    call("check", log)
    audit = ["--boundary", farm.boundaries, "--machine", farm.machine, "--cell", 0.5, "--groups", "boom"]
    audited = call("audit", log, *audit, "--out", farm.folder / "o\x1bne", "--json")
    assert json.loads(audited.stdout)["field"]["id"] == ESCAPES
    for wrong in (
        ["audit", farm.folder / "\x1b]0;title\x07", *audit, "--out", farm.folder / "x"],
        ["audit", log, *audit, "--out", farm.folder / "x", "--field", "\x1b[2J"],
        ["\x1b[2Jseason"],
        ["season", manifest, "--out", farm.folder / "a\x1b[2J.csv" / "x", "--jobs", "\x1b"],
    ):
        assert call(*wrong).exit_code == 2


def test_json_reads_back_the_same():
    document = {"a": ESCAPES, "b": "line\nfeed", "c": "\udc80", "d": "поле \U0001f33e \U000e0001"}
    text = json.dumps(document, ensure_ascii=False, indent=1)
    assert json.loads(escaped(text)) == document
    assert not any(unicodedata.category(char) in UNSEEN for char in escaped(text) if char != "\n")


def test_names_in_other_scripts_and_emoji_do_not_clash(make_farm, call):
    names = ["поле", "луг", "麦田", "\U0001f33e", "\U0001f69c", "Möhre"]
    farm = make_farm(len(names), with_logs=False, names=names)
    for number, client in enumerate(["Ивановы", "Петровы", "農場", "\U0001f404", "\U0001f411", "Söhne"]):
        farm.log(f"{client}/{number}.csv", log_text(lanes(number), start=1_786_000_000 + 3600 * number))
    out = farm.folder / "season.toml"
    given = ["--boundaries", farm.boundaries, "--machine", farm.machine, "--out", out, "--clients-from-folders"]
    matched = call("match", farm.logs, *given, "--json")
    assert matched.exit_code == 0, matched.stderr
    jobs = json.loads(matched.stdout)["jobs"]
    assert [job["field"] for job in jobs] == names
    stems = [job["id"].removesuffix("-2026-08-06-herbicide-A") for job in jobs]
    assert len(set(stems)) == len(names)
    assert stems[-1] == "Mohre"
    assert all(stem.startswith("unnamed-") for stem in stems[:-1])
    text = out.read_text().replace("# [settings] ", '[settings]\ncell_m = 1.0\ngroups = ["boom"]\n# ')
    out.write_text(text)
    done = call("season", out, "--out", farm.folder / "out", "-q")
    assert done.exit_code == 0, done.stderr
    assert len([path for path in (farm.folder / "out").iterdir() if path.is_dir()]) == len(names)


@pytest.mark.skipif(os.name == "nt", reason="names of files are text there")
def test_a_file_whose_name_is_no_text(make_farm, call):
    farm = make_farm(1)
    with open(os.fsencode(farm.logs) + b"/\xff\x1b.csv", "wb") as stream:  # noqa: PTH123  # a name in bytes
        stream.write(b"x")
    given = ["--boundaries", farm.boundaries, "--machine", farm.machine, "--out", farm.folder / "season.toml"]
    matched = call("match", farm.logs, *given)
    assert matched.exit_code == 0
    assert "its name is not text in UTF-8" in matched.stderr
