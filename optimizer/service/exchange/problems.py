"""Errors as problem documents (RFC 9457)."""

from __future__ import annotations

from collections.abc import Mapping
from http import HTTPStatus
from typing import Any

from starlette.responses import Response

from optimizer.errors import HighsideError, HistoryError, InputError, LimitError, QuestionError
from optimizer.text.visible_text import json_bytes

MEDIA_TYPE = "application/problem+json"
RETRY_SECONDS = 5


STATUS_OF_CODE = {
    "unknown-batch": HTTPStatus.NOT_FOUND,
    "unknown-trial": HTTPStatus.NOT_FOUND,
    "trial-has-result": HTTPStatus.CONFLICT,
    "trial-state": HTTPStatus.CONFLICT,
    "batch-closed": HTTPStatus.CONFLICT,
    "unknown-run": HTTPStatus.NOT_FOUND,
    "several-lines": HTTPStatus.CONFLICT,
    "nothing-changes": HTTPStatus.CONFLICT,
    "withdrawn-run": HTTPStatus.CONFLICT,
    "not-withdrawn": HTTPStatus.CONFLICT,
    "id-taken": HTTPStatus.CONFLICT,
}
"""Statuses of errors of the library that are not told by their class."""
HINT_OF_CODE = {
    "no-reason": 'Send a "reason"; it is kept with the change.',
    "no-line": 'Name the line with "line".',
    "several-lines": 'Name the line with "line".',
    "withdrawn-run": 'Send "withdrawn": false and a "reason" to take it back.',
    "nothing-measured": 'Send "grade" and "recovery", or a "deck_state".',
    "trial-state": 'Send the "state": "to run" first, which opens the trial again.',
}
"""What a program does about errors whose own hint names an option of a command."""


class Problem(HighsideError):
    """A refused request, with the HTTP status of the answer.

    Args:
        status: HTTP status of the answer.
        message: what was wrong, and what was expected.
        code: stable name of the situation.
        hint: what to do next.
        headers: headers of the answer.
        more: further members of the problem document.
    """

    def __init__(
        self,
        status: int,
        message: str,
        *,
        code: str,
        hint: str = "",
        headers: Mapping[str, str] | None = None,
        more: Mapping[str, Any] | None = None,
    ) -> None:
        super().__init__(message, code=code, hint=hint)
        self.status = status
        self.headers = dict(headers or {})
        self.more = dict(more or {})


def status_of(error: HighsideError) -> int:
    """The HTTP status for an error of the library."""
    if isinstance(error, Problem):
        return error.status
    if error.code in STATUS_OF_CODE:
        return STATUS_OF_CODE[error.code]
    if isinstance(error, HistoryError):
        return HTTPStatus.SERVICE_UNAVAILABLE
    if isinstance(error, InputError | LimitError):
        return HTTPStatus.UNPROCESSABLE_ENTITY
    return HTTPStatus.BAD_REQUEST


def document(error: HighsideError) -> dict[str, Any]:
    """The problem document of an error, with further members after the standard members."""
    status = status_of(error)
    found: dict[str, Any] = {
        "type": f"urn:highside:problem:{error.code}",
        "title": HTTPStatus(status).phrase,
        "status": int(status),
        "detail": error.message,
        "code": error.code,
    }
    if error.hint:
        found["hint"] = error.hint
    if error.where:
        found["where"] = error.where
    if isinstance(error, QuestionError):
        found["questions"] = list(error.questions)
        found["hint"] = 'Correct it; if it is right, send it again with "sure": true.'
    return {**found, **getattr(error, "more", {})}


def answer(error: HighsideError) -> Response:
    """The response to a request that failed with an error."""
    found = document(error)
    if error.hint and error.code in HINT_OF_CODE:
        found["hint"] = HINT_OF_CODE[error.code]
    headers = dict(getattr(error, "headers", {}))
    if found["status"] == HTTPStatus.SERVICE_UNAVAILABLE:
        headers.setdefault("Retry-After", str(RETRY_SECONDS))
    headers["Cache-Control"] = "no-store"
    return Response(json_bytes(found), found["status"], headers, media_type=MEDIA_TYPE)


def fault() -> Problem:
    """The error for a fault of the program itself, whose details are written to the log only."""
    return Problem(
        500,
        "a fault of highside itself.",
        code="fault",
        hint="What was stored before stays stored. The service's log names the place under this "
        "answer's X-Request-ID.",
    )
