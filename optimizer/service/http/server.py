"""The server process: the address where it listens, and the checks before it starts."""

from __future__ import annotations

import ipaddress
import os
import signal
import sys
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

import uvicorn

from optimizer.errors import InputError
from optimizer.service.admission.access import FORM_KEY, Access
from optimizer.service.admission.form_key import stored_form_key
from optimizer.service.exchange.configuration import Configuration
from optimizer.service.http.app import create_app
from optimizer.service.http.connections import MOST_LINGERING

if sys.platform != "win32":  # which has no such limit
    import resource

LOCAL_NAMES = ("localhost", "127.0.0.1", "::1")
GRACE_SECONDS = 20
"""Seconds for which requests may continue after the server was told to end."""
KEEP_ALIVE_SECONDS = 30
BACKLOG = 256
"""Largest number of connections that wait to be accepted."""
CIPHERS = "ECDHE+AESGCM:ECDHE+CHACHA20"
"""Cipher suites of TLS 1.2, the preferred first; those of TLS 1.3 are always on. Where none
are named, some versions of uvicorn offer suites that neither encrypt nor authenticate."""
OTHER_FILES = 300
"""Files that a process opens besides the connections of senders: libraries, the history, pipes."""


@dataclass(frozen=True)
class Listening:
    """The address, processes and TLS of the server.

    Args:
        host: address at which to listen.
        port: port at which to listen; 0 for any free port.
        processes: number of processes that answer requests.
        certificate, private_key: paths of PEM files for TLS; both or neither.
        proxies: addresses of TLS proxies whose headers are trusted.

    Raises:
        InputError: when one of the two PEM files is not given or is not a file.
    """

    host: str = "127.0.0.1"
    port: int = 8765
    processes: int = 1
    certificate: Path | None = None
    private_key: Path | None = None
    proxies: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if (self.certificate is None) != (self.private_key is None):
            raise InputError("TLS needs both --certificate and --private-key.")
        for path in (self.certificate, self.private_key):
            if path is not None and not path.is_file():
                raise InputError(f"'{path}' is not a file.")

    @property
    def local(self) -> bool:
        """Whether only this machine can reach the server."""
        return is_loopback(self.host)

    @property
    def secure(self) -> bool:
        """Whether browsers reach the server over TLS."""
        return self.certificate is not None or bool(self.proxies)

    @property
    def address(self) -> str:
        """The URL of the server for a browser."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{'https' if self.certificate else 'http'}://{host}:{self.port}/"

    def host_names(self, allowed: Iterable[str]) -> tuple[str, ...]:
        """The host names that requests may be addressed to; empty for any.

        Args:
            allowed: further names besides those of this machine.
        """
        names = {name.lower().strip("[]") for name in allowed}
        if names or self.local:
            names |= {*LOCAL_NAMES, self.host.strip("[]").lower()}
        return tuple(sorted(names))


def serve(
    configuration: Configuration, listening: Listening, announce: Callable[[str], None]
) -> None:
    """Serve until the process is told to end.

    Args:
        configuration: configuration of the service.
        listening: address, processes and TLS of the server.
        announce: function that is called with each line for the person at the terminal.

    Raises:
        InputError: when a token is required and none is set, or the site file or a token cannot
            be used.
        HistoryError: when the location of the history is not a history, or the key that signs
            forms cannot be kept.
    """
    access = Access.from_environment(configuration.tokens)
    if access.open and not listening.local:
        raise InputError(
            f"--host {listening.host}: beyond this machine a token is required, and none is set.",
            code="token-required",
            hint="Set HIGHSIDE_TOKEN to a long random word, or listen at 127.0.0.1.",
        )
    if FORM_KEY not in os.environ:
        os.environ[FORM_KEY] = stored_form_key(configuration.folder)
    check_open_files(configuration.connections)
    configuration.hand_over()
    create_app(configuration)  # reports an error once here, rather than in each process
    announce(f"highside serves '{configuration.history}' at {listening.address}")
    if not access.open and not listening.secure and not listening.local:
        announce("  Without TLS, tokens can be read on the way; see DEVELOPERS.md.")
    if not access.open and not access.known:
        announce("  No token is valid, so nobody is admitted: highside token new NAME makes one.")
    # The server finishes accepted requests, then raises the signal again, which is handled here.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    uvicorn.run(
        "optimizer.service.http.app:handed_over",
        factory=True,
        host=listening.host.strip("[]"),
        port=listening.port,
        workers=listening.processes,
        ssl_certfile=str(listening.certificate) if listening.certificate else None,
        ssl_keyfile=str(listening.private_key) if listening.private_key else None,
        ssl_ciphers=CIPHERS,
        proxy_headers=bool(listening.proxies),
        forwarded_allow_ips=list(listening.proxies),
        server_header=False,
        access_log=False,
        log_config=None,
        http="optimizer.service.http.connections:Connection",
        loop="optimizer.service.http.connections:Loop",
        backlog=BACKLOG,
        timeout_graceful_shutdown=GRACE_SECONDS,
        timeout_keep_alive=KEEP_ALIVE_SECONDS,
    )


def check_open_files(connections: int) -> None:
    """See to it that the system lets a process open as many files as its connections may need.

    The limit of the process is raised where the system allows that.

    Args:
        connections: largest number of connections of senders; 0 for no limit.

    Raises:
        InputError: when the system allows fewer.
    """
    if sys.platform == "win32":
        return
    needed = connections + MOST_LINGERING + OTHER_FILES
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if soft == resource.RLIM_INFINITY or soft >= needed:
        return
    if hard != resource.RLIM_INFINITY and hard < needed:
        fewer = max(0, hard - MOST_LINGERING - OTHER_FILES)
        raise InputError(
            f"--connections {connections} needs {needed} open files, and the system allows {hard}.",
            code="open-files",
            hint="Raise the limit (LimitNOFILE= of a systemd unit, 'ulimit -n' of a shell)"
            + (f", or use --connections {fewer}." if fewer else "."),
        )
    resource.setrlimit(resource.RLIMIT_NOFILE, (needed, hard))


def is_loopback(host: str) -> bool:
    """Whether only this machine can reach a service that listens at ``host``."""
    name = host.strip("[]")
    try:
        return ipaddress.ip_address(name).is_loopback
    except ValueError:
        return name.lower() == "localhost"
