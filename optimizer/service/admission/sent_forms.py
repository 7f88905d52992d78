"""Forms that browsers sent: what was typed outlives a refusal, and what was stored is said so."""

from __future__ import annotations

import re
from collections.abc import Mapping
from urllib.parse import parse_qsl

from starlette.datastructures import Headers
from starlette.types import Message, Receive, Scope

from optimizer.service.exchange.queries import MOST_FIELDS
from optimizer.text.visible_text import fits_in_a_page

KEEP = "keep"
"""Name in a form's address of the number under which the browser keeps what is typed."""
STORED = "highside_stored_"
"""Beginning of the name of the cookie that tells a page's script which form was stored."""
STORED_SECONDS = 600
SECRET = ("/sign-in", "/sign-out")
"""Forms whose fields are never shown again."""
_NUMBER = re.compile(r"[0-9a-f]{1,32}")


class SentForm:
    """The body of a form as it arrives, which can be read again when the form is refused.

    Args:
        receive: channel from which the application reads the body.
        most: largest size of a body that is noted, bytes.
    """

    def __init__(self, receive: Receive, most: int) -> None:
        self._receive = receive
        self._left = most
        self._parts: list[bytes] = []
        self._ended = False

    async def receive(self) -> Message:
        """The next message, of which the body is noted."""
        message = await self._receive()
        part = message.get("body", b"")
        self._left -= len(part)
        self._parts.append(part)
        self._ended = not message.get("more_body", False)
        return message

    async def fields(self) -> dict[str, str]:
        """The fields that were filled in, as far as they are text; none of a body too large."""
        while not self._ended and self._left >= 0:
            await self.receive()
        return readable_fields(b"".join(self._parts)) if self._left >= 0 else {}


def is_form(scope: Scope, headers: Headers) -> bool:
    """Whether a request is a form of a page that a person filled in."""
    return (
        scope["method"] == "POST"
        and not scope["path"].startswith("/v1/")
        and scope["path"] not in SECRET
        and "text/html" in headers.get("accept", "")
        and headers.get("content-type", "").startswith("application/x-www-form-urlencoded")
    )


def readable_fields(body: bytes) -> dict[str, str]:
    """The filled-in fields of a form, without characters that no page can show."""
    try:
        found = parse_qsl(body.decode("utf-8", "replace"), max_num_fields=MOST_FIELDS)
    except ValueError:
        return {}
    return {
        name: "".join(each for each in value if fits_in_a_page(each))
        for name, value in found
        if fits_in_a_page(name)
    }


def stored_cookie(scope: Scope, status: int, secure: bool) -> str:
    """The cookie that says that a form was stored; empty where none was.

    Pages answer a form that was stored with another address. A script of the next page reads the
    cookie, and then forgets what it kept of that form. The cookie's name holds the number, so that
    forms sent at the same time do not hide each other.
    """
    if scope["method"] != "POST" or not 300 <= status < 400 or scope["path"].startswith("/v1/"):
        return ""
    asked: Mapping[str, str] = dict(parse_qsl(scope["query_string"].decode("ascii", "replace")))
    number = asked.get(KEEP, "")
    if not _NUMBER.fullmatch(number):
        return ""
    flags = "; Secure" if secure else ""
    return f"{STORED}{number}=1; Path=/; Max-Age={STORED_SECONDS}; SameSite=Strict{flags}"
