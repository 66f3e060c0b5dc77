"""swathledger report: pages rendered again from results, as HTML and PDF."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from swathledger.documents.document import dump
from swathledger.documents.written import list_of
from swathledger.errors import InputError, OutputError
from swathledger.report.folder import is_ours
from swathledger.report.pdf import static_html
from swathledger.report.rerender import places, render_again
from swathledger_cli.main import cli


@pytest.fixture
def job(written: Any, tmp_path: Path) -> Path:
    folder = tmp_path / "job"
    shutil.copytree(written.folder, folder)
    (folder / "written.json").write_bytes(dump(list_of(folder, "audit")))
    return folder


def test_nothing_but_the_page_changes(job: Path) -> None:
    before = {path.name: path.read_bytes() for path in job.iterdir()}
    assert render_again(job) == [job / "report.html"]
    assert {path.name: path.read_bytes() for path in job.iterdir()} == before
    render_again(job, system="us")
    after = {path.name: path.read_bytes() for path in job.iterdir()}
    assert {name for name in after if after[name] != before[name]} == {"report.html", "written.json"}
    assert b"\xc2\xa0ac<" in after["report.html"]


def test_a_page_that_is_not_ours_stays(job: Path) -> None:
    page = job / "report.html"
    page.write_text("<h1>my notes</h1>")
    with pytest.raises(OutputError, match="was not made by this program"):
        render_again(job)
    with pytest.raises(OutputError, match="was not made by this program"):
        render_again(job, overwrite=True)
    assert page.read_text() == "<h1>my notes</h1>"


def test_a_page_of_ours_that_somebody_changed_is_replaced_only_when_told(job: Path) -> None:
    page = job / "report.html"
    page.write_bytes(page.read_bytes().replace(b"</body>", b"<p>my notes</p></body>"))
    with pytest.raises(OutputError, match="was changed since it was written"):
        render_again(job)
    assert b"my notes" in page.read_bytes()
    render_again(job, overwrite=True)
    assert b"my notes" not in page.read_bytes()
    render_again(job)  # and the list knows the new one


def test_what_belongs_to_a_folder(tmp_path: Path) -> None:
    def made(name: str) -> None:
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text("{}")

    with pytest.raises(InputError, match="holds no results"):
        places(tmp_path)
    for name in ("season.json", "b/season.json", "b/two/ledger.json", "a/season.json", "a/one/ledger.json",
                 "notes/ledger.txt", ".part/ledger.json"):  # fmt: skip
        made(name)
    found = [(place.kind, str(place.folder.relative_to(tmp_path))) for place in places(tmp_path)]
    assert found == [("season", "."), ("season", "a"), ("job", "a/one"), ("season", "b"), ("job", "b/two")]
    assert [place.kind for place in places(tmp_path / "a")] == ["season", "job"]
    assert [place.kind for place in places(tmp_path / "a/one")] == ["job"]
    made("s/study.json")
    assert [(place.kind, place.stem) for place in places(tmp_path / "s")] == [("study", "study")]


def test_command(job: Path) -> None:
    done = CliRunner().invoke(cli, ["report", str(job), "--units", "us"])
    assert done.exit_code == 0, done.output
    wrong = CliRunner().invoke(cli, ["report", str(job), "--format", "html,doc"])
    assert wrong.exit_code == 2
    assert "'doc' is not a format" in wrong.output


@pytest.mark.usefixtures("pdf_libraries")
def test_pdf_is_ours_the_same_each_time_and_whole(job: Path) -> None:
    (page,) = render_again(job, ["pdf"])
    first = page.read_bytes()
    assert first.startswith(b"%PDF")
    assert is_ours(page)
    # the maps are in it: five pictures, each an image of the document
    assert first.count(b"/Subtype/Image") + first.count(b"/Subtype /Image") >= 5
    render_again(job, ["pdf"])
    assert page.read_bytes() == first


def test_drawings_carry_their_rules_on_paper() -> None:
    page = (
        "<style>:root{--ink:#123456}.axis{stroke:var(--ink)}.edge{stroke-width:2;vector-effect:non-scaling-stroke}"
        'p{color:red}@media print{.axis{stroke:red}}</style><svg class="ground" viewBox="0 0 1400 10"><path/></svg>'
    )
    drawing = static_html(page).partition("<svg")[2]
    assert "<style>.axis{stroke:#123456}.edge{stroke-width:4.000;}</style>" in drawing
