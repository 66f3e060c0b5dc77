"""What may be opened, and files that are written whole or not at all."""

from __future__ import annotations

import hashlib
import os
import socket
import sys
from pathlib import Path

import pytest

from swathledger.errors import InputError, LogError, OutputError
from swathledger.files import (
    check_readable,
    parts_of,
    plain_path,
    plain_target,
    read_small,
    sha256_of,
    write_whole,
    write_with,
)
from swathledger.machine.read import read_machine
from swathledger.season.manifest.manifest import read_manifest


def test_a_file_is_readable_and_a_folder_where_one_will_do(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"x")
    check_readable(tmp_path / "a")
    check_readable(tmp_path, folder=True)
    with pytest.raises(LogError, match="folder"):
        check_readable(tmp_path, LogError)


@pytest.mark.skipif(sys.platform == "win32", reason="pipes and sockets as files")
def test_what_never_ends_is_not_opened(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.csv")
    (tmp_path / "ring.csv").symlink_to("ring.csv")
    with socket.socket(socket.AF_UNIX) as server:
        server.bind(str(tmp_path / "s.csv"))
        for name, word in (("pipe.csv", "a pipe"), ("ring.csv", "leads back to itself"), ("s.csv", "a socket")):
            with pytest.raises(LogError, match=word):
                check_readable(tmp_path / name, LogError)
    with pytest.raises(LogError, match="a device"):
        check_readable(Path("/dev/zero"), LogError)


@pytest.mark.parametrize(
    ("name", "word"),
    [("a\0b", "no file can have"), ("none", "no such file"), ("/vsicurl/http://127.0.0.1:1/a", "into another place")],
)
def test_names_of_nothing(name: str, word: str) -> None:
    with pytest.raises(LogError, match=word):
        check_readable(Path(name), LogError)


def test_files_that_people_write_are_small(tmp_path: Path) -> None:
    (tmp_path / "a.toml").write_bytes(b"x = 1")
    assert read_small(tmp_path / "a.toml") == b"x = 1"
    with (tmp_path / "b.toml").open("wb") as stream:
        stream.truncate(1 << 34)  # sparse: 16 GiB on paper
    with pytest.raises(LogError, match="more than 16 MiB"):
        read_small(tmp_path / "b.toml", LogError)


@pytest.mark.parametrize("depth", [100, 100_000])
def test_machine_files_and_manifests_nested_without_end(tmp_path: Path, depth: int) -> None:
    path = tmp_path / "a.toml"
    path.write_text("name = " + "[" * depth)
    for read in (read_machine, read_manifest):
        with pytest.raises(InputError):
            read(path)
        with pytest.raises(InputError, match="no file can have"):
            read(Path("a\0b.toml"))


def test_hash_and_parts(tmp_path: Path) -> None:
    for name in ("a.shp", "a.DBF", "a.txt", "b.dbf"):
        (tmp_path / name).write_bytes(name.encode())
    assert [part.name for part in parts_of(tmp_path / "a.shp")] == ["a.shp", "a.DBF"]
    assert sha256_of(tmp_path / "a.txt") == hashlib.sha256(b"a.txt").hexdigest()


@pytest.mark.parametrize("name", [b"odd!name.shp", b"caf\xe9.shp"])
def test_a_plain_path_leads_to_the_same_bytes(tmp_path: Path, name: bytes) -> None:
    path = Path(os.fsdecode(os.fsencode(tmp_path) + b"/" + name))
    try:
        path.write_bytes(b"shape")
    except OSError:
        pytest.skip("this file system takes UTF-8 only")
    path.with_suffix(".dbf").write_bytes(b"table")
    with plain_path(path) as plain:
        assert "!" not in str(plain)
        str(plain).encode("utf-8")
        assert (plain.read_bytes(), plain.with_suffix(".dbf").read_bytes()) == (b"shape", b"table")
    assert not plain.exists()


def test_a_failed_write_leaves_the_old_file(tmp_path: Path) -> None:
    path = tmp_path / "deep" / "a.txt"
    write_whole(path, "é\n")
    assert path.read_bytes() == "é\n".encode()

    def fail(part: Path) -> None:
        part.write_text("half")
        raise OSError(5, "broken")

    with pytest.raises(OutputError, match="broken"):
        write_with(path, fail)
    assert [item.name for item in path.parent.iterdir()] == ["a.txt"]
    assert path.read_bytes() == "é\n".encode()


def test_a_target_is_copied_when_all_went_well(tmp_path: Path) -> None:
    with plain_target(tmp_path / "wow!.gpkg") as held:
        assert "!" not in str(held)
        held.write_bytes(b"1")
    assert (tmp_path / "wow!.gpkg").read_bytes() == b"1"
