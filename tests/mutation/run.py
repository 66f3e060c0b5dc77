#!/usr/bin/env python3
"""How many small mutations the tests notice: ``make mutate``, apart from the tests.

A mutant is one token changed in a module (a sign, a comparison, a number by one, a word of logic), by cosmic-ray; it is
killed where a test of its package fails, cannot load it, or does not end. Of all mutants of a package a seeded sample
is tried. Left out is what cannot change a result: annotations, decorators, messages of errors, ``strict=`` of zip, and
the few that ``equivalent.toml`` names with a reason each.

No file is changed: this process loads the libraries, each mutant gets a fork of it that compiles the changed text when
the module is imported. Each test is traced once, and a mutant meets only the tests that run its statement, the
quickest first, until one fails. A mutant inside a kernel meets them with the kernels interpreted, any other with the
compiled kernels. What no quick test runs has survived; so has what only a process started by a test would see.

    python tests/mutation/run.py ledger swath --sample 40 --seed 1
    python tests/mutation/run.py money --only statement.py:40     (every mutant of one line, or of one module)
"""

from __future__ import annotations

import argparse
import ast
import gc
import hashlib
import importlib
import importlib.machinery
import itertools
import os
import pickle
import random
import signal
import sys
import tempfile
import time
import tomllib
import traceback
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from types import CodeType
from typing import Any

import pytest

REPOSITORY = Path(__file__).resolve().parent.parent.parent
SOURCE = REPOSITORY / "coverage" / "swathledger"
EQUIVALENT = Path(__file__).with_name("equivalent.toml")
TRACES = Path(__file__).with_name(".traces")

SMALL = ("moments", "over_applied", "replay_parts", "steps", "wanting")
# package: the tests that answer for it
TESTS = {
    "grid": "tests/grid tests/ledger",
    "swath": "tests/swath",
    "ledger": "tests/ledger tests/documents",
    "shutoff": " ".join(f"tests/shutoff/test_{name}.py" for name in (*SMALL, "layouts", "small")),
    "plumbing": "tests/plumbing tests/audit_money",
    "money": "tests/money tests/audit_money",
    "study": "tests/study tests/statistics",
    "simulate": "tests/simulate",
}
INTERPRETED = {"grid": "tests/grid", "shutoff": " ".join(f"tests/shutoff/test_{name}.py" for name in SMALL)}
"""Of these packages fewer tests are small enough to be tried with the kernels interpreted."""
QUICK_S = {False: 3.0, True: 1.0}
"""Tests that take longer, compiled or interpreted, are left to ``make test``."""
BUDGET_S = 10.0
"""The quickest tests that run a mutant's statement are tried until they come to this."""
KERNEL = {"njit", "njit_bare", "njit_inline"}
LIBRARIES = "numpy numba scipy.stats scipy.optimize shapely pyproj pydantic msgspec click hypothesis rasterio pyogrio"
KINDS = (
    "core/ReplaceBinaryOperator_Add_Sub",
    "core/ReplaceBinaryOperator_Sub_Add",
    "core/ReplaceBinaryOperator_Mul_Div",
    "core/ReplaceBinaryOperator_Div_Mul",
    "core/ReplaceComparisonOperator_Lt_LtE",
    "core/ReplaceComparisonOperator_LtE_Lt",
    "core/ReplaceComparisonOperator_Gt_GtE",
    "core/ReplaceComparisonOperator_GtE_Gt",
    "core/ReplaceComparisonOperator_Lt_Gt",
    "core/ReplaceComparisonOperator_Gt_Lt",
    "core/ReplaceComparisonOperator_Eq_NotEq",
    "core/ReplaceComparisonOperator_NotEq_Eq",
    "core/ReplaceUnaryOperator_Delete_USub",
    "core/ReplaceUnaryOperator_Delete_Not",
    "core/ReplaceTrueWithFalse",
    "core/ReplaceFalseWithTrue",
    "core/ReplaceAndWithOr",
    "core/ReplaceOrWithAnd",
    "core/ReplaceContinueWithBreak",
    "core/NumberReplacer",
)

Span = tuple[tuple[int, int], tuple[int, int]]
Lines = dict[str, tuple[float, dict[str, set[int]]]]
"""Test: seconds, and the lines that it runs of each module."""


# --- mutants ----------------------------------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class Mutant:
    path: Path
    kind: str
    occurrence: int
    line: int

    def text(self) -> str:
        """The module's text, changed."""
        from cosmic_ray.mutating import mutate_code
        from cosmic_ray.plugins import get_operator

        out: str = mutate_code(self.path.read_text(encoding="utf-8"), get_operator(self.kind)(), self.occurrence)
        return out

    def change(self) -> tuple[str, str]:
        """The line before and after."""
        before, after = self.path.read_text(encoding="utf-8").splitlines(), self.text().splitlines()
        return next((a.strip(), b.strip()) for a, b in zip(before, after, strict=True) if a != b)


