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
from urllib.parse import urlencode

from fastapi import APIRouter, Request
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup, escape
from starlette.datastructures import UploadFile
from starlette.responses import RedirectResponse, Response

from optimizer.errors import HighsideError
from optimizer.figures import exact_percent, level, percent, plain, points, whole_percent
from optimizer.intake.settling.rejects import RejectsStore
from optimizer.plant.deck_states import DECK_STATES
from optimizer.report.sheet import by_order
from optimizer.service import problems
from optimizer.service.access import SESSION, SESSION_SECONDS, VISITOR, set_cookie
from optimizer.service.api import Parts, require_recorder, sender
from optimizer.service.forms import (
    address_again,
    asked_of,
    brief_of,
    fraction,
    query_of_report,
    read_form,
    result_row,
    signature,
    whole,
)
from optimizer.service.intake import CSV, JSON, PARQUET
from optimizer.service.problems import Problem
from optimizer.service.texts import carried, shown
from optimizer.service.worker import Order

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


def _visible(value: Any) -> Any:
    """What a template puts into a page: text as it can be shown."""
    return shown(value) if isinstance(value, str) and not isinstance(value, Markup) else value


ENVIRONMENT = Environment(
    loader=PackageLoader("optimizer.service"),
    autoescape=True,
    undefined=StrictUndefined,
    finalize=_visible,
    trim_blocks=True,
    lstrip_blocks=True,
)
ENVIRONMENT.filters.update(
    percent=lambda v: "–" if v is None else percent(v),
    whole_percent=lambda v: "–" if v is None else whole_percent(v),
    exact_percent=exact_percent,
    points=lambda v: "–" if v is None else points(v),
    level=lambda v: "–" if v is None else level(v),
    plain=plain,
    named=lambda text: text.replace("_", " "),
    by_order=by_order,
    value=lambda text: Markup(escape(text)),  # of a field that comes back: as it is, not as shown
)
ENVIRONMENT.tests["carried"] = carried


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
        asked = asked_of(request.query_params)
        summary = json.loads((await parts.summaries.of())[1])
        values: dict[str, Any] = {
            "lines": [entry["line"] for entry in summary["lines"]], "asked": asked,
            "material": parts.site.material, "plan": None, "waiting": None, "change": None,
            "states": DECK_STATES, "again": urlencode(asked), "report": "",
            "nonce": secrets.token_hex(4), "now": f"{datetime.now(UTC):%Y-%m-%d %H:%M}",
        }  # fmt: skip
        if "line" not in asked:
            return show(request, "main.html", "trials", **values)
        since = whole(asked["since"], "since") if "since" in asked else None
        brief = brief_of(asked, parts.site)
        order = parts.work.order("plan", brief, options.seed)
        found = await _patiently(order)
        if found is None:
            values["waiting"] = waiting(order, f"/?{values['again']}")
            return show(request, "main.html", "trials", **values)
        values["plan"] = plan = json.loads(found)
        values["report"] = query_of_report(brief)
        if since is not None and since < (order.version or 0):
            before = await _patiently(parts.work.order("plan", brief, options.seed, since))
            if before is not None:
                values["change"] = change_of(json.loads(before), plan)
        return show(request, "main.html", "trials", **values)

    async def _patiently(order: Order) -> bytes | None:
        if (kept := parts.work.kept(order.key)) is not None:
            return kept
        parts.work.begin(order)
        await asyncio.sleep(0)  # from now on it is a job, whose progress can be shown
        try:
            return await asyncio.wait_for(parts.work.answer(order), PATIENCE)
        except TimeoutError:
            return None

    def waiting(order: Order, address: str) -> dict[str, str]:
        """What a page says of an answer that is not there yet, and where it will be.

        The address is written out: a page that asks for itself again by no address stays where it
        is when its own has a fragment.
        """
        said = parts.work.job(order.key)["progress"]
        return {"job": order.key, "said": said[-1] if said else "waiting", "address": address}

    @pages.post("/record")
    async def record(request: Request) -> Response:
        given = await read_form(request)
        check_form(request, given)
        require_recorder(request)
        version = parts.work.versions.latest()[1]
        back, who = address_again(given, version), sender(request, signed=signature(given))
        body = json.dumps([result_row(given, parts.site)]).encode()
        await parts.recorder.add(io.BytesIO(body), JSON, who)
        return RedirectResponse(back, 303)

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
        raw = request.query_params.get("min_grade", "").strip()
        goal = {"goal": {"min_grade": fraction(raw, "Grade")}} if raw else {}
        asked = {"lines": None, "feed_rate": None}
        order = parts.work.order("comparison", goal, options.seed, None, asked)
        found = await _patiently(order)
        address = "/lines?" + urlencode({"min_grade": raw})
        return show(request, "lines.html", "lines", min_grade=raw,
                    comparison=None if found is None else json.loads(found),
                    waiting=waiting(order, address) if found is None else None)  # fmt: skip

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
