"""Many people, one history, and a service that is killed again and again.

    python -m tests.benchmarks.service_load [--requests 20000] [--clients 16] [--kills 20]

Clients read, record, upload and plan with one service while it is killed (SIGKILL) and restarted.
At the end every acknowledged record must be in the history exactly once. Then hostile requests are
sent; each must be refused with a 4xx problem document. Last, a person works at the deck while
hostile senders of every kind are at it (``service_attack``). Writes ``reports/service.md``; exits 1
when a record is missing or duplicated, when a hostile request was not refused, when memory grew, or
when the person waited too long.
"""

# ruff: noqa: E501 - the lines of a table are long
from __future__ import annotations

import argparse
import http.client
import json
import os
import random
import tempfile
import threading
import time
from collections import Counter, defaultdict
from pathlib import Path

import numpy as np

from optimizer import History
from tests.benchmarks import service_attack
from tests.benchmarks.hostile import HOSTILE
from tests.serving import TOKEN, ask, free_port, start

ROOT = Path(__file__).resolve().parents[2]
MIX = {
    "read": 0.6,
    "plan": 0.33,
    "new plan": 0.002,
    "page": 0.04,
    "record": 0.025,
    "upload": 0.003,
}
"""Shares of requests."""
BRIEFS = [
    {"line": f"deck-{1 + k % 3}", "trials": {"count": 1}, "goal": {"min_grade": 0.97}}
    for k in range(3)
]
HEADERS = {"Authorization": f"Bearer {TOKEN}"}
PROBLEM = "application/problem+json"


def row(run_id: str, rng: random.Random) -> dict:
    """A run at one of few settings, so that a fit stays small."""
    return {
        "run_id": run_id, "line": f"deck-{rng.randint(1, 3)}",
        "feed_rate": rng.choice([2.0, 2.4]), "end_raise": 2.4, "side_tilt": rng.choice([2.0, 2.2]),
        "eccentric_speed": 450, "air": rng.choice([36, 40]),
        "grade": round(rng.uniform(0.97, 0.99), 5), "recovery": round(rng.uniform(0.88, 0.94), 5),
    }  # fmt: skip


class Load:
    """The state that all clients share: requests left, times, answers and acknowledged ids."""

    def __init__(self, port: int, requests: int) -> None:
        self.port = port
        self.left = requests
        self.lock = threading.Lock()
        self.acknowledged: list[str] = []
        self.times: dict[str, list[float]] = defaultdict(list)
        self.answers: Counter[str] = Counter()
        self.broken = 0

    def take(self) -> bool:
        """Whether there is a request left to send."""
        with self.lock:
            self.left -= 1
            return self.left >= 0

    def client(self, number: int) -> None:
        """One client: sends until no request is left, and repeats interrupted requests."""
        rng = random.Random(number)
        link = http.client.HTTPConnection("127.0.0.1", self.port, timeout=120)
        count = 0
        while self.take():
            kind = rng.choices(list(MIX), list(MIX.values()))[0]
            count += 1
            ids = [f"c{number}-{count}-{k}" for k in range(20 if kind == "upload" else 1)]
            rows = [row(i, rng) for i in ids]
            brief = rng.choice(BRIEFS)
            while True:
                began = time.perf_counter()
                try:
                    status, answer = self.send(link, kind, rows, brief)
                except (OSError, http.client.HTTPException):
                    link.close()
                    with self.lock:
                        self.broken += 1
                    time.sleep(0.1)
                    continue
                break
            seconds = time.perf_counter() - began
            with self.lock:
                self.answers[f"{kind} {status}"] += 1
                if kind in ("record", "upload") and status == 200:
                    done = json.loads(answer)
                    assert done["added"] + done["already_known"] == len(ids), done
                    self.acknowledged += ids
                if status in (200, 304):
                    self.times[kind].append(seconds)

    def send(self, link, kind, rows, brief) -> tuple[int, bytes]:
        """Send one request; return its status and body."""
        if kind in ("record", "upload"):
            headers = {**HEADERS, "Content-Type": "application/json"}
            body = json.dumps(rows)
            if kind == "upload":
                headers["Content-Type"] = "text/csv"
                names = list(rows[0])
                lines = [",".join(str(r[n]) for n in names) for r in rows]
                body = "\n".join([",".join(names), *lines]) + "\n"
            link.request("POST", "/v1/runs", body, headers)
        elif kind in ("plan", "new plan"):
            headers = {**HEADERS, "Content-Type": "application/json"}
            # A plan on the first version is stored; a plan on the latest version is made anew.
            path = "/v1/plans?as_of=0" if kind == "plan" else "/v1/plans"
            link.request("POST", path, json.dumps(brief), headers)
        else:
            link.request("GET", "/v1/history" if kind == "read" else "/runs", headers=HEADERS)
        answer = link.getresponse()
        content = answer.read()
        return answer.status, content


def resident(port: int) -> float:
    """Resident memory of the answering process in MiB, from its own metrics."""
    text = ask(port, "/metrics").decode()
    line = next(x for x in text.splitlines() if x.startswith("process_resident"))
    return int(line.split()[1]) / 2**20


def p(times: list[float], share: float) -> str:
    """The ``share`` quantile of ``times`` (seconds) as text in ms."""
    return f"{1000 * float(np.quantile(times, share)):.1f}" if times else "–"


