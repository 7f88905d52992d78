"""The page for the tablet at the deck: today's material in, trials out, a result beside its trial,
what it changed. Written on the server; a small script only tells when somebody else recorded.
"""

from __future__ import annotations

import asyncio
import base64
import hashlib
import io
import json
import secrets
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl, urlencode

from fastapi import APIRouter, Request
from jinja2 import Environment, PackageLoader, StrictUndefined
from starlette.datastructures import UploadFile
from starlette.responses import RedirectResponse, Response

from optimizer.errors import HighsideError
from optimizer.intake.rejects import RejectsStore
from optimizer.report.numbers import level, percent
from optimizer.service import problems
from optimizer.service.access import SESSION, SESSION_SECONDS, VISITOR, set_cookie
from optimizer.service.api import Parts, require_recorder, sender
from optimizer.service.intake import CSV, JSON, PARQUET
from optimizer.service.problems import Problem
from optimizer.shares import number_and_unit

HERE = Path(__file__).parent
STYLE = (HERE / "static" / "page.css").read_text(encoding="utf-8")
SCRIPT = (HERE / "static" / "page.js").read_text(encoding="utf-8")
_HASH = base64.b64encode(hashlib.sha256(STYLE.encode()).digest()).decode()
POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        f"style-src 'sha256-{_HASH}'",  # the one style sheet, inside each page
        "connect-src 'self'",
        "img-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    )
)
PATIENCE = 4.0
"""Seconds a page waits for a plan before it shows how far that has come."""
SHOWN_REJECTS = 100
MATERIAL = "m."
STATES = ("even", "boiling", "sluggish", "starved", "flooded")

ENVIRONMENT = Environment(
    loader=PackageLoader("optimizer.service"),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)
ENVIRONMENT.filters.update(
    percent=lambda v: "–" if v is None else percent(v),
    sure=lambda v: "–" if v is None else percent(v, 0),
    points=lambda v: "–" if v is None else f"{100 * v:.2f}",
    level=lambda v: "–" if v is None else level(v),
    named=lambda text: text.replace("_", " "),
)


def render(template: str, status: int = 200, **values: Any) -> Response:
    """A page with its policy."""
    content = ENVIRONMENT.get_template(template).render(style=STYLE, **values)
    headers = {"Content-Security-Policy": POLICY, "Cache-Control": "no-store"}
    return Response(content, status, headers, media_type="text/html; charset=utf-8")


def refusal(error: HighsideError, path: str, accepts: str) -> Response:
    """An error as the one who asked can read it: a page for a browser, else a problem document."""
    if "text/html" not in accepts or path.startswith("/v1/"):
        return problems.answer(error)
    found = problems.document(error)
    template = "sign_in.html" if found["status"] == 401 else "refused.html"
    shown = render(template, found["status"], problem=found, failed=False)
    for name, value in getattr(error, "headers", {}).items():
        shown.headers[name] = value
    return shown


