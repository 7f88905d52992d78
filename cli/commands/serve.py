"""``highside serve``: runs the HTTP service for one history."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from cli.options import HistoryOption, LanguageOption, SeedOption, SiteOption, site_file

MIB = 1 << 20


HostOption = Annotated[str, typer.Option("--host", metavar="ADDRESS", help="Address to listen at.")]
PortOption = Annotated[
    int, typer.Option("--port", metavar="N", min=0, max=65535, help="Port to listen at.")
]
ProcessesOption = Annotated[
    int, typer.Option("--processes", metavar="N", min=1, max=64, help="Processes that answer.")
]
TokensOption = Annotated[
    Path | None, typer.Option("--tokens", metavar="FILE", help="Named tokens (TOML).")
]
CertificateOption = Annotated[
    Path | None,
    typer.Option("--certificate", metavar="FILE", help="Certificate for TLS (PEM)."),
]
PrivateKeyOption = Annotated[
    Path | None, typer.Option("--private-key", metavar="FILE", help="Its key (PEM).")
]
AllowHostOption = Annotated[
    list[str] | None,
    typer.Option("--allow-host", metavar="NAME", help="A name it may be reached by; repeat."),
]
ProxyOption = Annotated[
    list[str] | None,
    typer.Option("--proxy", metavar="ADDRESS", help="TLS proxy to trust; repeat."),
]
RateOption = Annotated[
    float, typer.Option("--rate", metavar="N", min=0, help="Requests/s of one address; 0: any.")
]
MaxUploadOption = Annotated[
    int, typer.Option("--max-upload", metavar="MIB", min=1, max=1024, help="Largest upload.")
]
ConnectionsOption = Annotated[
    int, typer.Option("--connections", metavar="N", min=0, help="Connections in all; 0: any.")
]
ConnectionsEachOption = Annotated[
    int,
    typer.Option("--connections-each", metavar="N", min=0, help="Those of one address; 0: any."),
]
HeaderSecondsOption = Annotated[
    float,
    typer.Option("--header-seconds", metavar="S", min=0.1, help="Time for a request's headers."),
]
PauseSecondsOption = Annotated[
    float,
    typer.Option("--pause-seconds", metavar="S", min=0.1, help="Longest pause of a sender."),
]
StateOption = Annotated[
    Path | None,
    typer.Option(
        "--state", metavar="DIR", help="Audit trail, kept answers. [default: HISTORY-service]"
    ),
]


def serve(
    host: HostOption = "127.0.0.1",
    port: PortOption = 8765,
    processes: ProcessesOption = 1,
    tokens: TokensOption = None,
    certificate: CertificateOption = None,
    private_key: PrivateKeyOption = None,
    allow_host: AllowHostOption = None,
    proxy: ProxyOption = None,
    rate: RateOption = 50.0,
    max_upload: MaxUploadOption = 32,
    connections: ConnectionsOption = 512,
    connections_each: ConnectionsEachOption = 64,
    header_seconds: HeaderSecondsOption = 10.0,
    pause_seconds: PauseSecondsOption = 30.0,
    state: StateOption = None,
    location: HistoryOption = "history",
    site: SiteOption = None,
    language: LanguageOption = None,
    seed: SeedOption = 0,
) -> None:
    """Serve one history to many: the HTTP interface and a page for the tablet at the deck."""
    from cli.output import check_seed
    from optimizer.service.exchange.configuration import Configuration
    from optimizer.service.http.server import Listening
    from optimizer.service.http.server import serve as serve_history

    listening = Listening(host, port, processes, certificate, private_key, tuple(proxy or ()))
    plant = site_file(site)
    configuration = Configuration(
        history=location,
        site=None if plant is None else str(plant),
        language=language or "",
        seed=check_seed(seed),
        state=str(state or ""),
        tokens=str(tokens or ""),
        hosts=listening.host_names(allow_host or ()),
        secure=listening.secure,
        upload_bytes=max_upload * MIB,
        rate=rate,
        proxies=listening.proxies,
        connections=connections,
        connections_each=connections_each,
        header_seconds=header_seconds,
        pause_seconds=pause_seconds,
    )
    serve_history(configuration, listening, say)


def say(line: str) -> None:
    """Writes a line to stderr and flushes it."""
    typer.echo(line, err=True)
    sys.stderr.flush()