def _is_silent(node: ast.AST, silent: frozenset[str]) -> bool:
    """Whether no change within can change a result."""
    if isinstance(node, ast.FunctionDef):
        return node.name in silent
    if isinstance(node, ast.If):
        return isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING"
    return isinstance(node, ast.Raise) or (isinstance(node, ast.keyword) and node.arg in {"strict", "slots", "frozen"})


def silent_spans(source: str, silent: frozenset[str]) -> list[Span]:
    """First and last place (line from 1, column) of what is left out; ``silent``: functions that are."""
    found: list[Any] = []
    spans: list[Span] = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, (ast.FunctionDef, ast.ClassDef)):
            found += node.decorator_list
        if isinstance(node, ast.FunctionDef):
            found += [a.annotation for a in ast.walk(node.args) if isinstance(a, ast.arg) and a.annotation]
            found += [node.returns] if node.returns else []
            found += [node] if _is_silent(node, silent) else []
            # a lone star between parameters is no product
            lines = source.splitlines()[node.lineno - 1 : node.body[0].lineno]
            spans += [
                ((node.lineno + n, c), (node.lineno + n, c + 1))
                for n, line in enumerate(lines)
                for c, letter in enumerate(line)
                if letter == "*" and line[c + 1 : c + 2] == ","
            ]
        elif isinstance(node, ast.AnnAssign):
            found.append(node.annotation)
        elif _is_silent(node, silent):
            found.append(node)
    return spans + [((n.lineno, n.col_offset), (n.end_lineno, n.end_col_offset)) for n in found]


def equivalents() -> list[dict[str, str]]:
    """What nobody can notice, of ``equivalent.toml``: single changes, and whole functions."""
    listed: list[dict[str, str]] = tomllib.loads(EQUIVALENT.read_text(encoding="utf-8"))["equivalent"]
    return listed


def mutants(package: Path) -> Iterator[Mutant]:
    """Every mutation of the package's modules, in the order of files, kinds and places."""
    from cosmic_ray.ast import ast_nodes, get_ast_from_path
    from cosmic_ray.plugins import get_operator

    listed = [entry for entry in equivalents() if "function" in entry]
    for path in sorted(package.rglob("*.py")):
        names = frozenset(e["function"] for e in listed if e["module"] == f"{package.name}/{path.name}")
        if "*" in names:
            continue
        silent = silent_spans(path.read_text(encoding="utf-8"), names)
        nodes = list(ast_nodes(get_ast_from_path(path)))
        for kind in KINDS:
            operator = get_operator(kind)()
            places = [place for node in nodes for place in operator.mutation_positions(node)]
            for occurrence, (start, end) in enumerate(places):
                if not any(first <= start and end <= last for first, last in silent):
                    yield Mutant(path, kind, occurrence, start[0])


def statement_of(path: Path, line: int) -> tuple[range, bool, bool]:
    """Lines of the statement around a line (of its head, where it holds others), whether a function and a kernel is."""
    spans: list[range] = []
    inside = kernel = False
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if not isinstance(node, ast.stmt) or not node.lineno <= line <= (node.end_lineno or 0):
            continue
        body = getattr(node, "body", None)
        spans.append(range(node.lineno, body[0].lineno if body else (node.end_lineno or 0) + 1))
        if isinstance(node, ast.FunctionDef) and line >= node.body[0].lineno:
            inside = True
            kernel |= any(isinstance(d, ast.Name) and d.id in KERNEL for d in node.decorator_list)
    return next(s for s in reversed(spans) if line in s), inside, kernel


# --- forks ------------------------------------------------------------------------------------------------------------
def forked(work: Callable[[Path], None], *, interpreted: bool) -> tuple[int, Any]:
    """Run ``work`` in a fork of this process: minus the signal that ended it or its exit code, and what it wrote."""
    with tempfile.TemporaryDirectory() as folder:
        answer = Path(folder) / "answer"
        child = os.fork()
        if child == 0:
            code = 70
            try:
                quiet = os.open(os.environ.get("MUTATION_LOG", os.devnull), os.O_WRONLY | os.O_CREAT | os.O_APPEND)
                os.dup2(quiet, 1)
                os.dup2(quiet, 2)
                if interpreted:
                    os.environ["NUMBA_DISABLE_JIT"] = "1"
                    importlib.import_module("numba").config.reload_config()
                os.environ["TMPDIR"] = tempfile.tempdir = folder
                work(answer)
                code = 0
            except SystemExit as ended:
                code = int(ended.code or 0)
            except BaseException:  # noqa: BLE001  # of a fork: told in the log, and by the code
                traceback.print_exc()
            finally:
                sys.stderr.flush()
                os._exit(code)
        _, status = os.waitpid(child, 0)
        told = pickle.loads(answer.read_bytes()) if answer.exists() else None  # noqa: S301  # written by our own fork
        return os.waitstatus_to_exitcode(status), told


