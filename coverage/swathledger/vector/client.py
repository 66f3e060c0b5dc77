"""Layers of vector files, read by a process of their own that has bounds of memory and time."""

from __future__ import annotations

import atexit
import json
import os
import subprocess
import sys
import threading
import zipfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from swathledger.errors import InputError
from swathledger.files import check_readable, parts_of, plain_path
from swathledger.text import file_name
from swathledger.vector.worker import answer_to, environment

_MEMORY_BYTES, _MEMORY_PER_BYTE = 2 << 30, 40
_TIME_S, _TIME_PER_BYTE_S = 30.0, 1e-6
_MOST_UNPACKED = 2 << 30
_SMALL_GEOJSON = 16 << 20
_SHAPEFILE_PARTS = (".shp", ".shx", ".dbf", ".prj", ".cpg")
_SIDE_PARTS = (".sbn", ".sbx", ".qpj", ".qix", ".xml", ".qmd")
#: Kinds by suffix: what they are called, and what such a file begins with.
KINDS: dict[str, tuple[str, tuple[bytes, ...]]] = {
    ".gpkg": ("GeoPackage", (b"SQLite format 3\0",)),
    ".shp": ("Shapefile", (b"\x00\x00\x27\x0a",)),
    ".fgb": ("FlatGeobuf", (b"fgb",)),
    ".kml": ("KML", (b"<",)),
    ".kmz": ("KMZ", (b"PK\x03\x04",)),
    ".gpx": ("GPX", (b"<",)),
    ".zip": ("zipped Shapefile", (b"PK\x03\x04",)),
    ".geojson": ("GeoJSON", (b"{", b"[", b"\x1e")),
    ".json": ("GeoJSON", (b"{", b"[", b"\x1e")),
    ".geojsonl": ("GeoJSON", (b"{", b"[", b"\x1e")),
    ".geojsons": ("GeoJSON", (b"{", b"[", b"\x1e")),
    ".ndjson": ("GeoJSON", (b"{", b"[", b"\x1e")),
    ".jsonl": ("GeoJSON", (b"{", b"[", b"\x1e")),
}
_ROOTS = {".kml": b"<kml", ".gpx": b"<gpx"}


@dataclass(frozen=True, slots=True)
class Layer:
    """One layer of a file: ``kind`` is its geometry type, None for a table without geometry."""

    name: str
    kind: str | None
    fields: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class LayerTable:
    """Features of a layer.

    Attributes
    ----------
    table : pyarrow.Table
        Attributes, and the geometry as WKB where it was asked for and there is one.
    geometry : str or None
        Name of the geometry's column.
    warnings : tuple of str
        What GDAL warned of.
    """

    table: Any
    geometry: str | None
    crs: str | None
    warnings: tuple[str, ...]


def kind_of(path: Path, head: bytes) -> str | None:
    """What kind of vector file this is, by its suffix and its first bytes together; None where it is none."""
    suffix = path.suffix.lower()
    kind, marks = KINDS.get(suffix, ("", ()))
    start = head if marks and marks[0][:1] in b"S\0fP" else head.removeprefix(b"\xef\xbb\xbf").lstrip(b" \t\r\n")
    if not start.startswith(marks or (b"\0none",)):
        return None
    root = _ROOTS.get(suffix)
    return None if root is not None and root not in head.lower() else kind


def layers(path: Path, error: type[InputError] = InputError) -> tuple[Layer, ...]:
    """The layers of a file.

    Raises
    ------
    InputError
        Not a file of a known kind, not readable, or it asks for more memory or time than its size allows.
    """
    answer, _ = _asked(path, error, {"op": "layers"})
    return tuple(Layer(item["name"], item["kind"], tuple(item["fields"])) for item in answer["layers"])


def read_layer(
    path: Path,
    layer: str,
    error: type[InputError] = InputError,
    *,
    columns: list[str] | None = None,
    geometry: bool = True,
) -> LayerTable:
    """The features of a layer; times as text with their offsets. Errors as of `layers`."""
    answer, table = _asked(path, error, {"op": "read", "layer": layer, "columns": columns, "geometry": geometry})
    if table.num_rows != answer["features"]:
        raise error(
            f"{answer['features']} features are there and {table.num_rows} could be read.",
            file=file_name(path),
            hint="Export the file again.",
        )
    name = answer["geometry"] or next((item for item in ("wkb_geometry", "geometry") if item in table.column_names), "")
    return LayerTable(table, name if name in table.column_names else None, answer["crs"], tuple(answer["warnings"]))