def router(parts: Parts) -> APIRouter:
    """The pages."""
    pages = APIRouter(include_in_schema=False)
    access, options = parts.access, parts.options

    def show(request: Request, template: str, here: str, **values: Any) -> Response:
        """A page for whoever is signed in, with the token that its forms bring back."""
        cookies = dict(request.state.cookies)
        fresh = access.open and not cookies.get(VISITOR)
        if fresh:
            cookies[VISITOR] = secrets.token_urlsafe(16)
        person = request.state.person
        shown = render(
            template,
            here=here,
            person=person,
            signed_in=not access.open,
            form_token=access.form_token(cookies),
            version=parts.work.versions.latest()[1],
            site_name=parts.site.name,
            **values,
        )
        if fresh:
            cookie = set_cookie(VISITOR, cookies[VISITOR], SESSION_SECONDS, options.secure)
            shown.headers.append("Set-Cookie", cookie)
        return shown

    def check_form(request: Request, given: Mapping[str, Any]) -> None:
        if not access.check_form(str(given.get("form_token", "")), request.state.cookies):
            raise Problem(
                403, "this form is not of a page that this browser was given, or is too old.",
                code="other-form", hint="Open the page again, and fill it in once more.",
            )  # fmt: skip

    @pages.get("/")
    async def main(request: Request) -> Response:
        query = dict(request.query_params)
        summary = json.loads((await parts.summaries.of())[1])
        line_names = [entry["line"] for entry in summary["lines"]]
        values: dict[str, Any] = {
            "lines": line_names, "query": query, "material": parts.site.material, "plan": None,
            "working": None, "change": None, "states": STATES, "again": urlencode(query),
            "asked": urlencode([*query_of_report(query)]), "nonce": secrets.token_hex(4),
        }  # fmt: skip
        if "line" not in query:
            return show(request, "main.html", "trials", **values)
        brief = brief_of(query)
        order = parts.work.order("plan", brief, options.seed)
        found = await _patiently(order)
        if found is None:
            said = parts.work.job(order.key)["progress"]
            values["working"] = said[-1] if said else "waiting"
            return show(request, "main.html", "trials", **values)
        values["plan"] = plan = json.loads(found)
        since = query.get("since", "")
        if since.isdecimal() and int(since) < (order.version or 0):
            before = await _patiently(parts.work.order("plan", brief, options.seed, int(since)))
            if before is not None:
                values["change"] = change_of(json.loads(before), plan)
        return show(request, "main.html", "trials", **values)

    async def _patiently(order: Any) -> bytes | None:
        parts.work.begin(order)
        await asyncio.sleep(0)  # from now on it is a job, whose progress can be shown
        try:
            return await asyncio.wait_for(parts.work.answer(order), PATIENCE)
        except TimeoutError:
            return None

    @pages.post("/record")
    async def record(request: Request) -> Response:
        given = await read_form(request)
        check_form(request, given)
        require_recorder(request)
        before = parts.work.versions.latest()[1]
        body = json.dumps([result_row(given)]).encode()
        who = sender(request, signed=given.get("name", "")[:60])
        await parts.recorder.add(io.BytesIO(body), JSON, who)
        back = dict(parse_qsl(given.get("again", "")[:2000]))
        back["since"] = "" if before is None else str(before)
        return RedirectResponse(f"/?{urlencode(back)}#changed", 303)

    @pages.get("/runs")
    async def runs(request: Request) -> Response:
        found = json.loads((await parts.summaries.of())[1])
        rejects = await asyncio.to_thread(RejectsStore(parts.history.rejects_folder).read)
        shown = rejects.slice(max(0, len(rejects) - SHOWN_REJECTS)).to_pylist()[::-1]
        return show(request, "runs.html", "runs", history=found, rejects=shown,
                    rejected=len(rejects), report=None)  # fmt: skip

    @pages.get("/rejected.csv")
    async def rejected() -> Response:
        path = RejectsStore(parts.history.rejects_folder).csv
        content = await asyncio.to_thread(path.read_bytes) if path.exists() else b""
        headers = {"Content-Disposition": 'attachment; filename="rejected.csv"'}
        return Response(content, headers=headers, media_type="text/csv; charset=utf-8")

    @pages.post("/upload")
    async def upload(request: Request) -> Response:
        async with request.form(max_files=1, max_fields=5) as given:
            check_form(request, given)
            require_recorder(request)
            file = given.get("file")
            if not isinstance(file, UploadFile):
                raise Problem(422, "no file was chosen.", code="no-file")
            kind = PARQUET if await file.read(4) == b"PAR1" else CSV
            report = await parts.recorder.add(file.file, kind, sender(request))
        found = json.loads((await parts.summaries.of())[1])
        return show(request, "runs.html", "runs", history=found, rejects=report.rejects,
                    rejected=report.rejected, report=report.as_dict())  # fmt: skip

    @pages.get("/lines")
    async def lines(request: Request) -> Response:
        raw = request.query_params.get("min_grade", "")
        goal = {"goal": {"min_grade": _fraction(raw, "Grade")}} if raw.strip() else {}
        asked = {"lines": None, "feed_rate": None}
        order = parts.work.order("comparison", goal, options.seed, None, asked)
        found = await _patiently(order)
        said = None if found is not None else parts.work.job(order.key)["progress"][-1:]
        document = None if found is None else json.loads(found)
        return show(request, "lines.html", "lines", comparison=document, min_grade=raw,
                    working=None if said is None else (said or ["waiting"])[0])  # fmt: skip

    @pages.get("/sign-in")
    async def sign_in() -> Response:
        return render("sign_in.html", failed=False)

    @pages.post("/sign-in")
    async def signed(request: Request) -> Response:
        person = access.by_token((await read_form(request)).get("token", "").strip())
        if person is None:
            return render("sign_in.html", 403, failed=True)
        done = RedirectResponse("/", 303)
        session = access.session(person)
        done.headers.append(
            "Set-Cookie", set_cookie(SESSION, session, SESSION_SECONDS, options.secure)
        )
        parts.audit.add(did="sign-in", **{**sender(request), "who": person.name})
        return done

    @pages.post("/sign-out")
    async def sign_out(request: Request) -> Response:
        check_form(request, await read_form(request))
        done = RedirectResponse("/sign-in", 303)
        done.headers.append("Set-Cookie", set_cookie(SESSION, "", 0, options.secure))
        return done

    @pages.get("/static/page.js")
    async def script() -> Response:
        return Response(SCRIPT, media_type="text/javascript; charset=utf-8")

    return pages


