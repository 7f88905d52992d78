"""Where a request comes from: the host name it was sent to, and the page that sent it."""

from __future__ import annotations

from collections.abc import Sequence
from urllib.parse import urlsplit

from starlette.datastructures import Headers

from optimizer.service.exchange.problems import Problem

SIGN_IN = "/sign-in"


def check_host(headers: Headers, hosts: Sequence[str]) -> None:
    """Refuse a request to a host name that is not the service's, but leads to it all the same.

    Args:
        headers: headers of the request.
        hosts: host names that requests may be addressed to; empty for any.

    Raises:
        Problem: with status 421.
    """
    host = headers.get("host", "")
    name = host.rpartition(":")[0] if not host.endswith("]") and ":" in host else host
    if hosts and name.strip("[]").lower() not in hosts:
        raise Problem(
            421,
            "this service does not accept the host name that the request was addressed to.",
            code="other-host",
            hint="Name it with --allow-host when starting the service.",
        )


def is_foreign(path: str, headers: Headers) -> bool:
    """Whether a page of another site sent a request.

    Browsers that send no ``Sec-Fetch-Site`` name the origin. They call it ``null`` for a page that
    hides itself, but also for this service's own pages, because of their referrer policy. The forms
    of those hold a token of the page. The form for signing in holds none; its page has another
    policy instead.

    Args:
        path: path of the request.
        headers: its headers.
    """
    site, origin = headers.get("sec-fetch-site"), headers.get("origin")
    if site is not None:
        return site in ("cross-site", "same-site")
    if origin is None or (origin == "null" and path != SIGN_IN):
        return False
    try:
        sender = urlsplit(origin).netloc
    except ValueError:
        return True
    return sender.lower() != headers.get("host", "").lower()
