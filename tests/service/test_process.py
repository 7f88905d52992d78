"""The service as a real process that ends in the middle of its work."""

from __future__ import annotations

import ipaddress
import json
import re
import select
import signal
import socket
import ssl
import subprocess
import threading
import time
import urllib.error
import warnings
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from http.client import HTTPConnection, HTTPSConnection
from pathlib import Path

import pytest

from optimizer import History
from optimizer.client import Client, ServiceError
from optimizer.service.http.server import is_loopback
from tests.serving import COMMAND, SECONDS, TOKEN, ask, started


@pytest.fixture
def service(tmp_path):
    with started(tmp_path) as (process, port):
        yield process, port, tmp_path


def row(k: int) -> dict:
    return {
        "run_id": f"r{k}", "line": "deck-1", "feed_rate": 2.0, "end_raise": 2.4, "side_tilt": 2.0,
        "eccentric_speed": 450, "air": 30 + k % 20, "grade": 0.98, "recovery": 0.9,
    }  # fmt: skip


def test_plans_equal_the_command_s_and_acknowledged_runs_outlive_the_service(service):
    process, port, folder = service
    with pytest.raises(urllib.error.HTTPError, match="401"):
        ask(port, "/v1/history", token=None)
    ask(port, "/v1/runs", [row(k) for k in range(8)])
    brief = {"line": "deck-1", "goal": {"min_grade": 0.97}, "trials": {"count": 1}}
    served = ask(port, "/v1/plans", brief)
    options = ["--line", "deck-1", "--min-grade", "0.97", "--trials", "1", "--json"]
    command = [COMMAND[0], "suggest", *options]
    printed = subprocess.run(command, cwd=folder, capture_output=True, check=True).stdout
    assert served == printed

    client = Client(f"http://127.0.0.1:{port}", TOKEN, seconds=SECONDS)
    assert client.plan(brief) == json.loads(printed)
    assert client.plan({"line": "deck-1", "trials": {"count": 2}})["history_version"] == 0
    assert client.add_runs([row(0)])["already_known"] == 1
    assert client.history()["runs"] == 8
    with pytest.raises(ServiceError, match="Did you mean 'line'") as refused:
        client.plan({"lin": "deck-1"})
    assert (refused.value.status, refused.value.code) == (422, "unknown-key")
    with pytest.raises(ServiceError, match="no level of air") as refused:
        client.plan({"limits": {"air": {"low": 1000.0}}})
    assert refused.value.status == 422
    with pytest.raises(ServiceError, match="token") as refused:
        Client(client.address, "wrong").history()
    assert refused.value.status == 401

    issued = client.issue(brief)
    assert client.batches("deck-1")["batches"] == [client.batch("deck-1-1")] == [issued]
    done = client.record("deck-1-1.1", {"grade": "98%", "recovery": 0.9, "settings": {"air": 33}})
    assert (done["trials"][0]["state"], done["trials"][0]["run"]["air"]) == ("done", 33)
    with pytest.raises(ServiceError, match="has a result") as refused:
        client.record("deck-1-1.1", {"grade": 0.97, "recovery": 0.9})
    assert refused.value.status == 409

    # Four clients record while the service is asked to terminate.
    acknowledged: list[int] = []

    def record(start: int) -> None:
        for k in range(start, start + 1000):
            try:
                answer = json.loads(ask(port, "/v1/runs", [row(k)]))
            except OSError:
                return
            if answer["added"] == 1:
                acknowledged.append(k)

    people = [threading.Thread(target=record, args=(1000 * n,)) for n in range(1, 5)]
    for person in people:
        person.start()
    while len(acknowledged) < 8 and any(person.is_alive() for person in people):
        time.sleep(0.05)
    process.send_signal(signal.SIGTERM)
    for person in people:
        person.join(SECONDS)
    assert process.wait(SECONDS) == 0
    kept = History(folder / "history").at().runs()["run_id"].to_pylist()
    assert len(kept) == len(set(kept))
    assert {f"r{k}" for k in acknowledged} <= set(kept)
    # A graceful end: the service stores no run that it did not acknowledge.
    assert len(kept) == 8 + 1 + len(acknowledged)
    log = (folder / "log.txt").read_text()
    assert TOKEN not in log
    trail = trail_of(folder)
    refused = [entry["status"] for entry in trail if entry["did"] == "refused"]
    assert refused == [401, 401]
    # Loads; a batch and its result.
    assert len(trail) == len(refused) + 2 + 2 + len(acknowledged)
    assert {entry["who"] for entry in trail} == {"recorder", None}  # None: without a known token


def trail_of(folder: Path) -> list[dict]:
    """The entries of the audit trail."""
    lines = (folder / "history-service" / "audit.jsonl").read_text().splitlines()
    return [json.loads(line) for line in lines]


def listens(port: int) -> bool:
    """Whether a process listens at a port of this machine."""
    with socket.socket() as door:
        return door.connect_ex(("127.0.0.1", port)) == 0


