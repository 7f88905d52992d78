"""The door of the service: what is refused or cut off there, and that others come in meanwhile."""

from __future__ import annotations

import json
import logging
import resource
import socket
import sys
from contextlib import ExitStack
from dataclasses import replace
from types import SimpleNamespace

import pytest

from optimizer.errors import InputError
from optimizer.service.exchange.configuration import VARIABLE, Configuration
from optimizer.service.exchange.log_lines import AT_ONCE, JsonLines, Thinned
from optimizer.service.http import app
from optimizer.service.http.connections import Door
from optimizer.service.http.server import check_open_files
from tests.serving import SECONDS, TOKEN, ask, started

OTHER = "127.0.0.2"
"""Another address of this machine, as of another sender (RFC 1122, section 3.2.1.3: all of
127.0.0.0/8 is this machine)."""
LATE = "--header-seconds", "0.5", "--pause-seconds", "0.5"
HEAD = (
    b"POST /v1/runs HTTP/1.1\r\nHost: 127.0.0.1\r\nAuthorization: Bearer "
    + TOKEN.encode()
    + b"\r\nContent-Type: text/csv\r\nContent-Length: 1000\r\n\r\n"
)


def connect(port: int, source: str = OTHER) -> socket.socket:
    return socket.create_connection(("127.0.0.1", port), SECONDS, source_address=(source, 0))


def answer(link: socket.socket) -> tuple[int, dict[str, str], dict]:
    """Status, headers and problem document of an answer after which the connection is closed."""
    found = b""
    while part := link.recv(4096):
        found += part
    head, _, body = found.partition(b"\r\n\r\n")
    first, *lines = head.decode().split("\r\n")
    headers = {k.lower(): v for k, v in (line.split(": ", 1) for line in lines)}
    return int(first.split()[1]), headers, json.loads(body)


def is_problem(link: socket.socket, status: int, code: str) -> dict:
    got, headers, found = answer(link)
    assert (got, found["status"], found["code"]) == (status, status, code), found
    assert headers["content-type"] == "application/problem+json"  # RFC 9457, section 3
    assert {"type", "title", "detail"} <= set(found)
    return found


WAITING = {
    "headers": (b"", b"GET /health HTTP/1.1\r\nHost: 127.0.0.1\r\nX-"),
    "body": (HEAD + b"line,grade\n",),
}
"""What a sender sends before it waits for ever, by what the service then misses."""


def test_who_keeps_the_service_waiting_is_cut_off(tmp_path):
    with started(tmp_path, *LATE) as (_, port):
        for said, each in WAITING.items():
            for sent in each:
                with connect(port) as link:
                    link.sendall(sent)
                    assert said in is_problem(link, 408, "too-slow")["detail"]
        with connect(port) as link:
            link.sendall(b"\x16\x03\x01\x02\r\n\r\n")  # as TLS begins (RFC 8446, section 5.1)
            is_problem(link, 400, "not-http")
        assert json.loads(ask(port, "/v1/history"))["runs"] == 0
    logged = (tmp_path / "log.txt").read_text()
    assert logged.count("connection cut off") == 3
    assert '"event": "fault"' not in logged


def asked_for(address: bytes) -> bytes:
    """A request that a proxy passes on for the sender of an address."""
    return (
        b"GET /v1/history HTTP/1.1\r\nX-Forwarded-For: %b\r\nHost: 127.0.0.1\r\n"
        b"Connection: close\r\nAuthorization: Bearer %b\r\n\r\n" % (address, TOKEN.encode())
    )