def run_tests(names: list[str], *plugins: object) -> int:
    # interpreted, the hash of cells says that it wraps round, as it should
    options = ["-q", "-x", "--assert=plain", "-p", "no:cacheprovider", "-W", "ignore:overflow:RuntimeWarning"]
    return int(pytest.main([*options, "-m", "not slow and not browser and not pdf", *names], list(plugins)))


class TooSlowError(BaseException):
    """A test took too long to be among the quick ones."""


class Tracer:
    """Notes what each test runs and how long it takes; those that are slow, skip or fail are left out."""

    def __init__(self, package: Path, longest_s: float) -> None:
        import coverage

        self.longest_s = longest_s

        self.seen = coverage.Coverage(data_file=None, include=[f"{package}/*"], config_file=False)
        self.seconds: dict[str, float] = {}
        self.failed: list[str] = []

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Any:
        self.seen.switch_context(item.nodeid)
        return (yield)

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_call(self, item: pytest.Item) -> Any:
        def stop(*_: object) -> None:
            raise TooSlowError

        signal.signal(signal.SIGVTALRM, stop)  # of time spent here, however busy the machine is
        signal.setitimer(signal.ITIMER_VIRTUAL, self.longest_s)
        start = time.process_time()
        try:
            out = yield
        except TooSlowError:
            return None
        finally:
            signal.setitimer(signal.ITIMER_VIRTUAL, 0)
        self.seconds[item.nodeid] = time.process_time() - start
        return out

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed:
            self.failed.append(report.nodeid)

    def lines(self) -> Lines:
        out: Lines = {name: (s, {}) for name, s in self.seconds.items() if name not in self.failed}
        data = self.seen.get_data()
        for path in data.measured_files():
            for line, contexts in data.contexts_by_lineno(path).items():
                for name in contexts:
                    if name in out:
                        out[name][1].setdefault(path, set()).add(line)
        return out


def trace(name: str, *, interpreted: bool) -> Lines:
    """What each quick test of a package runs of it; kept from run to run for test files that have not changed."""
    files: list[Path] = []
    for asked in (INTERPRETED.get(name, TESTS[name]) if interpreted else TESTS[name]).split():
        path = REPOSITORY / asked
        files += sorted(path.glob("test_*.py")) if path.is_dir() else [path]
    shared = [*SOURCE.rglob("*.py"), *(REPOSITORY / "tests").rglob("*kit.py")]
    base = hashlib.sha256(b"".join(path.read_bytes() for path in sorted(shared)))
    lines: Lines = {}
    failed: list[str] = []
    for file in files:
        stamp = base.copy()
        stamp.update(f"{name} {interpreted} {QUICK_S} {file}".encode() + file.read_bytes())
        kept = TRACES / stamp.hexdigest()
        if not kept.exists():

            def work(answer: Path, file: Path = file) -> None:
                tracer = Tracer(SOURCE / name, QUICK_S[interpreted])
                tracer.seen.start()
                run_tests(["--maxfail=1000", str(file)], tracer)
                tracer.seen.stop()
                answer.write_bytes(pickle.dumps((tracer.lines(), tracer.failed)))

            _, told = forked(work, interpreted=interpreted)
            if told is None:
                raise SystemExit(f"{file}: cannot be traced")
            TRACES.mkdir(exist_ok=True)
            kept.write_bytes(pickle.dumps(told))
        found, bad = pickle.loads(kept.read_bytes())  # noqa: S301  # written by ourselves
        lines |= found
        failed += bad
    kind = "interpreted" if interpreted else "compiled"
    left_out = f", {len(failed)} that fail in a fork are left out" if failed else ""
    print(f"{name}, {kind}: {len(lines)} quick tests{left_out}", flush=True)  # noqa: T201
    if not lines or len(failed) > len(lines):
        raise SystemExit(f"{name}: too few tests can be run; have they been run once, so that kernels are compiled?")
    return lines


class Chosen:
    """Runs the named tests alone, in their order; one that takes far longer than it did ends the process."""

    def __init__(self, names: list[str], seconds: dict[str, float]) -> None:
        self.place = {name: n for n, name in enumerate(names)}
        self.seconds = seconds

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        items[:] = sorted((i for i in items if i.nodeid in self.place), key=lambda i: self.place[i.nodeid])

    def pytest_runtest_setup(self, item: pytest.Item) -> None:
        signal.setitimer(signal.ITIMER_REAL, 20.0 + 20.0 * self.seconds[item.nodeid])