def sign_in(link: HTTPConnection, **headers: str):
    """Sign in like a browser; return the headers of the answer."""
    kind = {"Content-Type": "application/x-www-form-urlencoded"}
    link.request("POST", "/sign-in", f"token={TOKEN}", {**kind, **headers})
    answer = link.getresponse()
    answer.read()
    assert answer.status == 303
    return answer.headers


def certificate_of_this_machine(folder: Path) -> list[str]:
    """Options of the service with a self-signed certificate and its key."""
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec

    key, now = ec.generate_private_key(ec.SECP256R1()), datetime.now(UTC)
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "mill.example")])
    address = x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address("127.0.0.1"))])
    signed = (
        x509.CertificateBuilder(name, name, key.public_key(), x509.random_serial_number())
        .not_valid_before(now - timedelta(hours=1))
        .not_valid_after(now + timedelta(hours=1))
        .add_extension(address, critical=False)
        .sign(key, hashes.SHA256())
    )
    pem = serialization.Encoding.PEM
    plain = serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    (folder / "own.pem").write_bytes(signed.public_bytes(pem))
    (folder / "own.key").write_bytes(key.private_bytes(pem, *plain))
    return ["--certificate", str(folder / "own.pem"), "--private-key", str(folder / "own.key")]


OLDER = ("TLS 1.1", "NULL", "AES256-SHA", "ECDHE-ECDSA-AES256-SHA", "AECDH-AES256-SHA")


def handshake(port: int, what: str) -> str:
    """The cipher suite that the service agrees on with a client that offers one version of TLS or
    one suite alone, and takes any certificate."""
    tls = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    tls.check_hostname, tls.verify_mode = False, ssl.CERT_NONE
    if what == "TLS 1.3":
        tls.minimum_version = ssl.TLSVersion.TLSv1_3
    else:
        suites = "ALL" if what == "TLS 1.1" else what
        tls.set_ciphers(f"{suites}:@SECLEVEL=0")
        version = "TLSv1_1" if what == "TLS 1.1" else "TLSv1_2"
        with warnings.catch_warnings(action="ignore"):
            tls.minimum_version = tls.maximum_version = ssl.TLSVersion[version]
    link = socket.create_connection(("127.0.0.1", port), SECONDS)
    with link, tls.wrap_socket(link) as agreed:
        return agreed.cipher()[0]


def test_over_tls_browsers_get_strict_transport_security(tmp_path):
    options = certificate_of_this_machine(tmp_path)
    tls = ssl.create_default_context(cafile=options[1])
    with started(tmp_path, *options) as (process, port):
        link = HTTPSConnection("127.0.0.1", port, timeout=SECONDS, context=tls)
        said = sign_in(link)
        assert said["Strict-Transport-Security"] == "max-age=63072000; includeSubDomains"
        cookie, *flags = said["Set-Cookie"].split("; ")
        assert {"Secure", "HttpOnly", "SameSite=Strict"} <= set(flags)
        link.request("GET", "/runs", headers={"Cookie": cookie})
        assert link.getresponse().status == 200
        link.close()
        client = Client(f"https://127.0.0.1:{port}", TOKEN, tls=tls, seconds=SECONDS)
        assert client.add_runs([row(0)])["added"] == 1
        with pytest.raises(ServiceError, match="CERTIFICATE_VERIFY_FAILED"):
            Client(client.address, TOKEN).history()  # a self-signed certificate is not trusted
        with pytest.raises(OSError, match=r"(?i)reset|closed|refused|empty|abort"):
            ask(port, "/health", token=None)
        # ASVS 5.0.0, 12.1.1 and 12.1.2: old versions and suites are refused, new ones are not.
        for older in OLDER:
            with pytest.raises(ssl.SSLError):
                handshake(port, older)
        assert handshake(port, "ECDHE-ECDSA-AES128-GCM-SHA256") == "ECDHE-ECDSA-AES128-GCM-SHA256"
        assert handshake(port, "TLS 1.3") == "TLS_AES_256_GCM_SHA384"
        process.send_signal(signal.SIGTERM)
        assert process.wait(SECONDS) == 0


@pytest.mark.parametrize(
    ("options", "address"),
    [
        ([], "127.0.0.1"),
        (["--proxy", "192.0.2.1"], "127.0.0.1"),  # the sender is not the trusted proxy
        (["--proxy", "127.0.0.1"], "198.51.100.7"),  # the last hop; the first can be invented
    ],
)
def test_the_client_address_is_taken_only_from_a_named_proxy(tmp_path, options, address):
    passed = {"X-Forwarded-For": "203.0.113.9, 198.51.100.7", "X-Forwarded-Proto": "https"}
    with started(tmp_path, *options) as (_, port):
        link = HTTPConnection("127.0.0.1", port, timeout=SECONDS)
        said = sign_in(link, **passed)
        link.close()
        assert ("Secure" in said["Set-Cookie"].split("; ")) == bool(options)
        assert bool(said["Strict-Transport-Security"]) == bool(options)
        ask(port, "/v1/runs", [row(0)], **passed)
        assert [(e["did"], e["from"]) for e in trail_of(tmp_path)] == [
            ("sign-in", address),
            ("record", address),
        ]
        logged = [json.loads(line) for line in (tmp_path / "log.txt").read_text().splitlines()
                  if line.startswith("{")]  # fmt: skip
        assert {e["from"] for e in logged if e["route"] != "/health"} == {address}


