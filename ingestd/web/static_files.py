"""Styles and scripts, our own and the chart library's, each under an address with its hash.

The hash in the address lets browsers keep a file for ever and still get every new version.
"""

import gzip
import hashlib
import re
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from importlib.util import find_spec
from pathlib import Path

from fastapi import APIRouter, Request
from starlette.responses import Response

from ingestd.errors import Refused

router = APIRouter(include_in_schema=False)

_MARK = re.compile(rb'document\.getElementById\("([0-9a-f]{64})"\)')

_TYPES = {
    "page.css": "text/css; charset=utf-8",
    "page.js": "text/javascript; charset=utf-8",
    "charts.js": "text/javascript; charset=utf-8",
    "plotly.js": "text/javascript; charset=utf-8",
    "mark.svg": "image/svg+xml",
}


@dataclass(frozen=True, slots=True)
class _File:
    data: bytes
    tag: str


@cache
def _load(name: str) -> _File:
    data = _plotly() if name == "plotly.js" else _own(name)
    tag = hashlib.sha256(data).hexdigest()[:16]
    return _File(data, tag)


@cache
def _packed(name: str) -> bytes:
    """Packed when a browser first takes it, not when a page first names it: charts are large."""
    return gzip.compress(_load(name).data, 6, mtime=0)


def _own(name: str) -> bytes:
    return (files("ingestd.web") / "static" / name).read_bytes()


def _plotly() -> bytes:
    """The script inside the plotly package; the package itself, slow to import, is not."""
    spec = find_spec("plotly")
    if spec is None or spec.origin is None:
        raise Refused("plotly", "the package is not installed", "install ingestd with [web]")
    return (Path(spec.origin).parent / "package_data" / "plotly.min.js").read_bytes()


@cache
def chart_marks() -> tuple[str, ...]:
    """Names of elements that keep the chart library from writing styles into the page.

    It brings styles of maps, which no page here draws, and writes them unless an element of
    this name says that they are there; our policy would refuse them and complain each time.
    """
    found = _MARK.findall(_load("plotly.js").data)
    return tuple(sorted({mark.decode() for mark in found}))


def address_of(name: str) -> str:
    """Where a page finds a file."""
    return f"/static/{_load(name).tag}/{name}"


@router.get("/static/{tag}/{name}")
def static_file(request: Request, tag: str, name: str) -> Response:
    """One of the files, packed where the browser takes that."""
    if name not in _TYPES or _load(name).tag != tag:
        return Response(status_code=404)
    file = _load(name)
    headers = {
        "cache-control": "public, max-age=31536000, immutable",
        "vary": "accept-encoding",
    }
    data = file.data
    if "gzip" in request.headers.get("accept-encoding", ""):
        data = _packed(name)
        headers["content-encoding"] = "gzip"
    return Response(data, media_type=_TYPES[name], headers=headers)
