"""Who sends a request, and the entry of the audit trail for one that was refused."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass
from typing import Any

from optimizer.service.admission.access import SESSION, Access, Person
from optimizer.service.admission.origins import SIGN_IN
from optimizer.service.admission.sessions import Sessions
from optimizer.text.visible_text import printable

LONGEST_PATH = 200
"""Number of characters of the path of a refused request in the audit trail."""


@dataclass(frozen=True)
class Senders:
    """What tells who sends a request, and where a refusal is noted.

    Args:
        access: the tokens.
        sessions: the sessions of browsers.
        note: adds an entry to the audit trail, and returns when it is on disk.
    """

    access: Access
    sessions: Sessions
    note: Callable[..., Awaitable[None]]

    def person(self, authorization: str | None, cookies: Mapping[str, str]) -> Person | None:
        """The sender of a request with these headers; None for an unknown sender."""
        if self.access.open:
            return Person("local", "record", by_cookie=True)
        if authorization is not None:
            return self.access.by_header(authorization)
        return self.sessions.person(cookies.get(SESSION, ""))


def refusal_entry(scope: Mapping[str, Any], status: int) -> dict[str, Any]:
    """The entry of the audit trail for a refused request.

    It holds the path, but no query, header or body, which may hold a token.

    Args:
        scope: the request.
        status: HTTP status of the answer.
    """
    state, path = scope["state"], scope["path"]
    person = state["person"]
    return {
        "did": "sign-in-failed" if path == SIGN_IN else "refused",
        "who": person.name if person else None,
        "from": state["address"],
        "request": state["request_id"],
        "status": status,
        "why": state.get("refused"),
        "method": printable(scope["method"][:10]),
        "path": printable(path[:LONGEST_PATH]),
    }
