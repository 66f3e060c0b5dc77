#!/usr/bin/env python3
"""How many small mutations the tests notice: ``make mutate``, apart from the tests.

A mutant is one token changed in a copy of the repository (a sign, a comparison, a number by one, a word of logic), by
cosmic-ray; it is killed where the tests of its package fail. Of all mutants of a package a seeded sample is tried,
since each costs a test run. What cannot change a result is left out: annotations, decorators, messages of errors,
``strict=`` of zip.

    python tests/mutation/run.py ledger swath --sample 40 --seed 1
"""

from __future__ import annotations

import argparse
import ast
import os
import random
import shlex
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

REPOSITORY = Path(__file__).resolve().parent.parent.parent

# package: the tests that answer for it
TESTS = {
    "grid": "tests/grid tests/ledger",
    "swath": "tests/swath tests/ledger tests/audit/test_sample_truth.py",
    "ledger": "tests/ledger tests/report/test_table.py tests/audit/test_sample_truth.py",
    "shutoff": "tests/shutoff",
    "plumbing": "tests/plumbing",
    "money": "tests/money tests/audit_money",
    "study": "tests/study tests/statistics",
    "simulate": "tests/simulate",
}
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
LONGEST_S = 300.0

Span = tuple[tuple[int, int], tuple[int, int]]


def _is_silent(node: ast.AST) -> bool:
    """Whether no change within can change a result."""
    if isinstance(node, ast.If):
        return isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING"
    return isinstance(node, ast.Raise) or (isinstance(node, ast.keyword) and node.arg in {"strict", "slots", "frozen"})


def silent_spans(source: str) -> list[Span]:
    """First and last place (line from 1, column) of what is left out."""
    tree = ast.parse(source)
    found: list[ast.AST] = []
    spans: list[Span] = []
    for node in ast.walk(tree):
        if isinstance(node, (ast.FunctionDef, ast.ClassDef)):
            found += node.decorator_list
        if isinstance(node, ast.FunctionDef):
            found += [a.annotation for a in ast.walk(node.args) if isinstance(a, ast.arg) and a.annotation]
            found += [node.returns] if node.returns else []
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
        elif _is_silent(node):
            found.append(node)
    return spans + [((n.lineno, n.col_offset), (n.end_lineno, n.end_col_offset)) for n in found]  # type: ignore[attr-defined]


def mutants(package: Path) -> list[object]:
    """Every mutation of the package's modules, in the order of files, kinds and places."""
    from cosmic_ray.ast import ast_nodes, get_ast_from_path
    from cosmic_ray.plugins import get_operator
    from cosmic_ray.work_item import MutationSpec

    out: list[object] = []
    for path in sorted(package.rglob("*.py")):
        silent = silent_spans(path.read_text(encoding="utf-8"))
        tree = get_ast_from_path(path)
        for kind in KINDS:
            operator = get_operator(kind)()
            occurrence = 0
            for node in ast_nodes(tree):
                for start, end in operator.mutation_positions(node):
                    if not any(first <= start and end <= last for first, last in silent):
                        out.append(MutationSpec(path, kind, occurrence, start, end))
                    occurrence += 1
    return out


def try_package(copy: Path, name: str, sample: int, seed: int) -> tuple[int, int]:
    """Tried and killed mutants of one package; survivors are printed."""
    from cosmic_ray.mutating import mutate_and_test
    from cosmic_ray.work_item import TestOutcome

    found = mutants(copy / "coverage" / "swathledger" / name)
    chosen = random.Random(seed).sample(found, min(sample, len(found)))  # noqa: S311  # a draw, no secret
    command = f"{shlex.quote(sys.executable)} -m pytest -q -x -p no:cacheprovider -m 'not slow' {TESTS[name]}"
    baseline = subprocess.run(shlex.split(command), cwd=copy, capture_output=True, text=True, check=False)
    if baseline.returncode:
        raise SystemExit(f"{name}: the tests fail before anything is changed\n{baseline.stdout[-2000:]}")
    killed = 0
    for spec in chosen:
        start = time.monotonic()
        result = mutate_and_test([spec], command, LONGEST_S)  # type: ignore[list-item]
        dead = result.test_outcome != TestOutcome.SURVIVED
        killed += dead
        took = time.monotonic() - start
        place = f"{Path(spec.module_path).relative_to(copy)}:{spec.start_pos[0]}"  # type: ignore[attr-defined]
        print(f"{'killed  ' if dead else 'SURVIVED'} {place} {spec.operator_name} {took:.0f} s", flush=True)  # type: ignore[attr-defined]  # noqa: T201
        if not dead:
            print(result.diff, flush=True)  # noqa: T201
    print(f"{name}: {killed} of {len(chosen)} killed, of {len(found)} mutants in all", flush=True)  # noqa: T201
    return len(chosen), killed


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("packages", nargs="*", choices=[*TESTS, []], default=list(TESTS))
    parser.add_argument("--sample", type=int, default=40, help="mutants tried of each package")
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "copy"
        listed = subprocess.run(["git", "ls-files", "-z"], cwd=REPOSITORY, capture_output=True, text=True, check=True)
        for name in filter(None, listed.stdout.split("\0")):
            (copy / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(REPOSITORY / name, copy / name)
        os.environ["PYTHONPATH"] = os.pathsep.join([str(copy / "coverage"), str(copy / "cli")])
        os.environ["NUMBA_CACHE_DIR"] = str(Path(folder) / "kernels")
        os.chdir(copy)
        counts = {name: try_package(copy, name, asked.sample, asked.seed) for name in asked.packages}
    for name, (tried, killed) in counts.items():
        print(f"{name:10} {killed:4} of {tried:4}  {100 * killed / max(tried, 1):.0f} %")  # noqa: T201


if __name__ == "__main__":
    main()
