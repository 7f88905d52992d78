"""A short run of the damaged-log fuzzer: a longer one is ``python -m tests.fuzz.mutate_logs``."""

from __future__ import annotations

import random
import time
from pathlib import Path

import pytest

from tests.fuzz import mutate_logs


def test_damaged_logs_lose_no_row(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("optimizer.intake.delimited.BLOCK_BYTES", 1 << 20)  # put back afterwards
    end = time.monotonic() + 8.0
    outcomes: list[str] = []
    for outcome, path in mutate_logs.run(
        random.Random(20250301), lambda count: time.monotonic() < end, tmp_path
    ):
        assert path is None, path.with_suffix(".txt").read_text(encoding="utf-8")
        outcomes.append(outcome)
    assert len(outcomes) > 100
    assert {"clean", "rows rejected", "file refused"} <= set(outcomes)


def test_a_planted_fault_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from optimizer.intake.delimited import _BlockReader

    chunk = _BlockReader.read

    def losing(self, block: bytes, first: int):
        whole = chunk(self, block, first)
        return whole.keep(whole.rows != whole.rows[-1]) if len(whole.rows) > 2 else whole

    monkeypatch.setattr(_BlockReader, "read", losing)
    monkeypatch.setattr("optimizer.intake.delimited.BLOCK_BYTES", 1 << 20)
    found = mutate_logs.run(random.Random(1), lambda count: count < 400, tmp_path)
    assert any(outcome == "FAULT" for outcome, _ in found)
