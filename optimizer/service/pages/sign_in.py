"""Signing in with a token, and signing out."""

from __future__ import annotations

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from optimizer.service.admission.access import SESSION, SESSION_SECONDS, set_cookie
from optimizer.service.pages.forms import check_form, read_form
from optimizer.service.pages.rendering import render
from optimizer.service.parts import parts_of, sender_of

routes = APIRouter(include_in_schema=False, default_response_class=Response)


@routes.get("/sign-in")
async def sign_in() -> Response:
    """The page with the sign-in form, which takes a token."""
    return render("sign_in.html", failed=False)


@routes.post("/sign-in")
async def signed_in(request: Request) -> Response:
    """Start a session for the sender of a valid token."""
    parts = parts_of(request)
    person = parts.access.by_token((await read_form(request)).get("token", "").strip())
    if person is None:
        return render("sign_in.html", 403, failed=True)
    session, secure = parts.access.session(person), parts.configuration.secure
    answer = RedirectResponse("/", 303)
    answer.headers.append("Set-Cookie", set_cookie(SESSION, session, SESSION_SECONDS, secure))
    parts.audit.add(did="sign-in", **{**sender_of(request), "who": person.name})
    return answer


@routes.post("/sign-out")
async def sign_out(request: Request) -> Response:
    """End a session."""
    check_form(request, await read_form(request))
    answer = RedirectResponse("/sign-in", 303)
    secure = parts_of(request).configuration.secure
    answer.headers.append("Set-Cookie", set_cookie(SESSION, "", 0, secure))
    return answer
