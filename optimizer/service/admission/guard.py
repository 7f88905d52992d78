"""The first check of every request: its sender, its host name, its size and its rate.

After the answer the guard adds headers, writes the log and updates the counters.

The headers are taken from the OWASP Secure Headers Project's list of proposed values, as far as
they apply to pages and an API without third parties.
"""

from __future__ import annotations

import secrets
import time
from collections import Counter, OrderedDict
from collections.abc import Awaitable, Callable, Mapping
from typing import Any

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from optimizer.errors import HighsideError
from optimizer.service.admission.access import Person, read_cookies
from optimizer.service.admission.origins import SIGN_IN, check_host, is_foreign
from optimizer.service.admission.senders import Senders, refusal_entry
from optimizer.service.admission.sent_forms import SentForm, is_form, stored_cookie
from optimizer.service.exchange import problems
from optimizer.service.exchange.configuration import Configuration
from optimizer.service.exchange.log_lines import log
from optimizer.service.exchange.metrics import OTHER, Metrics
from optimizer.service.exchange.problems import Problem
from optimizer.service.exchange.queries import check_query
from optimizer.text.names import composed

Refuse = Callable[[HighsideError, Request], Awaitable[Response]]

HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "deny",
    "X-Permitted-Cross-Domain-Policies": "none",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Embedder-Policy": "require-corp",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
    "X-DNS-Prefetch-Control": "off",
    "Content-Security-Policy": "default-src 'none'; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'",
    "Cache-Control": "no-store",
}
STRICT_TRANSPORT = "max-age=63072000; includeSubDomains"
OPEN_PATHS = ("/health", SIGN_IN, "/static/icon.svg")
"""Paths that need no token: the health check, and the sign-in form with its icon."""
UPLOADS = ("/v1/runs", "/upload")
"""Paths whose bodies may be large: files, and below ``/uploads/`` the corrected rows of a file."""
SAFE = ("GET", "HEAD", "OPTIONS")
SIGN_INS_A_MINUTE = 10
REFUSALS_A_MINUTE = 60
"""How many requests of one address are answered with 401 in a minute; further ones get 429. Each
401 is an entry of the audit trail, which nobody without a token may fill."""
ALL_REFUSALS_A_SECOND = 5.0
"""The same for all addresses together."""
AUDITED = (401, 403)
MOST_ADDRESSES = 10_000
"""Largest number of addresses whose rate is stored; the address that was silent for longest is
dropped first."""
BURST = 10.0
"""Size of a burst: the requests of this many seconds may come at once."""


class Rate:
    """A bucket of permits for each address, filled at a steady rate.

    Args:
        a_second: permits added in each second; 0 for no limit.
        most: largest number of permits that a bucket holds.
    """

    def __init__(self, a_second: float, most: float) -> None:
        self.a_second = a_second
        self.most = most
        self._buckets: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def wait(self, address: str) -> float:
        """Take a permit and return 0; where there is none, return the seconds until the next
        one."""
        if not self.a_second:
            return 0.0
        now = time.monotonic()
        left, since = self._buckets.pop(address, (self.most, now))
        left = min(self.most, left + (now - since) * self.a_second)
        granted = left >= 1.0
        self._buckets[address] = (left - granted, now)
        if len(self._buckets) > MOST_ADDRESSES:
            self._buckets.popitem(last=False)
        return 0.0 if granted else (1.0 - left) / self.a_second


