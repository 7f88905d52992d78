"""``highside serve``: the service over one history."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from cli.options import HistoryOption, SeedOption, SiteOption, site_file

MIB = 1 << 20


def serve(
    host: Annotated[
        str, typer.Option("--host", metavar="ADDRESS", help="Address to listen at.")
    ] = "127.0.0.1",
    port: Annotated[
        int, typer.Option("--port", metavar="N", min=0, max=65535, help="Port to listen at.")
    ] = 8765,
    processes: Annotated[
        int, typer.Option("--processes", metavar="N", min=1, max=64, help="Processes that answer.")
    ] = 1,
    tokens: Annotated[
        Path | None, typer.Option("--tokens", metavar="FILE", help="Named tokens (TOML).")
    ] = None,
    certificate: Annotated[
        Path | None,
        typer.Option("--certificate", metavar="FILE", help="Certificate for TLS (PEM)."),
    ] = None,
    private_key: Annotated[
        Path | None, typer.Option("--private-key", metavar="FILE", help="Its key (PEM).")
    ] = None,
    allow_host: Annotated[
        list[str] | None,
        typer.Option("--allow-host", metavar="NAME", help="A name it may be reached by; repeat."),
    ] = None,
    proxy: Annotated[
        list[str] | None,
        typer.Option("--proxy", metavar="ADDRESS", help="TLS proxy to trust; repeat."),
    ] = None,
    rate: Annotated[
        float, typer.Option("--rate", metavar="N", min=0, help="Requests/s of one address; 0: any.")
    ] = 50.0,
    max_upload: Annotated[
        int, typer.Option("--max-upload", metavar="MIB", min=1, max=1024, help="Largest upload.")
    ] = 32,
    state: Annotated[
        Path | None,
        typer.Option(
            "--state", metavar="DIR", help="Audit trail, kept answers. [default: HISTORY-service]"
        ),
    ] = None,
    location: HistoryOption = "history",
    site: SiteOption = None,
    seed: SeedOption = 0,
) -> None:
    """Serve one history to many: the HTTP interface and a page for the tablet at the deck."""
    from cli.output import check_seed
    from optimizer.service.exchange.configuration import Configuration
    from optimizer.service.http.server import Listening, run_server

    listening = Listening(host, port, processes, certificate, private_key, tuple(proxy or ()))
    plant = site_file(site)
    configuration = Configuration(
        history=location,
        site=None if plant is None else str(plant),
        seed=check_seed(seed),
        state=str(state or ""),
        tokens=str(tokens or ""),
        hosts=listening.host_names(allow_host or ()),
        secure=listening.secure,
        upload_bytes=max_upload * MIB,
        rate=rate,
    )
    run_server(configuration, listening, say)


def say(line: str) -> None:
    """Says a line on stderr at once."""
    typer.echo(line, err=True)
    sys.stderr.flush()