def hostile(port: int) -> tuple[int, list[str]]:
    """Send all hostile requests; return the number refused correctly, and the other answers."""
    wrong = []
    for name, method, path, headers, body in HOSTILE:
        link = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
        try:
            link.request(method, path, body, {**HEADERS, **headers})
            answer = link.getresponse()
            content = answer.read()
            kind = answer.getheader("Content-Type")
            told = json.loads(content) if kind == PROBLEM else {}
            fine = 400 <= answer.status < 500 and told.get("status") == answer.status
            if not fine:
                wrong.append(f"{name}: {answer.status} {kind}")
        except (OSError, http.client.HTTPException, ValueError) as error:
            wrong.append(f"{name}: {error!r}")
        finally:
            link.close()
    return len(HOSTILE) - len(wrong), wrong


def main() -> None:
    """Run the benchmark and write the report."""
    asked = argparse.ArgumentParser()
    asked.add_argument("--requests", type=int, default=20_000)
    asked.add_argument("--clients", type=int, default=16)
    asked.add_argument("--kills", type=int, default=20)
    asked.add_argument("--attack-seconds", type=float, default=120.0)
    asked.add_argument("--attack-each", type=int, default=32)
    asked.add_argument("--out", type=Path, default=ROOT / "reports" / "service.md")
    given = asked.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="service-load-"))
    port = free_port()
    process = start(folder, port)
    rng = random.Random(0)
    first = [row(f"first-{k}", rng) for k in range(30)]
    ask(port, "/v1/runs", first)
    load = Load(port, given.requests)
    for brief in BRIEFS:
        ask(port, "/v1/plans?as_of=0", brief)
    clients = [threading.Thread(target=load.client, args=(n,)) for n in range(given.clients)]
    began, memory, kills, away = time.monotonic(), [], 0, 0.0
    for client in clients:
        client.start()
    while any(client.is_alive() for client in clients):
        time.sleep(0.2)
        due = given.requests - load.left >= (kills + 1) * given.requests / (given.kills + 1)
        if due and kills < given.kills:
            memory.append(resident(port))
            gone = time.monotonic()
            process.kill()
            process.wait()
            process = start(folder, port)
            kills, away = kills + 1, away + time.monotonic() - gone
    seconds = time.monotonic() - began
    memory.append(resident(port))
    refused, wrong = hostile(port)
    ask(port, "/health", token=None)
    process.terminate()
    process.wait(120)
    stored = Counter(History(folder / "history").at().runs()["run_id"].to_pylist())
    missing = [i for i in load.acknowledged if stored[i] == 0]
    doubled = [i for i, n in stored.items() if n > 1]
    trail = (folder / "history-service" / "audit.jsonl").read_text(encoding="utf-8").splitlines()
    torn = sum(not _is_json(line) for line in trail)
    t = load.times
    text = f"""# The service under load

`python -m tests.benchmarks.service_load --requests {given.requests} --clients {given.clients} --kills {given.kills}`

| | |
|---|---|
| requests answered | {sum(load.answers.values())} in {seconds:.0f} s, of which {away:.0f} s the service was down; {given.clients} clients |
| killed and started again | {kills} times; {load.broken} requests or attempts cut off, sent again by the clients |
| acknowledged records | {len(load.acknowledged)}; missing: {len(missing)}; runs stored twice: {len(doubled)} |
| audit trail | {len(trail)} lines, {torn} torn |
| reads (`/v1/history`) | median {p(t["read"], 0.5)} ms, p99 {p(t["read"], 0.99)} ms (aim: 50) |
| plans that were there already | median {p(t["plan"], 0.5)} ms, p99 {p(t["plan"], 0.99)} ms (aim: 100) |
| plans made anew on the latest version | median {p(t["new plan"], 0.5)} ms, p99 {p(t["new plan"], 0.99)} ms |
| page of runs | median {p(t["page"], 0.5)} ms, p99 {p(t["page"], 0.99)} ms |
| records (one row, on disk) | median {p(t["record"], 0.5)} ms, p99 {p(t["record"], 0.99)} ms |
| uploads (20 rows, on disk) | median {p(t["upload"], 0.5)} ms, p99 {p(t["upload"], 0.99)} ms |
| memory of the answering process, at each kill | {memory[0]:.0f} MiB first, {max(memory):.0f} MiB most, {memory[-1]:.0f} MiB last |
| hostile requests | {refused} of {len(HOSTILE)} refused with a 4xx problem document |
| answers | {", ".join(f"{k}: {n}" for k, n in sorted(load.answers.items()))} |

Times are what a client waits on a connection that stands, answered requests only. {os.cpu_count()} cores, load of the machine at the end {os.getloadavg()[0]:.1f}; clients and service share them.
"""
    text += "".join(f"\n- not refused: {name}" for name in wrong)
    attacked, good = service_attack.run(given.attack_seconds, given.attack_each, 1.0)
    text = f"{text.rstrip()}\n\n{attacked}"
    given.out.write_text(text, encoding="utf-8")
    print(text)
    if missing or doubled or wrong or not good or memory[-1] > service_attack.FLAT * memory[0]:
        raise SystemExit(1)


def _is_json(line: str) -> bool:
    try:
        json.loads(line)
    except ValueError:
        return False
    return True


if __name__ == "__main__":
    main()
