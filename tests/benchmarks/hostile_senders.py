"""Hostile senders of many kinds at once, in a process of their own.

    python -m tests.benchmarks.hostile_senders PORT --seconds 60 --each 32 --pace 1

Each sender has an address of its own in 127.0.0.0/8, so that no limit of an address holds them back
together, and keeps at it until the time is over. Prints what was answered, by kind, as JSON.
"""

from __future__ import annotations

import argparse
import asyncio
import itertools
import json
import time
from collections import Counter
from collections.abc import Awaitable, Callable

from tests.benchmarks.hostile import HOSTILE, parquet_bomb
from tests.serving import TOKEN

READ_TOKEN = "the-token-that-only-reads"
NO_ANSWER = "closed"
PATIENCE = 120.0
"""Seconds after which a sender gives up an answer."""


class Sender:
    """One hostile sender: where it sends to, from which address, until when, and what it heard."""

    def __init__(self, port: int, number: int, until: float, heard: Counter[str]) -> None:
        self.port = port
        self.address = f"127.1.{number // 250}.{1 + number % 250}"
        self.until = until
        self.heard = heard

    @property
    def goes_on(self) -> bool:
        return time.monotonic() < self.until

    async def connect(self) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        return await asyncio.open_connection("127.0.0.1", self.port, local_addr=(self.address, 0))

    async def ask(self, content: bytes) -> None:
        """Send one request on a new connection, and count the status of its answer."""
        reader, writer = await self.connect()
        try:
            writer.write(content)
            found = await asyncio.wait_for(reader.read(), PATIENCE)
            self.heard[found[9:12].decode() if found.startswith(b"HTTP/") else NO_ANSWER] += 1
        finally:
            writer.close()

    async def drip(self, start: bytes, drop: bytes) -> None:
        """Send the start of a request, and then a drop at a time until it is cut off."""
        reader, writer = await self.connect()
        try:
            writer.write(start)
            while self.goes_on and not reader.at_eof():
                if drop:
                    writer.write(drop)
                try:
                    if found := await asyncio.wait_for(reader.read(4096), 1.0):
                        self.heard[found[9:12].decode()] += 1
                except TimeoutError:
                    continue
        finally:
            writer.close()


def request(
    method: str, path: str, token: str = "", body: bytes = b"", kind: str = "application/json"
) -> bytes:
    lines = [f"{method} {path} HTTP/1.1", "Host: 127.0.0.1", "Connection: close"]
    lines += [f"Authorization: Bearer {token}"] if token else []
    lines += [f"Content-Type: {kind}", f"Content-Length: {len(body)}"] if body else []
    return "\r\n".join([*lines, "", ""]).encode() + body


BOMB = parquet_bomb(400_000, 10_000)
PARQUET = "application/vnd.apache.parquet"
SLOW_BODY = request("POST", "/v1/plans", READ_TOKEN, b"{" * 100_000)[:500]


async def idle(sender: Sender, _: int) -> None:
    await sender.drip(b"", b"")


async def slow_headers(sender: Sender, _: int) -> None:
    await sender.drip(b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n", b"X-a: b\r\n")


async def paused_body(sender: Sender, _: int) -> None:
    await sender.drip(SLOW_BODY, b"")


async def no_token(sender: Sender, k: int) -> None:
    await sender.ask(request("GET", "/v1/history", f"guess-{k}"))


async def malformed(sender: Sender, k: int) -> None:
    _, method, path, headers, body = HOSTILE[k % len(HOSTILE)]
    content = body.encode() if isinstance(body, str) else body or b""
    kind = headers.get("Content-Type", "application/json")
    await sender.ask(request(method, path, TOKEN, content, kind))


async def reads(sender: Sender, _: int) -> None:
    await sender.ask(request("GET", "/runs", READ_TOKEN))


async def long_plans(sender: Sender, k: int) -> None:
    brief = {"line": "deck-1", "trials": {"count": 50}, "goal": {"min_grade": 0.95 + k % 40 / 1000}}
    await sender.ask(request("POST", "/v1/plans", READ_TOKEN, json.dumps(brief).encode()))


async def bombs(sender: Sender, _: int) -> None:
    await sender.ask(request("POST", "/v1/runs", TOKEN, BOMB, PARQUET))


KINDS: dict[str, Callable[[Sender, int], Awaitable[None]]] = {
    "idle": idle,
    "slow headers": slow_headers,
    "paused body": paused_body,
    "no token": no_token,
    "malformed": malformed,
    "reads": reads,
    "long plans": long_plans,
    "bombs": bombs,
}


async def keep_at_it(kind: str, sender: Sender, first: int, pace: float) -> None:
    """Send again and again until the time is over."""
    for k in itertools.count(first):
        if not sender.goes_on:
            return
        try:
            await KINDS[kind](sender, k)
        except (OSError, TimeoutError):
            sender.heard[NO_ANSWER] += 1
        await asyncio.sleep(pace)


async def attack(port: int, seconds: float, each: int, pace: float) -> dict[str, Counter[str]]:
    heard: dict[str, Counter[str]] = {kind: Counter() for kind in KINDS}
    until = time.monotonic() + seconds
    senders = [
        keep_at_it(kind, Sender(port, each * j + k, until, heard[kind]), 1000 * k, pace)
        for j, kind in enumerate(KINDS)
        for k in range(each)
    ]
    tasks = [asyncio.create_task(each) for each in senders]
    await asyncio.wait(tasks, timeout=seconds + 5.0)
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)
    return heard


def main() -> None:
    """Attack until the time is over, and print what was answered."""
    asked = argparse.ArgumentParser()
    asked.add_argument("port", type=int)
    asked.add_argument("--seconds", type=float, default=60.0)
    asked.add_argument("--each", type=int, default=32)
    asked.add_argument("--pace", type=float, default=1.0)
    given = asked.parse_args()
    print(json.dumps(asyncio.run(attack(given.port, given.seconds, given.each, given.pace))))


if __name__ == "__main__":
    main()
