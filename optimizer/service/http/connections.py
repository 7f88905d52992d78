"""The door of the service: how many connections there may be, and how long one may keep it waiting.

A connection costs nothing to open, and a request without an end costs nothing to send. So headers
have to arrive within some seconds, a body or the taking of an answer may not pause for long, and
connections are counted, those of each sender and all. What is refused here is told by a prepared
answer, before anything is read: a problem document (RFC 9457).

Behind a proxy all connections have the proxy's address. Such an address has no limit of its own
here; the guard counts the requests of the address that the proxy states.
"""

from __future__ import annotations

import asyncio
import json
from collections import Counter
from functools import cache
from http import HTTPStatus
from typing import Any

import h11
from uvicorn.middleware.proxy_headers import ProxyHeadersMiddleware
from uvicorn.protocols.http.h11_impl import H11Protocol

from optimizer.service.exchange import problems
from optimizer.service.exchange.configuration import Configuration
from optimizer.service.exchange.log_lines import log
from optimizer.service.exchange.problems import Problem

LINGER_SECONDS = 1.0
"""Seconds in which a refused sender can read why, before its connection is closed."""
MOST_LINGERING = 128
"""Largest number of refused connections that are told so at a time; further ones are closed."""


class Door:
    """The connections of one process.

    Args:
        configuration: the limits, and the proxies, whose addresses have no limit of their own.
    """

    def __init__(self, configuration: Configuration) -> None:
        self.configuration = configuration
        self.lingering = 0
        self._proxies = ProxyHeadersMiddleware(_nothing, list(configuration.proxies)).trusted_hosts
        self._each: Counter[str] = Counter()
        self._all = 0

    def enter(self, address: str) -> Problem | None:
        """Count a connection; where there are too many, the refusal instead."""
        most, each = self.configuration.connections, self.configuration.connections_each
        if 0 < most <= self._all:
            return _too_many(503, f"{most} connections are open, and no more are possible.")
        if 0 < each <= self._each[address] and address not in self._proxies:
            return _too_many(429, f"{each} connections of this address are open.")
        self._all += 1
        self._each[address] += 1
        return None

    def leave(self, address: str) -> None:
        """Count a connection no longer."""
        self._all -= 1
        self._each[address] -= 1
        if not self._each[address]:
            del self._each[address]


class Connection(H11Protocol):
    """One connection, which is refused where there are too many, and cut off where it pauses."""

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self._door = door()
        self._limits = self._door.configuration
        self._entered: str | None = None
        self._refused = False
        self._lingers = False
        self._timers: dict[str, asyncio.TimerHandle] = {}

    # -- the life of a connection ------------------------------------------------------------

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Count the connection, or refuse it; headers have to arrive from now on."""
        super().connection_made(transport)
        address = self.client[0] if self.client else "unknown"
        refused = self._door.enter(address)
        if refused is None:
            self._entered = address
            self._start("headers", self._limits.header_seconds)
            return
        log.warning("connection refused", extra={"fields": {"status": refused.status}})
        if self._door.lingering < MOST_LINGERING:
            self._door.lingering += 1
            self._lingers = True
            self._refuse(refused)
        else:
            self._refused = True
            transport.abort()

    def connection_lost(self, exc: Exception | None) -> None:
        """Count the connection no longer."""
        for name in list(self._timers):
            self._stop(name)
        if self._entered is not None:
            self._door.leave(self._entered)
            self._entered = None
        if self._lingers:
            self._door.lingering -= 1
            self._lingers = False
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Take what arrived, and set the time until which more has to arrive."""
        if self._refused:
            return
        super().data_received(data)
        if self._refused or self.transport.is_closing():
            return
        cycle = self.cycle
        if cycle is None or cycle.response_complete:
            if "headers" not in self._timers:  # further bytes give no more time
                self._start("headers", self._limits.header_seconds)
            return
        self._stop("headers")
        self._stop("body")
        if cycle.more_body:
            self._start("body", self._limits.pause_seconds)

    def on_response_complete(self) -> None:
        """Wait for the next request, for as long as connections are kept."""
        self._stop("headers")
        self._stop("body")
        super().on_response_complete()

    def pause_writing(self) -> None:
        """Wait until the sender takes what was answered, though not for ever."""
        super().pause_writing()
        self._start("answer", self._limits.pause_seconds)

    def resume_writing(self) -> None:
        """Go on answering."""
        self._stop("answer")
        super().resume_writing()

    # -- what is cut off ---------------------------------------------------------------------

    def _start(self, name: str, seconds: float) -> None:
        self._stop(name)
        self._timers[name] = self.loop.call_later(seconds, self._late, name, seconds)

    def _stop(self, name: str) -> None:
        if timer := self._timers.pop(name, None):
            timer.cancel()

    def _late(self, name: str, seconds: float) -> None:
        """End the connection, which kept the service waiting."""
        self._stop(name)
        if name == "body" and self.flow.read_paused:  # the service itself does not read
            self._start(name, seconds)
            return
        log.warning("connection cut off", extra={"fields": {"late": name}})
        answered = self.cycle is not None and self.cycle.response_started
        if name == "answer" or answered or self.transport.is_closing():
            self.transport.abort()
            return
        what = "the headers of a request" if name == "headers" else "the next part of a body"
        said = f"{what} did not arrive within {seconds:g} s."
        hint = "Send the request again, without a pause."
        self._refuse(Problem(408, said, code="too-slow", hint=hint))

    def send_400_response(self, msg: str) -> None:
        """Refuse what is not HTTP."""
        self._refuse(Problem(400, "this is not an HTTP request.", code="not-http"))

    def _refuse(self, error: Problem) -> None:
        """Send a refusal, and end the connection once it could be read."""
        self._refused = True
        if self.conn.our_state in (h11.IDLE, h11.SEND_RESPONSE):
            self.transport.write(_answer(error))
        if self.transport.can_write_eof():
            self.transport.write_eof()
        if self.cycle is not None and not self.cycle.response_complete:
            self.cycle.disconnected = True  # whoever reads the body is told that it ended
            self.cycle.message_event.set()
        self.loop.call_later(LINGER_SECONDS, self.transport.abort)


class Loop(asyncio.SelectorEventLoop):
    """An event loop in which senders have no longer for the handshake of TLS than for headers."""

    async def create_server(self, *args: Any, **more: Any) -> asyncio.Server:
        """A server, as of the base class."""
        if more.get("ssl") is not None:
            more["ssl_handshake_timeout"] = door().configuration.header_seconds
        return await super().create_server(*args, **more)


@cache
def door() -> Door:
    """The door of this process, with the configuration that its parent stored."""
    return Door(Configuration.handed_over())


async def _nothing(*_: Any) -> None:
    """An application that answers nothing, where only the list of proxies is wanted."""


def _too_many(status: int, said: str) -> Problem:
    return Problem(
        status, said, code="too-many-connections",
        hint="Close some, or come back in a few seconds.",
        headers={"Retry-After": str(problems.RETRY_SECONDS)},
    )  # fmt: skip


def _answer(error: Problem) -> bytes:
    """The bytes of a refusal, after which the connection is closed."""
    content = json.dumps(problems.document(error)).encode()
    headers = {
        "Content-Type": problems.MEDIA_TYPE, "Content-Length": str(len(content)),
        "Cache-Control": "no-store", "Connection": "close", **error.headers,
    }  # fmt: skip
    lines = [f"HTTP/1.1 {error.status} {HTTPStatus(error.status).phrase}"]
    lines += [f"{name}: {value}" for name, value in headers.items()]
    return "\r\n".join([*lines, "", ""]).encode() + content
