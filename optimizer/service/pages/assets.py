"""The scripts and the icon of pages, and the texts of scripts in other languages than English, as
files that browsers keep while their content is the same.

A script is sent compressed to browsers that accept it. Pages are never compressed: a page holds a
token beside text from its address, and the length of the two compressed together would tell of the
token (the attack named BREACH).
"""

from __future__ import annotations

import gzip
import hashlib
import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from fastapi import APIRouter, Request
from starlette.responses import Response

from optimizer.service.exchange.problems import Problem
from optimizer.text.texts import DEFAULT_LANGUAGE, languages, texts

STATIC = Path(__file__).parent / "static"
MEDIA_TYPES = {".js": "text/javascript; charset=utf-8", ".svg": "image/svg+xml"}


def texts_script(language: str) -> bytes:
    """The script that gives other scripts their texts in a language: ``globalThis.TEXTS`` with the
    decimal mark, the form of a date, and under ``said`` each English text with its translation."""
    told, form = texts(language), texts(language)["figures"]
    found = {"decimal": form["decimal"], "date": form["date"], "said": told["scripts"]}
    return f"globalThis.TEXTS = {json.dumps(found, ensure_ascii=False)};\n".encode()


FILES = {p.name: p.read_bytes() for p in sorted(STATIC.iterdir()) if p.suffix in MEDIA_TYPES} | {
    f"texts-{language}.js": texts_script(language)
    for language in languages()
    if language != DEFAULT_LANGUAGE
}
"""Content of each file by its name."""

routes = APIRouter(include_in_schema=False, default_response_class=Response)


@dataclass(frozen=True)
class Sent:
    """A script as it is sent: its bytes, and the tag that names them."""

    content: bytes
    tag: str


@cache
def script_sent(name: str, compressed: bool) -> Sent:
    """A script as it is sent, compressed or not; both have tags of their own."""
    content = FILES[name]
    if compressed:
        content = gzip.compress(content, mtime=0)  # the same bytes from every process
    return Sent(content, f'"{hashlib.sha256(content).hexdigest()[:32]}"')


@routes.get("/static/{name}")
async def script(request: Request, name: str) -> Response:
    """A file; without its content where the browser has it already."""
    if name not in FILES:
        raise Problem(404, "there is nothing at this address.", code="not-found")
    compressed = _accepts_gzip(request.headers.get("accept-encoding", ""))
    sent = script_sent(name, compressed)
    headers = {"ETag": sent.tag, "Cache-Control": "private, no-cache", "Vary": "Accept-Encoding"}
    if request.headers.get("if-none-match") == sent.tag:
        return Response(status_code=304, headers=headers)
    if compressed:
        headers["Content-Encoding"] = "gzip"
    return Response(sent.content, headers=headers, media_type=MEDIA_TYPES[Path(name).suffix])


def _accepts_gzip(accepted: str) -> bool:
    """Whether a browser accepts gzip, by the header ``Accept-Encoding`` (RFC 9110, 12.5.3).

    >>> _accepts_gzip("br, gzip"), _accepts_gzip("gzip;q=0, br"), _accepts_gzip("")
    (True, False, False)
    """
    for part in accepted.lower().replace(" ", "").split(","):
        coding, _, weight = part.partition(";q=")
        if coding == "gzip":
            return not weight or weight.strip("0.") != ""
    return False
