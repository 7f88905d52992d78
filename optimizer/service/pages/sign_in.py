"""Signing in with a token, and signing out."""

from __future__ import annotations

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from optimizer.service.admission.access import SESSION, SESSION_SECONDS, set_cookie
from optimizer.service.pages.shared.forms import check_form, read_form
from optimizer.service.pages.shared.rendering import render, render_with_token
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
async def sign_in() -> Response:
    """The page with the sign-in form, which takes a token."""
    return render("sign_in.html", failed=False, kept=None)


@routes.post("/sign-in")
async def signed_in(request: Request) -> Response:
    """Start a session for the sender of a valid token, and show a form again that was refused
    because the session before had ended."""
    parts, given = parts_of(request), await read_form(request)
    sent = sent_of(given.get("kept", ""))
    person = parts.access.by_token(given.get("token", "").strip())
    if person is None:
        return render("sign_in.html", 403, failed=True, kept=sent and sent.as_text())
    session, secure = parts.access.session(person), parts.configuration.secure
    answer: Response = RedirectResponse("/", 303)
    if sent is not None:
        request.state.cookies = {**request.state.cookies, SESSION: session}
        answer = render_with_token(
            request, "refused.html", heading="You are signed in", problem=NOT_SENT, sent=sent
        )
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
