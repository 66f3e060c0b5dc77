"""The process that reads vector files: nothing it does can reach the network, and what goes wrong in it stays in it.

Started by ``client`` as ``python -m swathledger.vector.worker``. Each request is a line of JSON on stdin; each answer a
line of JSON on stdout, followed by an Arrow stream where a layer was read.
"""

from __future__ import annotations

import json
import os
import sys
import warnings
from contextlib import suppress
from pathlib import Path
from typing import Any, BinaryIO

#: All that GDAL may use here. Virtual and remote drivers are left out, and so is GML, which fetches its schemas.
DRIVERS = ("ESRI Shapefile", "GPKG", "GeoJSON", "GeoJSONSeq", "FlatGeobuf", "KML", "LIBKML", "GPX", "OpenFileGDB")
_SKIPPED = (
    "ADBC,AIVector,AVCBin,AVCE00,AmigoCloud,CSV,CSW,Carto,DGN,DXF,EDIGEO,EEDA,ESRIJSON,Elasticsearch,GDALG,GML,"
    "GPSBabel,GTFS,GeoRSS,HTTP,Idrisi,JML,JSONFG,LVBAG,MBTiles,MEM,MVT,MapInfo File,MapML,MiraMonVector,NGW,OAPIF,ODS,"
    "OGCAPI,OGR_GMT,OGR_PDS,OGR_VRT,OSM,PCIDSK,PDF,PDS4,PGDUMP,PLSCENES,PMTiles,S57,SQLite,SXF,Selafin,TopoJSON,VDV,VFK,"
    "VICAR,WAsP,WFS,XLSX"
)
_NOWHERE = "http://127.0.0.1:9"  # the port that discards


def environment(skip: str = _SKIPPED) -> dict[str, str]:
    """Settings of GDAL, and of any library under it, that keep it to the file it is given."""
    quiet = dict.fromkeys(("http_proxy", "https_proxy", "all_proxy", "GDAL_HTTP_PROXY"), _NOWHERE)
    return {
        **{name.upper(): value for name, value in quiet.items()},
        **quiet,
        "no_proxy": "",
        "NO_PROXY": "",
        "GDAL_SKIP": skip,
        "OGR_SKIP": skip,
        "GDAL_HTTP_TIMEOUT": "1",
        "CPL_VSIL_CURL_ALLOWED_EXTENSIONS": ".none",
        "PROJ_NETWORK": "OFF",
        "OGR_SQLITE_LOAD_EXTENSIONS": "",
        "OGR_GEOJSON_MAX_OBJ_SIZE": "200",
        "ARROW_DEFAULT_MEMORY_POOL": "system",  # others reserve gigabytes that they never use
        "MALLOC_ARENA_MAX": "2",
        "OPENBLAS_NUM_THREADS": "1",
        "OMP_NUM_THREADS": "1",
    }


def _bound(memory_bytes: int) -> None:
    """Let the process have this much more memory than it has now."""
    with suppress(ImportError, OSError, ValueError):  # systems without such limits
        import resource

        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0])
        have = pages * os.sysconf("SC_PAGE_SIZE")
        _, hard = resource.getrlimit(resource.RLIMIT_AS)
        resource.setrlimit(resource.RLIMIT_AS, (have + memory_bytes, hard))


def _layers(request: dict[str, Any]) -> dict[str, Any]:
    import pyogrio

    found = []
    for name, kind in pyogrio.list_layers(request["path"]):
        info = pyogrio.read_info(request["path"], layer=name)
        fields = [str(field) for field in info["fields"]]
        found.append({"name": str(name), "kind": None if kind is None else str(kind), "fields": fields})
    return {"layers": found}


def _read(request: dict[str, Any]) -> tuple[dict[str, Any], Any]:
    import pyogrio

    meta, table = pyogrio.read_arrow(
        request["path"],
        layer=request["layer"],
        columns=request["columns"],
        read_geometry=request["geometry"],
        datetime_as_string=True,
    )
    known = int(pyogrio.read_info(request["path"], layer=request["layer"], force_feature_count=True)["features"])
    return {"crs": meta.get("crs"), "geometry": meta.get("geometry_name") or "", "features": known}, table


def answer_to(request: dict[str, Any]) -> tuple[dict[str, Any], Any]:
    """Answer one request: what was found, or the error, as JSON knows it; and the table where a layer was read."""
    table = None
    answer: dict[str, Any]
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        try:
            if request["memory"] is not None:
                _bound(request["memory"])
            if request["op"] == "layers":
                answer = _layers(request)
            else:
                answer, table = _read(request)
        except MemoryError:
            answer = {"memory": True}
        except Exception as error:  # noqa: BLE001  # whatever a file makes of a library is told, and is no fault of ours
            answer = {"error": str(error).splitlines()[0] if str(error) else type(error).__name__}
    answer["warnings"] = [str(item.message) for item in caught]
    return answer, table


def _send(request: dict[str, Any], out: BinaryIO) -> None:
    answer, table = answer_to(request)
    out.write(json.dumps(answer).encode() + b"\n")
    if table is not None:
        import pyarrow as pa

        with pa.ipc.new_stream(out, table.schema) as stream:
            stream.write_table(table, max_chunksize=65536)
    out.flush()


def main() -> None:
    """Answer requests until stdin ends."""
    import pyogrio

    others = sorted(set(pyogrio.list_drivers()) - set(DRIVERS))
    if others and os.environ.get("SWATHLEDGER_VECTOR_AGAIN") is None:  # a GDAL with drivers that we do not know
        again = {**os.environ, **environment(",".join((_SKIPPED, *others))), "SWATHLEDGER_VECTOR_AGAIN": "1"}
        os.execve(sys.executable, [sys.executable, "-m", __spec__.name], again)  # noqa: S606  # itself, started anew
    out = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # nothing that a library prints gets between the answers
    for line in sys.stdin.buffer:
        _send(json.loads(line), out)


if __name__ == "__main__":
    main()
