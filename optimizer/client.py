"""A Python client of the service for history, plans and reports, on the standard library alone.

>>> client = Client("http://127.0.0.1:8765", token="...")
>>> client.address
'http://127.0.0.1:8765'

    client.add_runs([{"line": "deck-1", "feed_rate": 2.0, ...}])
    plan = client.plan({"line": "deck-1", "goal": {"min_grade": 0.985}})
"""

from __future__ import annotations

import json
import os
import ssl
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any
from urllib.error import HTTPError, URLError
from urllib.parse import quote, urlencode
from urllib.request import Request, urlopen

from optimizer.errors import HighsideError

SECONDS = 60.0
POLL_SECONDS = 0.5
CSV, PARQUET, JSON = "text/csv", "application/vnd.apache.parquet", "application/json"


class ServiceError(HighsideError):
    """The service refused a request, or could not be reached.

    Args:
        status: HTTP status of the answer; 0 where no answer was received.
        problem: the problem document (RFC 9457).
    """

    default_code = "service"

    def __init__(self, status: int, problem: Mapping[str, Any]) -> None:
        super().__init__(
            str(problem.get("detail", "the service did not answer as expected.")),
            code=str(problem.get("code", self.default_code)),
            hint=str(problem.get("hint", "")),
        )
        self.status = status
        self.problem = dict(problem)


