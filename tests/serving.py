"""Starts the service in a separate process or thread, for tests and benchmarks."""

from __future__ import annotations

import json
import os
import socket
import ssl
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import uvicorn

COMMAND = [Path(sys.executable).with_name("highside"), "serve"]
TOKEN = "the-token-of-the-tests"
SECONDS = 600
"""What has not come by then never will. Nothing but the report of a fault waits for so long."""


def free_port() -> int:
    """A free TCP port of this machine."""
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return found.getsockname()[1]


def ask(
    port: int,
    path: str,
    body=None,
    token: str | None = TOKEN,
    tls: ssl.SSLContext | None = None,
    **more: str,
) -> bytes:
    """Send one request: body as JSON, ``more`` as headers, over TLS when ``trust`` is given."""
    headers = {"Content-Type": "application/json"}
    headers |= {} if token is None else {"Authorization": f"Bearer {token}"}
    headers |= {name.replace("_", "-"): value for name, value in more.items()}
    content = None if body is None else json.dumps(body).encode()
    address = f"{'https' if tls else 'http'}://127.0.0.1:{port}{path}"
    request = urllib.request.Request(address, content, headers)
    with urllib.request.urlopen(request, timeout=SECONDS, context=tls) as answer:
        return answer.read()


def start(folder: Path, port: int, *options: str, token: str | None = TOKEN) -> subprocess.Popen:
    """Start the service over ``folder/history``; return its process once it answers."""
    tls = None
    if "--certificate" in options:
        tls = ssl.create_default_context(cafile=options[options.index("--certificate") + 1])
    with open(folder / "log.txt", "ab") as log:
        process = subprocess.Popen(
            [*COMMAND, "--port", str(port), "--rate", "0", *options],
            cwd=folder,
            env={**os.environ, "HIGHSIDE_TOKEN": token or ""},
            stderr=log,
        )
    deadline = time.monotonic() + SECONDS
    while True:
        try:
            ask(port, "/health", token=None, tls=tls)
            return process
        except OSError:
            if process.poll() is not None or time.monotonic() > deadline:
                process.kill()
                said = (folder / "log.txt").read_text(encoding="utf-8")
                raise AssertionError(f"the service did not start: {said}") from None
            time.sleep(0.05)


@contextmanager
def started(
    folder: Path, *options: str, token: str | None = TOKEN
) -> Iterator[tuple[subprocess.Popen, int]]:
    """Run the service during the ``with`` block; gives its process and port."""
    port = free_port()
    process = start(folder, port, *options, token=token)
    try:
        yield process, port
    finally:
        process.kill()
        process.wait()


@contextmanager
def in_thread(app: Any) -> Iterator[int]:
    """Run a service in a thread of this process, so that a test can patch it; gives its port."""
    port = free_port()
    server = uvicorn.Server(uvicorn.Config(app, port=port, log_level="warning"))
    thread = threading.Thread(target=server.run)
    thread.start()
    try:
        deadline = time.monotonic() + SECONDS
        while not server.started:
            if not thread.is_alive() or time.monotonic() > deadline:
                raise AssertionError("the service did not start")
            time.sleep(0.01)
        yield port
    finally:
        server.should_exit = True
        thread.join()