def test_each_sender_has_connections_and_all_together(tmp_path):
    some = "--connections", "7", "--connections-each", "3", "--proxy", "127.0.0.1"
    with started(tmp_path, *some) as (_, port), ExitStack() as open_links:
        # A proxy has more connections than a sender, but each of its senders has no more requests.
        for _ in range(3):  # their bodies are awaited
            link = open_links.enter_context(connect(port, "127.0.0.1"))
            passed = b"Expect: 100-continue\r\nX-Forwarded-For: 203.0.113.9\r\nHost"
            link.sendall(HEAD.replace(b"Host", passed))
            assert link.recv(100).startswith(b"HTTP/1.1 100 ")
        with connect(port, "127.0.0.1") as link:
            link.sendall(asked_for(b"203.0.113.9"))
            is_problem(link, 429, "too-many-at-once")
        for _ in range(3):
            open_links.enter_context(connect(port))
        with connect(port) as link:
            found = is_problem(link, 429, "too-many-connections")
        assert "3 connections of this address" in found["detail"]
        with connect(port, "127.0.0.1") as link:  # others are answered meanwhile
            link.sendall(asked_for(b"203.0.113.8"))
            assert answer(link)[0] == 200
        open_links.enter_context(connect(port, "127.0.0.3"))
        with connect(port, "127.0.0.4") as link:
            found = is_problem(link, 503, "too-many-connections")
        assert "7 connections are open" in found["detail"]


def test_connections_of_a_proxy_have_no_limit_of_their_own():
    door = Door(Configuration("h", proxies=("192.0.2.0/24",), connections=6, connections_each=2))
    assert [door.enter("198.51.100.1") is None for _ in range(3)] == [True, True, False]
    assert all(door.enter("192.0.2.7") is None for _ in range(4))
    assert door.enter("192.0.2.7").status == 503
    door.leave("198.51.100.1")
    assert door.enter("198.51.100.1") is None


# -- files and lines ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("limits", "most", "raised"),
    [
        ((1024, 4096), 512, None),
        ((256, 4096), 512, 940),
        ((256, 900), 512, "--connections 472"),
        ((100, 100), 64, "LimitNOFILE"),
        ((resource.RLIM_INFINITY, resource.RLIM_INFINITY), 9999, None),
    ],
)
def test_open_files_are_enough_or_the_start_is_refused(monkeypatch, limits, most, raised):
    asked = []
    monkeypatch.setattr(resource, "getrlimit", lambda _: limits)
    monkeypatch.setattr(resource, "setrlimit", lambda _, given: asked.append(given[0]))
    if isinstance(raised, str):
        with pytest.raises(InputError) as refused:
            check_open_files(most)
        assert raised in refused.value.hint
    else:
        check_open_files(most)
    assert asked == ([raised] if isinstance(raised, int) else [])


def test_lines_of_one_kind_are_thinned_and_counted(monkeypatch):
    now = SimpleNamespace(seconds=0.0)
    stands = SimpleNamespace(monotonic=lambda: now.seconds)
    monkeypatch.setattr("optimizer.service.exchange.log_lines.time", stands)
    thinned = Thinned()

    def written(status: int = 401, who: str | None = None) -> dict | None:
        record = logging.LogRecord("highside.service", logging.INFO, "", 0, "request", (), None)
        record.fields = {"route": "/v1/runs", "status": status, "who": who, "request": object()}
        return json.loads(JsonLines().format(record)) if thinned.filter(record) else None

    assert sum(written() is not None for _ in range(1000)) == AT_ONCE
    assert written(status=200, who="mill") is not None  # of another kind
    now.seconds = 1.0
    assert [bool(written()) for _ in range(7)] == [True] * 5 + [False] * 2
    now.seconds = 2.0
    assert written()["left_out"] == 2
    assert "left_out" not in written()


def test_kinds_of_lines_do_not_grow_without_end(monkeypatch):
    thinned = Thinned()
    for k in range(2000):
        record = logging.LogRecord("x", logging.INFO, "", 0, f"event {k}", (), None)
        thinned.filter(record)
    assert len(thinned._kinds) == 500


def test_the_limits_reach_the_processes_that_answer(monkeypatch):
    monkeypatch.setenv(VARIABLE, "")
    before = replace(Configuration("h"), proxies=("192.0.2.1",), hosts=("a",), connections=7)
    before.hand_over()
    assert Configuration.handed_over() == before


def test_a_process_that_answers_lets_its_threads_take_turns_often(monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv(VARIABLE, "")
    Configuration("h").hand_over()
    before = sys.getswitchinterval()
    try:
        app.handed_over()
        assert sys.getswitchinterval() < before / 5
    finally:
        sys.setswitchinterval(before)
