"""A short run of the damaged-log fuzzer: a longer one is ``python -m tests.fuzz.mutate_logs``."""

from __future__ import annotations

import random
from collections import Counter
from pathlib import Path

import pytest

from tests.fuzz import mutate_logs


def test_damaged_logs_lose_no_row(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # monkeypatch restores the value afterwards.
    monkeypatch.setattr("optimizer.intake.formats.delimited.BLOCK_BYTES", 1 << 20)
    outcomes: Counter[str] = Counter()
    for outcome, path in mutate_logs.run(
        random.Random(20250301), lambda count: count < 600, tmp_path
    ):
        assert path is None, path.with_suffix(".txt").read_text(encoding="utf-8")
        outcomes[outcome] += 1
    assert outcomes.total() == 600
    # The damage leaves some logs readable and makes others faulty.
    assert min(outcomes[kind] for kind in ("clean", "rows rejected", "file refused")) > 40


def test_a_planted_fault_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from optimizer.intake.formats.delimited import _BlockReader

    chunk = _BlockReader.read

    def losing(self, block: bytes, first: int):
        whole = chunk(self, block, first)
        return whole.keep(whole.rows != whole.rows[-1]) if len(whole.rows) > 2 else whole

    monkeypatch.setattr(_BlockReader, "read", losing)
    monkeypatch.setattr("optimizer.intake.formats.delimited.BLOCK_BYTES", 1 << 20)
    found = mutate_logs.run(random.Random(1), lambda count: count < 400, tmp_path)
    assert any(outcome == "FAULT" for outcome, _ in found)


def test_a_fuzz_run_without_a_loaded_log_fails(tmp_path: Path, capsys) -> None:
    assert mutate_logs.main(["--files", "0", "--save", str(tmp_path)]) == 1
    assert "no log was loaded" in capsys.readouterr().out