def test_an_endless_body_is_refused_while_it_arrives(tmp_path):
    with started(tmp_path, "--max-upload", "1") as (_, port):
        with socket.create_connection(("127.0.0.1", port), SECONDS) as link:
            link.sendall(
                b"POST /v1/runs HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: text/csv\r\n"
                b"Authorization: Bearer " + TOKEN.encode() + b"\r\n"
                b"Transfer-Encoding: chunked\r\n\r\n"
            )
            piece = b"10000\r\n" + b"x" * (1 << 16) + b"\r\n"
            sent = 0
            # The body has no stated length and no end, so only the service can stop it.
            link.settimeout(SECONDS)
            with suppress(ConnectionError):  # the service may close the connection during the send
                while not select.select([link], [], [], 0)[0] and sent < 1000 * len(piece):
                    link.sendall(piece)
                    sent += len(piece)
            assert link.recv(1000).startswith(b"HTTP/1.1 413 ")
        # The socket buffers of both sides hold bytes in addition to the limit.
        assert sent < 32 << 20
        assert json.loads(ask(port, "/v1/history"))["runs"] == 0


def test_two_processes_are_one_service(tmp_path):
    with started(tmp_path, "--processes", "2") as (process, port):

        def record(k: int) -> tuple[int, int]:
            answer = json.loads(ask(port, "/v1/runs", [row(k)]))
            return answer["added"], answer["already_known"]

        def runs(_: int) -> int:
            return json.loads(ask(port, "/v1/history"))["runs"]

        with ThreadPoolExecutor(8) as people:
            for shift in (0, 1):
                # Two clients send each run at the same time.
                answers = list(people.map(record, [6 * shift + k // 2 for k in range(12)]))
                assert sum(added for added, _ in answers) == 6
                assert set(answers) == {(1, 0), (0, 1)}
                asked, recorded = set(), set()
                deadline = time.monotonic() + SECONDS
                while len(asked) < 2 and time.monotonic() < deadline:
                    assert set(people.map(runs, range(16))) == {6 * shift + 6}
                    said = ask(port, "/metrics").decode()
                    asked |= set(re.findall(r'route="/v1/history".*,process="(\d+)"', said))
                    recorded |= set(re.findall(r'runs_added_total{process="(\d+)"} (\d+)', said))
                assert len(asked) == 2
        assert sum(int(n) for _, n in recorded) == 12
        assert process.pid not in map(int, asked)
        client = Client(f"http://127.0.0.1:{port}", TOKEN, seconds=SECONDS)
        plan = client.plan({"line": "deck-1", "trials": {"count": 1}})  # a job of both
        assert plan["runs_used"] == 12
        process.send_signal(signal.SIGTERM)
        assert process.wait(SECONDS) == 0
        assert not listens(port)
    kept = History(tmp_path / "history").at().runs()["run_id"].to_pylist()
    assert sorted(kept) == sorted(f"r{k}" for k in range(12))
    assert len(trail_of(tmp_path)) == 24


def test_no_process_is_left_when_the_first_is_killed(tmp_path):
    with started(tmp_path, "--processes", "2") as (process, port):
        process.kill()
        deadline = time.monotonic() + SECONDS
        while listens(port) and time.monotonic() < deadline:
            time.sleep(0.1)
        assert not listens(port)


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--host", "0.0.0.0"], "a token is required"),
        (["--host", "::"], "a token is required"),
        (["--host", "192.0.2.1"], "a token is required"),
        (["--certificate", "x.pem"], "both --certificate and --private-key"),
    ],
)
def test_a_wrong_start_is_refused(run, monkeypatch, options, said):
    begun: list[dict] = []
    monkeypatch.setattr("uvicorn.run", lambda *_, **how: begun.append(how))
    monkeypatch.delenv("HIGHSIDE_TOKEN", raising=False)
    code, _, err = run("serve", "--port", "0", *options)
    assert (code, begun) == (2, []), err
    assert said in err
    code, _, err = run("serve", "--port", "0")
    assert (code, len(begun)) == (0, 1), err


@pytest.mark.parametrize(
    ("host", "local"),
    [("127.0.0.1", True), ("127.8.9.1", True), ("::1", True), ("localhost", True),
     ("0.0.0.0", False), ("::", False), ("mill.example", False), ("", False)],
)  # fmt: skip
def test_addresses_of_this_machine_alone(host, local):
    assert is_loopback(host) == local
