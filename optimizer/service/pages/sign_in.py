"""Signing in with a token, and signing out."""

from __future__ import annotations

import asyncio

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from optimizer.service.admission.access import SESSION, SESSION_SECONDS, set_cookie
from optimizer.service.pages.shared.forms import check_form, read_form
from optimizer.service.pages.shared.rendering import render_sign_in, render_with_token
from optimizer.service.pages.shared.sent_again import sent_of
from optimizer.service.parts import parts_of, sender_of

NOT_SENT = {
    "title": "Signed in",
    "detail": "What you had typed is not stored yet, since you were signed out when you sent it.",
    "hint": "Look it over, and send it again.",
}
"""What stands above a form that was refused because nobody was signed in."""

routes = APIRouter(include_in_schema=False, default_response_class=Response)


@routes.get("/sign-in")
async def sign_in(request: Request) -> Response:
    """The page with the sign-in form, which takes a token."""
    return render_sign_in(words=parts_of(request).site.words)


@routes.post("/sign-in")
async def signed_in(request: Request) -> Response:
    """Start a session for the sender of a valid token, and show a form again that was refused
    because the session before had ended."""
    parts, given = parts_of(request), await read_form(request)
    sent = sent_of(given.get("kept", ""))
    token, before = given.get("token", "").strip(), request.state.cookies.get(SESSION, "")
    session = await asyncio.to_thread(parts.sessions.begin, token, before)
    if session is None:
        request.state.refused = "unknown-token"
        return render_sign_in(403, parts.site.words, failed=True, sent=sent)
    person, secure = parts.access.by_token(token), parts.configuration.secure
    answer: Response = RedirectResponse("/", 303)
    if sent is not None:
        request.state.cookies = {**request.state.cookies, SESSION: session}
        answer = render_with_token(
            request, "refused.html", heading="You are signed in", problem=NOT_SENT, sent=sent
        )
    answer.headers.append("Set-Cookie", set_cookie(SESSION, session, SESSION_SECONDS, secure))
    about = {**sender_of(request), "who": person and person.name, "role": person and person.role}
    await parts.audit.note(did="sign-in", **about)
    return answer


@routes.post("/sign-out")
async def sign_out(request: Request) -> Response:
    """End a session, in the service and in the browser."""
    check_form(request, await read_form(request))
    parts = parts_of(request)
    await asyncio.to_thread(parts.sessions.end, request.state.cookies.get(SESSION, ""))
    await parts.audit.note(did="sign-out", **sender_of(request))
    answer = RedirectResponse("/sign-in", 303)
    secure = parts.configuration.secure
    answer.headers.append("Set-Cookie", set_cookie(SESSION, "", 0, secure))
    answer.headers["Clear-Site-Data"] = '"cache","cookies","storage"'
    return answer
