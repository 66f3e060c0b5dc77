"""A folder of results: new, replaced, and stopped at every single step of being replaced."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from swathledger.documents.written import faults, read_list
from swathledger.errors import OutputError
from swathledger.report import folder as folders
from swathledger.report.folder import new_folder, recover

OLD = {"ledger.json": b"old", "cover.tif": b"old cover", "only_before.csv": b"old", "figures/a.svg": b"old"}
NEW = {"ledger.json": b"new!", "cover.tif": b"new", "only_after.csv": b"new", "figures/b.svg": b"new"}
FOREIGN = {"notes.txt": b"mine", "figures/photo.jpg": b"mine", ".photos-20250131.old/x": b"mine"}


def fill(folder: Path, files: dict[str, bytes]) -> None:
    for name, data in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(data)


def held(folder: Path) -> dict[str, bytes]:
    found = {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    found.pop("written.json", None)
    return found


def write(out: Path, files: dict[str, bytes], **options: bool) -> None:
    with new_folder(out, by="audit", **options) as new:
        fill(new, files)


def test_new_then_replaced(tmp_path):
    out = tmp_path / "deep" / "out"
    write(out, OLD)
    assert held(out) == OLD
    assert read_list(out).names == set(OLD)
    fill(out, FOREIGN)
    with pytest.raises(OutputError, match="already holds files"):
        write(out, NEW)
    write(out, NEW, overwrite=True)
    assert held(out) == NEW | FOREIGN
    assert faults(out, read_list(out), verify=True) == []
    assert [path.name for path in out.parent.iterdir()] == ["out"]


def test_a_folder_that_lies_empty_and_one_that_is_a_link(tmp_path):
    (tmp_path / "empty").mkdir()
    write(tmp_path / "empty", NEW)
    assert held(tmp_path / "empty") == NEW
    (tmp_path / "disk").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "disk")
    write(tmp_path / "link", NEW)
    assert (tmp_path / "link").is_symlink()
    assert held(tmp_path / "disk") == NEW


def test_nothing_is_left_of_a_run_that_fails(tmp_path):
    out = tmp_path / "out"
    write(out, OLD)

    def run():
        with new_folder(out, by="audit", overwrite=True) as new:
            fill(new, NEW)
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        run()
    assert held(out) == OLD
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_what_another_command_wrote_is_not_replaced(tmp_path):
    write(tmp_path / "out", OLD)
    with (
        pytest.raises(OutputError, match="holds what audit wrote, and study does not replace that"),
        new_folder(tmp_path / "out", by="study", overwrite=True),
    ):
        pass
    assert held(tmp_path / "out") == OLD


def test_a_file_put_there_while_the_run_was_at_work_is_not_replaced(tmp_path):
    out = tmp_path / "out"
    write(out, OLD)

    def run():
        with new_folder(out, by="audit", overwrite=True) as new:
            fill(new, NEW)
            (out / "only_after.csv").write_bytes(b"mine")

    with pytest.raises(OutputError, match=r"only_after\.csv: stands in the way"):
        run()
    assert held(out) == OLD | {"only_after.csv": b"mine"}


def test_a_place_beside_which_nothing_can_be_made(tmp_path, monkeypatch):
    """As on a disk of its own, mounted there: the new results are made in the folder itself."""
    out = tmp_path / "out"
    write(out, OLD)
    fill(out, FOREIGN)
    monkeypatch.setattr("swathledger.report.part.os.access", lambda path, mode: False)
    with new_folder(out, by="audit", overwrite=True) as new:
        assert new.is_relative_to(out)
        fill(new, NEW)
    assert held(out) == NEW | FOREIGN


def test_what_cannot_be_moved_now_gets_there_the_next_time(tmp_path, monkeypatch):
    out = tmp_path / "out"
    write(out, OLD)

    def refuse(held, target):
        raise PermissionError(13, "Permission denied")

    with monkeypatch.context() as patched:
        patched.setattr(folders, "_merge", refuse)
        with pytest.raises(OutputError, match="get there when the same command is given again"):
            write(out, NEW, overwrite=True)
    assert held(out) == OLD
    recover(out)
    assert held(out) == NEW
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


KILLED = """
import os, shutil, sys
from pathlib import Path
sys.path.insert(0, sys.argv[2])
from test_folder import FOREIGN, NEW, OLD, fill, held, write
from swathledger.documents.written import faults, read_list
from swathledger.report.folder import recover

top = Path(sys.argv[1])
steps = ("rename", "replace", "unlink", "rmdir", "mkdir", "open")

def killing(at):
    count = 0
    def wrap(real):
        def call(*given, **named):
            nonlocal count
            count += 1
            if count > at:
                os._exit(9)
            return real(*given, **named)
        return call
    for name in steps:
        setattr(os, name, wrap(getattr(os, name)))

for variant in ("new", "replaced"):
    killed = whole = unknown = 0
    for at in range(200):
        out = top / variant / str(at) / "out"
        out.parent.mkdir(parents=True)
        if variant == "replaced":
            write(out, OLD)
            fill(out, FOREIGN)
        child = os.fork()
        if child == 0:
            killing(at)
            write(out, NEW, overwrite=True)
            os._exit(0)
        ended = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        ours = FOREIGN if variant == "replaced" else {}
        if variant == "replaced":
            now = held(out)
            assert FOREIGN.items() <= now.items(), at
            for name in ("ledger.json", "cover.tif"):
                assert now[name] in (OLD[name], NEW[name]), (at, name)
        elif out.exists():
            assert held(out) == NEW, at
        recover(out)
        if out.exists():
            now = held(out)
            assert now in (OLD | ours, NEW | ours), (at, sorted(now))
            assert faults(out, read_list(out), verify=True) == [], at
            whole += now == NEW | ours
        # What was stopped just before it said whose it is, or just after, cannot be known for ours, and holds nothing.
        left = [path for path in out.parent.iterdir() if path != out]
        assert all(not any(path.name != "begun.lock" for path in folder.iterdir()) for folder in left), (at, left)
        unknown += len(left)
        if ended == 0:
            break
        assert ended == 9, ended
        killed += 1
    print(variant, killed, whole, unknown)
    assert whole >= 1
    assert unknown <= 6, unknown
"""


@pytest.mark.skipif(not hasattr(os, "fork"), reason="no fork")
def test_killed_at_every_step(tmp_path):
    """A process that is gone between any two calls that change a name leaves old results or new ones, never both."""
    script = tmp_path / "killed.py"
    script.write_text(KILLED)
    done = subprocess.run(
        [sys.executable, str(script), str(tmp_path / "runs"), str(Path(__file__).parent)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    counts = {line.split()[0]: int(line.split()[1]) for line in done.stdout.splitlines()}
    assert counts["new"] > 5
    assert counts["replaced"] > 15
