"""Counters of the service, in the text format that Prometheus reads.

Source of the format: the Prometheus documentation, "Exposition formats", text format 0.0.4.
"""

from __future__ import annotations

import multiprocessing
import os
import threading
import time
from collections import defaultdict
from pathlib import Path

MEDIA_TYPE = "text/plain; version=0.0.4; charset=utf-8"
BOUNDS = (0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 10.0, 60.0)
"""Upper ends, in seconds, of the buckets of the histogram of response times."""
OTHER = "other"
"""Route under which requests to unknown addresses are counted, so that invented addresses create no
series."""


class Metrics:
    """The counters of one process; where several processes answer, each series names its
    process."""

    def __init__(self) -> None:
        several = multiprocessing.parent_process() is not None
        self._own = {"process": str(os.getpid())} if several else {}
        self._lock = threading.Lock()
        self._requests: dict[tuple[str, str, int], int] = defaultdict(int)
        self._buckets: dict[str, list[int]] = defaultdict(lambda: [0] * (len(BOUNDS) + 1))
        self._seconds: dict[str, float] = defaultdict(float)
        self._counts: dict[str, int] = defaultdict(int)
        self._began = time.time()

    def request(self, method: str, route: str, status: int, seconds: float) -> None:
        """Count an answered request."""
        with self._lock:
            self._requests[method, route, status] += 1
            self._seconds[route] += seconds
            self._buckets[route][sum(seconds > bound for bound in BOUNDS)] += 1

    def count(self, name: str, by: int = 1) -> None:
        """Add to a counter, such as ``runs_added``."""
        with self._lock:
            self._counts[name] += by

    def text(self, version: int | None) -> str:
        """All counters and the version of the history, as text."""
        with self._lock:
            lines = [
                "# HELP highside_requests_total Requests answered.",
                "# TYPE highside_requests_total counter",
            ]
            lines += [
                self._series("highside_requests_total", n, method=m, route=r, status=str(s))
                for (m, r, s), n in sorted(self._requests.items())
            ]
            lines += [
                "# HELP highside_request_seconds Time from request to the end of the answer.",
                "# TYPE highside_request_seconds histogram",
            ]
            for route, counts in sorted(self._buckets.items()):
                total = 0
                for bound, n in zip([*BOUNDS, float("inf")], counts, strict=True):
                    total += n
                    le = "+Inf" if bound == float("inf") else f"{bound:g}"
                    lines.append(
                        self._series("highside_request_seconds_bucket", total, route=route, le=le)
                    )
                lines += [
                    self._series("highside_request_seconds_count", total, route=route),
                    self._series(
                        "highside_request_seconds_sum", f"{self._seconds[route]:.6f}", route=route
                    ),
                ]
            for name, n in sorted(self._counts.items()):
                total_name = f"highside_{name}_total"
                lines += [f"# TYPE {total_name} counter", self._series(total_name, n)]
        lines += [
            "# TYPE highside_history_version gauge",
            f"highside_history_version {-1 if version is None else version}",
            "# TYPE process_start_time_seconds gauge",
            self._series("process_start_time_seconds", f"{self._began:.3f}"),
            "# TYPE process_resident_memory_bytes gauge",
            self._series("process_resident_memory_bytes", resident_bytes()),
        ]
        return "\n".join(lines) + "\n"

    def _series(self, name: str, value: int | str, **labels: str) -> str:
        stated = ",".join(f'{label}="{text}"' for label, text in {**labels, **self._own}.items())
        return f"{name}{{{stated}}} {value}" if stated else f"{name} {value}"


def resident_bytes() -> int:
    """Resident memory of this process in bytes; 0 where the system does not report it."""
    try:
        pages = Path("/proc/self/statm").read_text(encoding="ascii").split()[1]
        return int(pages) * os.sysconf("SC_PAGE_SIZE")
    except (OSError, ValueError, IndexError):
        return 0