async def read_form(request: Request) -> dict[str, str]:
    """Fields of a form without files.

    Raises:
        Problem: when it is not one.
    """
    try:
        text = (await request.body()).decode()
        return dict(parse_qsl(text, keep_blank_values=True, max_num_fields=200, errors="strict"))
    except ValueError:
        raise Problem(400, "the form cannot be read.", code="not-a-form") from None


def brief_of(query: Mapping[str, str]) -> dict[str, Any]:
    """The brief that the page's own form asks for: grade in per cent.

    Raises:
        Problem: naming the field that is not a number.
    """
    brief: dict[str, Any] = {"line": query["line"]}
    material = {
        key.removeprefix(MATERIAL): value if key == f"{MATERIAL}material" else _measure(value, key)
        for key, value in query.items()
        if key.startswith(MATERIAL) and value.strip()
    }
    if material:
        brief["material"] = material
    if query.get("min_grade", "").strip():
        brief["goal"] = {"min_grade": _fraction(query["min_grade"], "Grade")}
    if query.get("trials", "").strip():
        brief["trials"] = {"count": int(_number(query["trials"], "Trials"))}
    return brief


def query_of_report(query: Mapping[str, str]) -> list[tuple[str, str]]:
    """The same question as the API's report and sheet are asked it."""
    if "line" not in query:
        return []
    try:
        brief = brief_of(query)
    except Problem:
        return []
    found = [("line", brief["line"])]
    found += [("material", f"{key}={value}") for key, value in brief.get("material", {}).items()]
    if "goal" in brief:
        found.append(("min_grade", repr(brief["goal"]["min_grade"])))
    if "trials" in brief:
        found.append(("trials", str(brief["trials"]["count"])))
    return found


def result_row(given: Mapping[str, str]) -> dict[str, Any]:
    """A trial's result as a row: settings and material as planned, readings in per cent.

    Raises:
        Problem: naming the field that is not a number.
    """
    row: dict[str, Any] = {"started_at": datetime.now(UTC).isoformat(timespec="seconds")}
    for key, value in given.items():
        name = key.partition(".")[2]
        if key.startswith(("s.", MATERIAL)) and name and value.strip():
            row[name] = value.strip()
    row["line"] = given.get("line", "").strip()
    if given.get("nonce"):  # sent twice is recorded once
        row["run_id"] = f"{row['line']}-{given['nonce'][:16]}"
    for field in ("grade", "recovery"):
        if given.get(field, "").strip():
            row[field] = _fraction(given[field], field.capitalize())
    for field in ("grade_count", "deck_state", "note"):
        if given.get(field, "").strip():
            row[field] = given[field].strip()[:500]
    return row


def _number(text: str, field: str) -> float:
    try:
        return float(text.strip().replace(",", "."))
    except ValueError:
        name = field.removeprefix(MATERIAL)
        raise Problem(422, f"{name}: '{text[:40]}' is not a number.", code="not-a-number") from None


def _measure(text: str, field: str) -> str:
    """A number, with or without a unit, as the brief reads it."""
    return text if number_and_unit(text) else repr(_number(text, field))


def _fraction(text: str, field: str) -> float:
    """Per cent as written on the page, as a fraction."""
    value = _number(text.replace("%", ""), field)
    if not 1.0 < value <= 100.0:
        said = f"{field}: {value:g} % cannot be; write per cent, such as 98.7."
        raise Problem(422, said, code="not-per-cent")
    return round(value / 100.0, 9)


def change_of(before: Mapping[str, Any], after: Mapping[str, Any]) -> dict[str, Any]:
    """What a result changed in the settings to run now."""
    old, new = before["run_now"], after["run_now"]
    moved = []
    if old and new:
        moved = [
            {"setting": name, "was": old["settings"][name], "now": value}
            for name, value in new["settings"].items()
            if old["settings"].get(name) != value
        ]
    return {"before": old, "after": new, "moved": moved,
            "runs": after["runs_used"] - before["runs_used"]}  # fmt: skip