class Guard:
    """The middleware that checks every request and completes every answer.

    Args:
        app: the application that answers admitted requests.
        configuration: limits, hosts and transport.
        senders: tokens, sessions and the audit trail.
        metrics: counters of requests.
        refuse: function from an error and its request to an answer; where the request is a form,
            ``request.state.form`` has what was typed.
    """

    def __init__(
        self,
        app: ASGIApp,
        configuration: Configuration,
        senders: Senders,
        metrics: Metrics,
        refuse: Refuse,
    ) -> None:
        self.refuse = refuse
        self.app = app
        self.configuration = configuration
        self.senders = senders
        self.metrics = metrics
        self.rate = Rate(configuration.rate, configuration.rate * BURST)
        self.sign_ins = Rate(SIGN_INS_A_MINUTE / 60, SIGN_INS_A_MINUTE)
        self.refusals = Rate(REFUSALS_A_MINUTE / 60, REFUSALS_A_MINUTE)
        self.all_refusals = Rate(ALL_REFUSALS_A_SECOND, 60 * ALL_REFUSALS_A_SECOND)
        self._at_once: Counter[str] = Counter()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Check one request, let the application answer it, and complete the answer."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        began, status = time.perf_counter(), 500
        request_id = secrets.token_hex(8)
        headers = Headers(scope=scope)
        cookies = read_cookies(headers.get("cookie", ""), self.configuration.secure)
        state = scope.setdefault("state", {})
        address = _address(scope)
        state.update(request_id=request_id, cookies=cookies, address=address, person=None)
        started = False
        self._at_once[address] += 1

        async def answer(message: Message) -> None:
            nonlocal status, started
            if message["type"] == "http.response.start":
                started, status = True, message["status"]
                if status in AUDITED:
                    await self._note_refusal(scope, status)
                self._dress(MutableHeaders(scope=message), scope, status)
            await send(message)

        try:
            self._refuse_other_pages(scope, headers)
            if is_form(scope, headers):
                state["form"] = form = SentForm(receive, self.configuration.body_bytes)
                receive = form.receive
            state["person"] = self._admit(scope, headers, cookies)
            await self.app(scope, self._counted(scope, headers, receive), answer)
        except HighsideError as error:
            if not started:
                refused = await self.refuse(error, Request(scope))
                await refused(scope, receive, answer)
        except ClientDisconnect:
            status = 400  # what was sent is not whole, and nobody is there to be told
        except Exception:
            log.exception("fault", extra={"fields": {"request": request_id}})
            if not started:
                refused = await self.refuse(problems.fault(), Request(scope))
                await refused(scope, receive, answer)
        finally:
            self._at_once[address] -= 1
            if not self._at_once[address]:
                del self._at_once[address]
            self._note(scope, status, time.perf_counter() - began)

    # -- before ------------------------------------------------------------------------------

    def _admit(self, scope: Scope, headers: Headers, cookies: Mapping[str, str]) -> Person | None:
        """The sender of a request that is admitted.

        Raises:
            Problem: when the request is not admitted.
        """
        method, path, address = scope["method"], scope["path"], _address(scope)
        if path == "/health":
            return None
        # Behind a proxy all connections are the proxy's, so requests are counted here as well.
        if 0 < self.configuration.connections_each < self._at_once[address]:
            raise Problem(
                429,
                f"{self.configuration.connections_each} requests of this address are under way.",
                code="too-many-at-once",
                hint="Wait for the answer to one of them.",
                headers={"Retry-After": str(problems.RETRY_SECONDS)},
            )
        wait = self.rate.wait(address)
        if path == SIGN_IN and method == "POST":
            wait = max(wait, self.sign_ins.wait(address))
        if wait:
            raise _too_many(wait)
        person = self.senders.person(headers.get("authorization"), cookies)
        if person is None and path not in OPEN_PATHS:
            self._count_refusal(address)
            raise Problem(
                401,
                "a token is needed, and this request has none, or an unknown one.",
                code="token-needed",
                hint="Send it as 'Authorization: Bearer TOKEN', or sign in on the page.",
                headers={"WWW-Authenticate": 'Bearer realm="highside"'},
            )
        scope["query_string"] = check_query(scope["query_string"])
        scope["path"] = composed(path)
        api = path.startswith("/v1/")
        by_browser = person and person.by_cookie and not self.senders.access.open
        if by_browser and api and method not in SAFE:
            raise Problem(
                403,
                "a browser session may not send this request, since another page could cause it.",
                code="bearer-needed",
                hint="Send the token as 'Authorization: Bearer TOKEN'.",
            )
        return person

    def _refuse_other_pages(self, scope: Scope, headers: Headers) -> None:
        """Refuse what a foreign page sent, also under a host name of its own that leads here."""
        if scope["path"] == "/health":
            return
        check_host(headers, self.configuration.hosts)
        if scope["method"] not in SAFE and is_foreign(scope["path"], headers):
            self._count_refusal(_address(scope))
            raise Problem(403, "sent by a page of another site.", code="other-site")

    def _count_refusal(self, address: str) -> None:
        """Count a refusal of a sender who may be anybody.

        Raises:
            Problem: with status 429, which the audit trail does not note, when there are too many.
        """
        if wait := max(self.refusals.wait(address), self.all_refusals.wait("")):
            raise _too_many(wait)

    def _counted(self, scope: Scope, headers: Headers, receive: Receive) -> Receive:
        """A ``receive`` that refuses a body above the limit, by its stated size or while it
        arrives."""
        upload = scope["path"] in UPLOADS or scope["path"].startswith("/uploads/")
        most = self.configuration.upload_bytes if upload else self.configuration.body_bytes
        stated = headers.get("content-length", "0")
        if not stated.isascii() or not stated.isdecimal() or int(stated[:18]) > most:
            raise _too_large(most)
        taken = 0

        async def counted() -> Message:
            nonlocal taken
            message = await receive()
            taken += len(message.get("body", b""))
            if taken > most:
                raise _too_large(most)
            return message

        return counted

    # -- after -------------------------------------------------------------------------------

    def _dress(self, headers: MutableHeaders, scope: Scope, status: int) -> None:
        for name, value in HEADERS.items():
            headers.setdefault(name, value)
        headers["X-Request-ID"] = scope["state"]["request_id"]
        if self.configuration.secure:
            headers["Strict-Transport-Security"] = STRICT_TRANSPORT
        if cookie := stored_cookie(scope, status, self.configuration.secure):
            headers.append("Set-Cookie", cookie)

    async def _note_refusal(self, scope: Scope, status: int) -> None:
        """Note a refusal in the audit trail before it is answered."""
        entry = refusal_entry(scope, status)
        try:
            await self.senders.note(**entry)
        except HighsideError as error:  # the refusal holds all the same
            log.error("audit", extra={"fields": {"reason": error.message, **entry}})

    def _note(self, scope: Scope, status: int, seconds: float) -> None:
        route = getattr(scope.get("route"), "path", OTHER)
        method = scope["method"] if scope["method"].isalpha() else OTHER
        self.metrics.request(method[:10], route, status, seconds)
        person = scope["state"].get("person")
        fields: dict[str, Any] = {
            "request": scope["state"]["request_id"],
            "from": scope["state"]["address"],
            "who": person.name if person else None,
            "method": method[:10],
            "route": route,
            "status": status,
            "ms": round(seconds * 1000, 1),
        }
        log.info("request", extra={"fields": fields})


def _too_many(wait: float) -> Problem:
    return Problem(
        429,
        "too many requests from this address.",
        code="too-many-requests",
        hint="Wait as long as Retry-After says.",
        headers={"Retry-After": str(max(1, round(wait)))},
    )


def _address(scope: Scope) -> str:
    client = scope.get("client")
    return client[0] if client else "unknown"


def _too_large(most: int) -> Problem:
    return Problem(
        413,
        f"the body is larger than {most} bytes.",
        code="too-large",
        hint="Send it in parts; rows that are already stored are not added twice.",
    )
