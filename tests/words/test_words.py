"""Notes and words: every code has a sentence, every sentence is used, and a language is one file."""

from __future__ import annotations

import ast
import math
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

import swathledger
from swathledger.errors import InputError
from swathledger.grid.causes import CAUSE_ORDER
from swathledger.log.span import REASON
from swathledger.notes import Measure, Note
from swathledger.report.layers import CAUSE
from swathledger.text import duration
from swathledger.words import languages, names_in, say, words
from swathledger.words.numbers import text

ROOT = Path(swathledger.__file__).parent
SOURCES = [*sorted(ROOT.rglob("*.py")), *sorted((ROOT.parent.parent / "cli").rglob("*.py"))]
ENGLISH: dict[str, Any] = tomllib.loads((ROOT / "words" / "en.toml").read_text(encoding="utf-8"))


def leaves(table: dict[str, Any], above: str = "") -> Iterator[tuple[str, Any]]:
    for name, value in table.items():
        if isinstance(value, dict):
            yield from leaves(value, f"{above}{name}.")
        else:
            yield f"{above}{name}", value


def told() -> Iterator[tuple[str, set[str], bool, str]]:
    """Code, names, whether more are filled in by a mapping, and place of every note in the sources."""
    for path in SOURCES:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not (isinstance(node, ast.Call) and ast.unparse(node.func) == "Note.of"):
                continue
            code = node.args[0]
            if isinstance(code, ast.Constant):
                names = {keyword.arg for keyword in node.keywords if keyword.arg is not None}
                more = any(keyword.arg is None for keyword in node.keywords)
                yield str(code.value), names, more, f"{path.name}:{node.lineno}"


@pytest.mark.parametrize("language", languages())
def test_every_note_has_a_sentence_that_names_what_it_is_given(language: str) -> None:
    found = list(told())
    assert len(found) > 40
    for code, names, more, place in found:
        sentence = words(language).find(f"note.{code}")
        if more:
            assert names <= names_in(sentence), place
        else:
            assert names_in(sentence) == names, place
        if isinstance(sentence, list):
            assert "count" in names, place


def test_every_sentence_of_a_note_is_used() -> None:
    text = "\n".join(path.read_text(encoding="utf-8") for path in SOURCES)
    unused = [key for key, _ in leaves(ENGLISH["note"]) if f'"{key}"' not in text]
    assert unused == []


def test_every_other_sentence_is_used() -> None:
    templates = [path for path in (ROOT / "report" / "templates").iterdir() if path.suffix in {".j2", ".js", ".css"}]
    text = "\n".join(path.read_text(encoding="utf-8") for path in [*SOURCES, *templates])
    whole = set(re.findall(r"""["']([a-z_]+(?:\.[a-z_0-9]+)*)["']""", text))
    begun = set(re.findall(r"""["']((?:[a-z_]+\.)+(?:[a-z_]+_)?)(?:["']|\{)""", text))
    parts = set(re.findall(r"[a-z_0-9]+", text))

    def used(key: str) -> bool:
        if key in whole:
            return True
        rest = [key.removeprefix(start) for start in begun if key.startswith(start)]
        return any(set(end.split(".")) <= parts for end in rest)  # put together: "study." ~ key

    unused = [key for key, _ in leaves({**ENGLISH, "note": {}}) if key != "plural" and not used(key)]
    assert unused == []


#: Lines of help, and what is said of errors, stand where they belong; newer commands still say things of their own.
OWN_WORDS = {"errors", "main", "options", "unit_options", "schema", "start", "foresee"}
SENTENCE = re.compile(r"[A-Za-z]{2,}[,:;]? [a-z{}]+[,:;]? [A-Za-z{}]{2,}")


def built(node: ast.AST) -> Iterator[str]:
    """Texts of three words and more, but for docstrings, options with their help, and what is raised."""
    if isinstance(node, ast.Raise) or (isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)):
        return
    if isinstance(node, ast.Call) and re.search(
        r"(option|setting|argument|command|in_units|Error|BadParameter|fail)$", ast.unparse(node.func)
    ):
        return
    if isinstance(node, ast.JoinedStr):
        text = "".join(str(part.value) if isinstance(part, ast.Constant) else "{}" for part in node.values)
    else:
        text = node.value if isinstance(node, ast.Constant) and isinstance(node.value, str) else ""
    if SENTENCE.search(text):
        yield text
    for child in () if isinstance(node, ast.JoinedStr) else ast.iter_child_nodes(node):
        yield from built(child)


def test_commands_build_no_sentences() -> None:
    commands = [path for path in SOURCES if path.parent.name == "swathledger_cli" and path.stem not in OWN_WORDS]
    assert len(commands) > 10
    found = {path.name: list(built(ast.parse(path.read_text(encoding="utf-8")))) for path in commands}
    assert {name: texts for name, texts in found.items() if texts} == {"demo.py": ["logs as found"]}  # a folder's name
    assert list(built(ast.parse("def f(n):\n    'What it is for.'\n    show(f'{n} logs make a season')"))) == [
        "{} logs make a season"
    ]


#: Modules of the engine that hold texts of three words and more which no person's language changes, and why.
OWN_TEXTS = {
    "report/document.py": "hints of errors, and the name of the method",
    "report/folder.py": "errors, and a warning of the log of the program",
    "report/frames.py": "an error",
    "money/ledgers.py": "errors",
    "report/pdf.py": "a warning of a library, known by its text",
    "report/raster.py": "a unit",
    "report/vector.py": "a unit",
    "money/tank.py": "a code",
    "plumbing/prime.py": "a code",
    "report/write.py": "steps of progress",
    "tables/write.py": "errors",
    "find/demo.py": "the names of files laid out",
    "run/lock.py": "errors",
    "manifest/faults.py": "errors of a file",
    "manifest/merge.py": "errors",
    "manifest/names.py": "errors of a file",
    "season/season.py": "errors",
    "run/schedule.py": "errors of a job",
    "run/task.py": "errors of a job",
    "study/tidy.py": "what the columns of a data set mean, for its readers",
    "study/words.py": "a citation file",
}