def meets(mutant: Mutant, lines: Lines) -> list[str]:
    """The tests that run a mutant's statement, the quickest first."""
    statement, inside, _ = statement_of(mutant.path, mutant.line)
    path = str(mutant.path)
    if inside:
        found = [name for name, (_, seen) in lines.items() if not seen.get(path, set()).isdisjoint(statement)]
    else:  # run when the module is imported: whoever uses the module, or, where it holds no more than names, everybody
        found = [name for name, (_, seen) in lines.items() if path in seen] or list(lines)
    found.sort(key=lambda name: (lines[name][0], name))
    total = list(itertools.accumulate(lines[name][0] for name in found))
    return [name for name, seconds in zip(found, total, strict=True) if seconds <= BUDGET_S]


def survives(mutant: Mutant, names: list[str], lines: Lines, *, interpreted: bool) -> bool:
    """Whether every one of the tests passes on a mutant."""

    def work(_: Path) -> None:
        signal.signal(signal.SIGALRM, signal.SIG_DFL)
        text = mutant.text()
        get_code = importlib.machinery.SourceFileLoader.get_code

        def changed(self: importlib.machinery.SourceFileLoader, fullname: str) -> CodeType | None:
            if self.path != str(mutant.path):
                return get_code(self, fullname)
            return compile(text, self.path, "exec", dont_inherit=True)

        importlib.machinery.SourceFileLoader.get_code = changed  # type: ignore[assignment,method-assign]
        chosen = Chosen(names, {name: lines[name][0] for name in names})
        raise SystemExit(run_tests(sorted({name.split("::")[0] for name in names}), chosen))

    return forked(work, interpreted=interpreted)[0] == 0


# --- packages ---------------------------------------------------------------------------------------------------------
def sample_of(name: str, asked: argparse.Namespace) -> list[Mutant]:
    """The mutants to try: a seeded sample without those known to be equivalent, or all of what is named."""
    known = {(entry["module"], entry["before"], entry.get("after")) for entry in equivalents() if "before" in entry}

    def is_known(mutant: Mutant) -> bool:
        module, (before, after) = f"{name}/{mutant.path.name}", mutant.change()
        return not known.isdisjoint({(module, before, after), (module, before, None)})

    found = list(mutants(SOURCE / name))
    if asked.only:
        module, _, line = asked.only.partition(":")
        return [m for m in found if m.path.name == module and line in {"", str(m.line)}]
    random.Random(asked.seed).shuffle(found)  # noqa: S311  # a draw, no secret
    out: list[Mutant] = []
    for mutant in found:
        if len(out) < asked.sample and not is_known(mutant):
            out.append(mutant)
    return out[asked.skip :]


def try_package(name: str, asked: argparse.Namespace) -> tuple[int, int]:
    """Tried and killed mutants of one package; survivors are printed."""
    traces: dict[bool, Lines] = {}
    killed, chosen = 0, sample_of(name, asked)
    kernels = any("@njit" in path.read_text(encoding="utf-8") for path in (SOURCE / name).glob("*.py"))
    for mutant in chosen:
        _, inside, kernel = statement_of(mutant.path, mutant.line)
        interpreted = kernel or (kernels and not inside)  # kernels freeze the constants that they read
        if interpreted not in traces:
            traces[interpreted] = trace(name, interpreted=interpreted)
        start = time.monotonic()
        names = meets(mutant, traces[interpreted])
        lives = not names or survives(mutant, names, traces[interpreted], interpreted=interpreted)
        killed += not lives
        place = f"{name}/{mutant.path.name}:{mutant.line} {mutant.kind.partition('_')[2] or mutant.kind[5:]}"
        word = "killed  " if not lives else "SURVIVED" if names else "UNSEEN  "
        print(f"{word} {place} ({len(names)} tests, {time.monotonic() - start:.1f} s)", flush=True)  # noqa: T201
        if lives:
            print("    - {}\n    + {}".format(*mutant.change()), flush=True)  # noqa: T201
    print(f"{name}: {killed} of {len(chosen)} killed", flush=True)  # noqa: T201
    return len(chosen), killed


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("packages", nargs="*", choices=[*TESTS, []], default=list(TESTS))
    parser.add_argument("--sample", type=int, default=40, help="mutants tried of each package")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--skip", type=int, default=0, help="of the sample, so many have been tried before")
    parser.add_argument("--only", help="every mutant of a module, MODULE.py or MODULE.py:LINE, in place of a sample")
    asked = parser.parse_args()
    os.chdir(REPOSITORY)
    os.environ["OPENBLAS_NUM_THREADS"] = "1"
    sys.dont_write_bytecode = True
    for library in LIBRARIES.split():
        importlib.import_module(library)
    gc.freeze()
    counts = {name: try_package(name, asked) for name in asked.packages}
    for name, (tried, killed) in counts.items():
        print(f"{name:10} {killed:4} of {tried:4}  {100 * killed / max(tried, 1):.0f} %")  # noqa: T201


if __name__ == "__main__":
    main()