def _asked(path: Path, error: type[InputError], request: dict[str, Any]) -> tuple[dict[str, Any], Any]:
    check_readable(path, error, folder=path.suffix.lower() == ".gdb")
    name, kind = file_name(path), None
    if path.is_file():
        with path.open("rb") as stream:
            kind = kind_of(path, stream.read(4096))
        if kind is None:
            raise error(
                "cannot be read as a vector file: its suffix and its content are of no kind that is read.",
                file=name,
                hint="Give GeoJSON, GeoPackage, Shapefile (also zipped), FlatGeobuf, KML, GPX or GeoParquet.",
            )
        if kind == "zipped Shapefile":
            _check_zip(path, error)
    size = sum(part.stat().st_size for part in parts_of(path))
    with plain_path(path) as plain:
        whole = {**request, "path": str(plain), "memory": _MEMORY_BYTES + _MEMORY_PER_BYTE * size}
        seconds = _TIME_S + _TIME_PER_BYTE_S * size
        if kind == "GeoJSON" and size <= _SMALL_GEOJSON:
            answer, table = _here(whole)
        else:
            answer, table = _worker().ask(whole, seconds)
    if answer.get("late"):
        raise error(
            f"could not be read within {seconds:.0f} s, which is far more than its size needs.",
            file=name,
            hint="Save it anew from another program.",
        )
    if answer.get("memory") or answer.get("gone"):
        raise error(
            f"needs more memory than the {whole['memory'] / 1e9:.1f} GB that its size allows.",
            file=name,
            hint="Save it anew from another program.",
        )
    if "error" in answer:
        text = str(answer["error"]).split(";")[0].replace(f"'{plain}'", "the file").replace(str(plain), "the file")
        raise error(
            f"cannot be read as a vector file ({text.rstrip('. ')}).",
            file=name,
            hint="Give GeoJSON, GeoPackage, Shapefile, FlatGeobuf, KML or GeoParquet.",
        )
    return answer, table


def _here(request: dict[str, Any]) -> tuple[dict[str, Any], Any]:
    """A small GeoJSON file in this process: its driver is named, so that no other one looks at it."""
    whole = answer_to({**request, "path": f"GeoJSON:{request['path']}", "memory": None})
    if "error" not in whole[0]:
        return whole
    lines = answer_to({**request, "path": f"GeoJSONSeq:{request['path']}", "memory": None})
    return whole if "error" in lines[0] else lines


def _check_zip(path: Path, error: type[InputError]) -> None:
    """A zip file is read where it holds one shapefile and nothing else that a library might open."""
    try:
        with zipfile.ZipFile(path) as archive:
            members = [item for item in archive.infolist() if not item.is_dir()]
    except (zipfile.BadZipFile, OSError, ValueError) as reason:
        raise error(f"is not a readable zip file ({reason}).", file=file_name(path)) from None
    suffixes = [Path(item.filename).suffix.lower() for item in members]
    if suffixes.count(".shp") != 1 or not set(suffixes) <= {*_SHAPEFILE_PARTS, *_SIDE_PARTS}:
        raise error(
            "a zip file is read where it holds the parts of one shapefile and nothing else.",
            file=file_name(path),
            hint="Unpack it and give the file in it.",
        )
    if sum(item.file_size for item in members) > _MOST_UNPACKED:
        raise error("would unpack to more than 2 GB.", file=file_name(path), hint="Unpack it yourself.")


class _Worker:
    """The reading process; started at the first request, and again after it had to be ended."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._process: subprocess.Popen[bytes] | None = None

    def _started(self) -> subprocess.Popen[bytes]:
        if self._process is None or self._process.poll() is not None:
            self.close()
            root = str(Path(__file__).resolve().parents[2])
            paths = os.pathsep.join(filter(None, (root, os.environ.get("PYTHONPATH", ""))))
            self._process = subprocess.Popen(
                [sys.executable, "-m", "swathledger.vector.worker"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                env={**os.environ, **environment(), "PYTHONPATH": paths},
            )
        return self._process

    def ask(self, request: dict[str, Any], seconds: float) -> tuple[dict[str, Any], Any]:
        """Answer and table; ``{"late": True}`` where it took too long, ``{"gone": True}`` where the process died."""
        with self._lock:
            process = self._started()
            requests, answers = process.stdin, process.stdout
            if requests is None or answers is None:  # pragma: no cover - pipes were asked for
                return {"gone": True}, None
            late = threading.Event()

            def end() -> None:
                late.set()
                process.kill()

            timer = threading.Timer(seconds, end)
            timer.start()
            try:
                requests.write(json.dumps(request).encode() + b"\n")
                requests.flush()
                answer = json.loads(answers.readline())
                table = None
                if request["op"] == "read" and "crs" in answer:
                    import pyarrow as pa

                    with pa.ipc.open_stream(answers) as stream:
                        table = stream.read_all()
            except (OSError, ValueError, KeyError):  # the pipe ends where the process does
                process.kill()
                self.close()
                return ({"late": True} if late.is_set() else {"gone": True}), None
            finally:
                timer.cancel()
            return answer, table

    def close(self) -> None:
        """End the process."""
        process, self._process = self._process, None
        if process is not None:
            process.kill()
            for pipe in (process.stdin, process.stdout):
                if pipe is not None:
                    try:
                        pipe.close()
                    except OSError:
                        continue
            process.wait()


_workers: dict[int, _Worker] = {}


def _worker() -> _Worker:
    """The worker of this process: one that was forked has none yet."""
    found = _workers.get(os.getpid())
    if found is None:
        found = _workers.setdefault(os.getpid(), _Worker())
        atexit.register(found.close)
    return found