def test_the_engine_builds_no_sentences() -> None:
    stages = ("swath", "grid", "ledger", "shutoff", "fitted", "checkup", "estimate", "advice", "plumbing", "money",
              "report", "season", "study", "simulate")  # fmt: skip
    own = [path for path in SOURCES if path.is_relative_to(ROOT) and path.relative_to(ROOT).parts[0] in stages]
    assert {path.relative_to(ROOT).parts[0] for path in own} == set(stages)
    found = {
        f"{path.parent.name}/{path.name}": list(built(ast.parse(path.read_text(encoding="utf-8")))) for path in own
    }
    texts = {name: texts for name, texts in found.items() if texts}
    assert {name: told for name, told in texts.items() if name not in OWN_TEXTS} == {}
    assert set(OWN_TEXTS) <= set(texts)


def test_every_reason_to_set_rows_aside_has_words() -> None:
    page = (ROOT.parent.parent / "docs" / "formats.md").read_text(encoding="utf-8")
    table = page[page.index("### Rows that are set aside") : page.index("### What `swathledger check` says")]
    told = set(re.findall(r"(?m)^\| `([a-z_]+)` \|", table))
    assert len(told) > 8
    assert told | {REASON} == set(ENGLISH["quality"]["reason"])


def test_every_cause_has_its_words_and_its_colour() -> None:
    for table in ("name", "lead", "help"):
        assert set(ENGLISH["cause"][table]) == set(CAUSE_ORDER)
    assert set(CAUSE) == set(CAUSE_ORDER)
    assert len(set(CAUSE.values())) == len(CAUSE)


def test_values_are_shown_in_the_units_asked_for() -> None:
    note = Note.of("ledger.far", area=Measure(1000.0, "small_area"), distance=Measure(500.0, "length"))
    assert say(note).startswith("1,000 m² were sprayed more than 500 m from")
    assert say(note, "us").startswith(
        "10,764 ft² were sprayed more than 1,640 ft from"
    )  # 1000 / 0.3048^2, 500 / 0.3048


def test_durations() -> None:
    told = ["0 s", "1 min 00 s", "1 h 00 min", "1 h 02 min"]
    assert [duration(seconds) for seconds in (0.0, 59.6, 3600.0, 3725.0)] == told
    assert (duration(None), duration(None, "?")) == ("unknown", "?")


def test_one_and_many() -> None:
    assert say(Note.of("swath.rate_held", count=1)).startswith("1 row lacks a rate")
    assert say(Note.of("swath.rate_held", count=2)).startswith("2 rows lack a rate")


def test_a_note_survives_being_stored() -> None:
    how = Note.of("field.mended", fault="bowtie", before=Measure(3.0, "small_area"), after=Measure(None, "pct"))
    note = Note.of("field.boundary_mended", field="{a}", feature=3, how=how)
    assert Note.from_document(note.document()) == note
    assert len({note, Note.from_document(note.document())}) == 1
    assert say(note).endswith("(feature 3) was invalid (bowtie) and was mended: 3.0 m² before, unknown after.")
    assert "field {a} (" in say(note)


def test_a_language_is_one_file(tmp_path: Path) -> None:
    file = tmp_path / "two.toml"
    file.write_text(
        'language = "xx"\nplural = "n < 2 ? 0 : n < 5 ? 1 : 2"\n[note.swath]\n'
        'rate_held = ["eno {count}", "wef {count}", "ynam {count}"]\n[caution]\nheading = "erofeB"\n',
        encoding="utf-8",
    )
    said = [say(Note.of("swath.rate_held", count=n), language=str(file)) for n in (1, 3, 7)]
    assert said == ["eno 1", "wef 3", "ynam 7"]
    assert words(str(file))("caution.heading") == "erofeB"
    assert say(Note.of("swath.no_states"), language=str(file)) == say(Note.of("swath.no_states"))  # lacks it: English


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('[note.swath]\nrate_hold = "x"\n', "note.swath.rate_hold is no key"),
        ('[note.swath]\nrate_held = ["{rows} x"]\n', "names rows"),
        ('[note.swath.rate_held]\none = "x"\n', "not of the form"),
        ("note\n", "no TOML"),
    ],
)
def test_a_wrong_file_of_words_is_told(tmp_path: Path, text: str, said: str) -> None:
    file = tmp_path / "wrong.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=re.escape(said)):
        words(str(file))


def test_no_words_for_a_language() -> None:
    with pytest.raises(InputError, match="no words for the language 'tlh'"):
        words("tlh")


def test_text_reads_as_a_person_expects() -> None:
    assert text("area", 1_234_567.0) == "123.4567 ha"
    assert text("area", 4046.8564224, "us") == "1.000 ac"
    assert text("volume", 12_345.67) == "12,345.7 L"
    assert text("rate", 0.02, unit=False) == "200.0"
    assert text("rate", 0.02, digits=0) == "200 L/ha"


@pytest.mark.parametrize("absent", [None, math.nan])
def test_absent_is_unknown_and_never_zero(absent: float | None) -> None:
    assert text("volume", absent) == "unknown"


def test_small_negative_is_not_minus_zero() -> None:
    assert text("volume", -0.01) == "0.0 L"
    assert text("volume", -0.06) == "-0.1 L"
