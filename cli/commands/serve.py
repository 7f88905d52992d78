"""``highside serve``: the service over one history."""

from __future__ import annotations

import ipaddress
import os
import secrets
import signal
import sys
from pathlib import Path
from typing import Annotated

import typer

from cli.options import DEFAULT_SITE, HistoryOption, SeedOption, SiteOption
from optimizer.errors import InputError

LOCAL_NAMES = ("localhost", "127.0.0.1", "::1")
GRACE_SECONDS = 60
MIB = 1 << 20


def serve(
    host: Annotated[str, typer.Option("--host", metavar="ADDRESS", help="To listen at.")] = (
        "127.0.0.1"
    ),
    port: Annotated[
        int, typer.Option("--port", metavar="N", min=0, max=65535, help="To listen at.")
    ] = 8765,
    processes: Annotated[
        int, typer.Option("--processes", metavar="N", min=1, max=64, help="That answer.")
    ] = 1,
    tokens: Annotated[
        Path | None, typer.Option("--tokens", metavar="FILE", help="Named tokens (TOML).")
    ] = None,
    certificate: Annotated[
        Path | None, typer.Option("--certificate", metavar="FILE", help="For TLS (PEM).")
    ] = None,
    private_key: Annotated[
        Path | None, typer.Option("--private-key", metavar="FILE", help="For TLS (PEM).")
    ] = None,
    allow_host: Annotated[
        list[str] | None,
        typer.Option("--allow-host", metavar="NAME", help="It may be addressed by; repeat."),
    ] = None,
    proxy: Annotated[
        list[str] | None,
        typer.Option("--proxy", metavar="ADDRESS", help="Of a TLS proxy to believe; repeat."),
    ] = None,
    rate: Annotated[
        float, typer.Option("--rate", metavar="N", min=0, help="Requests/s of an address; 0: any.")
    ] = 50.0,
    max_upload: Annotated[
        int, typer.Option("--max-upload", metavar="MIB", min=1, max=1024, help="Of one body.")
    ] = 32,
    state: Annotated[
        Path | None,
        typer.Option(
            "--state", metavar="DIR", help="Audit and kept answers. [default: HISTORY-service]"
        ),
    ] = None,
    location: HistoryOption = "history",
    site: SiteOption = None,
    seed: SeedOption = 0,
) -> None:
    """Serve one history to many: the HTTP interface and a page for the tablet at the deck."""
    from cli.output import check_seed
    from optimizer.service.access import FORM_KEY, Access
    from optimizer.service.options import Options

    access = Access.from_environment(str(tokens) if tokens else "")
    local = is_loopback(host)
    if access.open and not local:
        raise InputError(
            f"--host {host}: beyond this machine a token is required, and none is set.",
            code="token-required",
            hint="Set HIGHSIDE_TOKEN to a long random word, or listen at 127.0.0.1.",
        )
    if (certificate is None) != (private_key is None):
        raise InputError("TLS needs both --certificate and --private-key.")
    for path in (certificate, private_key):
        if path is not None and not path.is_file():
            raise InputError(f"'{path}' is not a file.")
    if site is None and DEFAULT_SITE.is_file():
        site = DEFAULT_SITE
    names = {name.lower().strip("[]") for name in allow_host or ()}
    if names or local:
        names |= {*LOCAL_NAMES, host.strip("[]").lower()}
    options = Options(
        history=location,
        site=str(site) if site else None,
        seed=check_seed(seed),
        state=str(state) if state else "",
        tokens=str(tokens) if tokens else "",
        hosts=tuple(sorted(names)),
        secure=certificate is not None or bool(proxy),
        upload_bytes=max_upload * MIB,
        rate=rate,
    )
    os.environ.setdefault(FORM_KEY, secrets.token_hex(32))
    options.hand_over()

    import uvicorn

    from optimizer.service.app import create_app

    create_app(options, access)  # what is wrong is said now, not by each process
    scheme = "https" if certificate else "http"
    shown = f"[{host}]" if ":" in host else host
    typer.echo(f"highside serves '{location}' at {scheme}://{shown}:{port}/", err=True)
    if not access.open and not options.secure and not local:
        typer.echo("  Without TLS tokens can be read on the way; see DEVELOPERS.md.", err=True)
    sys.stderr.flush()
    # Once all that was acknowledged is done, the server raises the signal again: an orderly end.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    uvicorn.run(
        "optimizer.service.app:handed_over",
        factory=True,
        host=host.strip("[]"),
        port=port,
        workers=processes,
        ssl_certfile=str(certificate) if certificate else None,
        ssl_keyfile=str(private_key) if private_key else None,
        proxy_headers=bool(proxy),
        forwarded_allow_ips=list(proxy) if proxy else [],
        server_header=False,
        access_log=False,
        log_level="warning",
        timeout_graceful_shutdown=GRACE_SECONDS,
        timeout_keep_alive=30,
    )


def is_loopback(host: str) -> bool:
    """Whether nothing beyond this machine reaches a service that listens there."""
    name = host.strip("[]")
    try:
        return ipaddress.ip_address(name).is_loopback
    except ValueError:
        return name.lower() == "localhost"