class Client:
    """A client of one service.

    Args:
        address: URL of the service, such as ``https://mill.example:8765``.
        token: bearer token; None to read the environment variable ``HIGHSIDE_TOKEN``.
        seconds: longest time to wait for an answer.
        tls: TLS context that trusts a private certificate; None for the certificates of the system.
    """

    def __init__(
        self,
        address: str,
        token: str | None = None,
        *,
        seconds: float = SECONDS,
        tls: ssl.SSLContext | None = None,
    ) -> None:
        self.address = address.rstrip("/")
        self.seconds = seconds
        self._token = os.environ.get("HIGHSIDE_TOKEN", "") if token is None else token
        self._tls = tls

    def history(self, line: str | None = None, since: str | None = None) -> dict[str, Any]:
        """The summary of the history: the ``highside.history/1`` document.

        Raises:
            ServiceError: when the service refuses or does not answer. Every method raises it.
        """
        return self._json("GET", "/v1/history", {"line": line, "since": since})

    def add_runs(
        self, rows: Sequence[Mapping[str, Any]], line: str | None = None, dry_run: bool = False
    ) -> dict[str, Any]:
        """Add rows and return the ``highside.load/1`` document; rows sent again are not added
        twice."""
        query = {"line": line, "dry_run": "true" if dry_run else None}
        return self._json("POST", "/v1/runs", query, json.dumps(list(rows)).encode(), JSON)

    def add_file(self, path: str | Path, line: str | None = None) -> dict[str, Any]:
        """Add a log file, CSV or Parquet by its suffix, and return the ``highside.load/1``
        document."""
        kind = PARQUET if Path(path).suffix == ".parquet" else CSV
        return self._json("POST", "/v1/runs", {"line": line}, Path(path).read_bytes(), kind)

    def plan(
        self, brief: Mapping[str, Any], *, seed: int | None = None, as_of: int | None = None
    ) -> dict[str, Any]:
        """A plan for a brief: the ``highside.plan/1`` document.

        The plan is requested as a job, so that no proxy ends a request whose plan takes long.
        """
        query = {"seed": seed, "as_of": as_of}
        body = json.dumps(brief).encode()
        ask = {"Prefer": "respond-async"}
        status, found = self._send("POST", "/v1/plans", query, body, JSON, ask)
        answer = json.loads(found)
        return self.wait(answer["id"]) if status == 202 else answer

    def issue(self, brief: Mapping[str, Any], *, seed: int | None = None) -> dict[str, Any]:
        """Issue a plan for a brief: the ``highside.batch/1`` document, with a number a trial."""
        body = json.dumps(brief).encode()
        return self._json("POST", "/v1/batches", {"seed": seed}, body)

    def batches(self, line: str | None = None, *, latest: int | None = None) -> dict[str, Any]:
        """The issued batches of a line, or of all lines: the ``highside.batches/1`` document; with
        ``latest`` only as many, those that were issued last."""
        return self._json("GET", "/v1/batches", {"line": line, "latest": latest})

    def batch(self, batch: str) -> dict[str, Any]:
        """An issued batch by its number: the ``highside.batch/1`` document."""
        return self._json("GET", f"/v1/batches/{quote(batch, safe='')}")

    def record(self, trial: str, result: Mapping[str, Any]) -> dict[str, Any]:
        """Add the result of an issued trial, and return its batch.

        Args:
            trial: number of the trial, such as ``deck-1-7.2``.
            result: what was measured; ``settings`` and ``material`` hold values by name, and
                ``sure`` stores what is hard to believe.
        """
        batch, _, order = trial.rpartition(".")
        address = f"/v1/batches/{quote(batch, safe='')}/trials/{quote(order, safe='')}/result"
        return self._json("POST", address, None, json.dumps(result).encode())

    def wait(self, job: str) -> dict[str, Any]:
        """Wait until a job is done, and return its answer."""
        until = time.monotonic() + self.seconds
        while True:
            said = self._json("GET", f"/v1/jobs/{quote(job, safe='')}")
            if said["state"] == "done":
                return self._json("GET", said["result"])
            if said["state"] in ("failed", "lost", "cancelled"):
                ended = {"detail": f"the job was {said['state']}; ask again."}
                problem = said.get("problem", ended)
                raise ServiceError(int(problem.get("status", 0)), problem)
            if time.monotonic() > until:
                raise ServiceError(0, {"detail": f"no plan within {self.seconds:g} s."})
            time.sleep(POLL_SECONDS)

    def cancel(self, job: str) -> dict[str, Any]:
        """Cancel a job that is under way: the ``highside.job/1`` document."""
        return self._json("DELETE", f"/v1/jobs/{quote(job, safe='')}")

    def comparison(self, **query: Any) -> dict[str, Any]:
        """The comparison of lines: the ``highside.comparison/1`` document."""
        return self._json("GET", "/v1/comparison", query)

    def report(self, **query: Any) -> str:
        """The report as one HTML page, for query parameters such as ``line`` or ``min_grade``."""
        return self._send("GET", "/v1/report", query)[1].decode()

    def sheet(self, form: str = "pdf", **query: Any) -> bytes:
        """The trial sheet in the format ``pdf``, ``html`` or ``csv``, on ``paper`` ``a4`` or
        ``letter``."""
        return self._send("GET", "/v1/sheet", {"form": form, **query})[1]

    def _json(self, *request: Any) -> dict[str, Any]:
        found: dict[str, Any] = json.loads(self._send(*request)[1])
        return found

    def _send(
        self,
        method: str,
        path: str,
        query: Mapping[str, Any] | None = None,
        body: bytes | None = None,
        media_type: str = JSON,
        headers: Mapping[str, str] | None = None,
    ) -> tuple[int, bytes]:
        asked = urlencode({k: v for k, v in (query or {}).items() if v is not None}, doseq=True)
        request = Request(f"{self.address}{path}{'?' * bool(asked)}{asked}", body, method=method)
        if body is not None:
            request.add_header("Content-Type", media_type)
        for name, value in (headers or {}).items():
            request.add_header(name, value)
        if self._token:
            # An unredirected header is not sent to another address when the service redirects.
            request.add_unredirected_header("Authorization", f"Bearer {self._token}")
        try:
            with urlopen(request, timeout=self.seconds, context=self._tls) as answer:
                return answer.status, answer.read()
        except HTTPError as error:
            with error:
                raise ServiceError(error.code, _problem(error.read())) from None
        except (URLError, OSError) as error:
            reason = getattr(error, "reason", error)
            raise ServiceError(
                0,
                {
                    "detail": f"{self.address} cannot be reached: {reason}.",
                    "hint": "Check the address and that the service runs.",
                },
            ) from None


def _problem(content: bytes) -> dict[str, Any]:
    try:
        found = json.loads(content)
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}
