"""Which rows of logs are the same run."""

from __future__ import annotations

import io
import tracemalloc
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.csv

from optimizer.history.history import History
from optimizer.history.identity import hash_text, number_codes
from optimizer.intake.settling.load import load_bytes, load_table
from optimizer.numerics.key_map import KeyMap
from optimizer.plant.site import Site
from tests.intake.rows import GOOD, SITE, load, row


def test_same_log_as_csv_twice_and_parquet_once_gives_each_run_once(history: History) -> None:
    rng = np.random.default_rng(11)
    n = 3000
    columns: dict[str, Any] = {
        "line": ["A"] * n,
        "started_at": [f"2025-01-01 {k // 60 % 24:02d}:{k % 60:02d}:00" for k in range(n)],
        "feed_rate": rng.uniform(0.5, 4, n),
        "end_raise": rng.uniform(0.5, 5, n),
        "side_tilt": rng.uniform(0.5, 4.5, n),
        "eccentric_speed": rng.uniform(300, 600, n),
        "air": rng.uniform(0, 90, n),
        "grade": rng.uniform(0.9, 1, n),
        "recovery": rng.uniform(0.5, 1, n),
    }
    table = pa.table(columns)
    out = io.BytesIO()
    pa.csv.write_csv(table, out)
    assert load_bytes(out.getvalue(), history).added == n
    assert load_bytes(out.getvalue(), history).already_known == n
    single = pa.table(
        [c.cast(pa.float32()) if pa.types.is_floating(c.type) else c for c in table.columns],
        names=table.column_names,
    )
    assert load_table(single, history).already_known == n
    per_cent = single.rename_columns([f"{c} %" if c == "grade" else c for c in columns])
    scaled = pa.array(np.round(columns["grade"], 4) * 100)
    per_cent = per_cent.set_column(7, "grade %", scaled)
    plain = single.set_column(7, "grade", pa.array(np.round(columns["grade"], 4)))
    plain, per_cent = (t.set_column(0, "line", pa.array(["B"] * n)) for t in (plain, per_cent))
    assert load_table(plain, history).added == n
    assert load_table(per_cent, history).already_known == n
    assert history.at().runs().num_rows == 2 * n


def test_same_run_id_with_other_content_is_rejected_by_name(history: History) -> None:
    load(history, [row(run_id="r1"), row(run_id="r2", moisture="")])
    report = load(
        history,
        [
            row(run_id="r1", grade="0.970001"),
            row(run_id="r1", recovery="0.91", started_at="2025-03-02"),
            row(run_id="r2"),
            row(run_id="r3"),
            row(run_id="r3", air="31"),
        ],
    )
    assert (report.added, report.already_known, report.rejected) == (1, 1, 3)
    reasons = [r["reason"] for r in report.rejects]
    assert "started_at is 2025-03-01 10:00:00+00:00 there and 2025-03-02" in reasons[0]
    assert "recovery is 0.9 there and 0.91 here; give this row its own run_id" in reasons[0]
    assert (
        "run_id 'r2' of line 'A' is already known with other values: moisture is empty"
        in reasons[1]
    )
    assert (report.rejects[2]["field"], report.rejects[2]["value"]) == ("air", "31")


def test_rows_without_id_match_by_content(history: History) -> None:
    first = load(history, [row(run_id="given"), row(), row(note="again")])
    assert (first.added, first.already_known) == (1, 2)
    second = load(history, [row(air="31"), row(air="31", run_id="late")])
    assert (second.added, second.already_known) == (1, 1)
    third = load(history, [row(air="32")])
    fourth = load(history, [row(air="32", run_id="later still")])
    assert (third.added, fourth.already_known) == (1, 1)
    two_lines = load(history, [row(run_id="1", air="50"), row(run_id="1", line="B", air="51")])
    assert two_lines.added == 2


def test_material_makes_two_runs_only_of_undated_rows(history: History) -> None:
    undated = load(history, [row(started_at="", moisture="10"), row(started_at="", moisture="11")])
    assert undated.added == 2
    dated = load(history, [row(moisture="10"), row(moisture="11")])
    assert (dated.added, dated.rejected) == (1, 1)
    assert "moisture is 10 there and 11 here" in dated.rejects[0]["reason"]


def test_declaring_a_material_column_later_changes_no_id(history: History) -> None:
    rows = [{k: v for k, v in GOOD.items() if k != "moisture"}]
    load(history, rows, Site())
    assert load(history, rows, SITE).already_known == 1


def test_codes_agree_where_numbers_do() -> None:
    same = [[9.999999, 10.0], [0.0, -0.0], [97.2 / 100, 0.972], [float(np.float32(0.1)), 0.1]]
    for a, b in same:
        assert number_codes(np.array([a])) == number_codes(np.array([b]))
    codes = number_codes(np.array([0.1, 1.0, 10.0, -1.0, 0.100001, 1e-30, 1e30, 0.0]))
    assert len(set(codes.tolist())) == 8


def test_ids_do_not_change_between_versions(history: History) -> None:
    load(history, [row()])
    assert history.at().runs()["run_id"].to_pylist() == ["687165912a5f492777ba03a0aed5a0cc"]


def test_hash_of_text_depends_on_every_byte_and_not_on_its_place() -> None:
    words = ["", "a", "b", "abcdefgh", "abcdefghi", "abcdefgh" * 5, "abcdefgh" * 5 + "x", "é"]
    hashes = hash_text(pa.array(words))
    assert len(set(hashes.tolist())) == len(words)
    assert hash_text(pa.array(["pad", *words])[1:]).tolist() == hashes.tolist()
    assert hash_text(pa.array([None, "a"]))[0] == 0


def test_key_map_with_many_keys_uses_little_memory() -> None:
    # A map of ten million runs may take at most 48 bytes per run, including one copy of the keys
    # while the map grows.
    keys = np.random.default_rng(3).permutation(np.arange(1, 3_000_001, dtype=np.uint64)) * 7919
    fast = KeyMap()
    tracemalloc.start()
    try:
        for start in range(0, len(keys), 100_000):
            part = keys[start : start + 100_000]
            assert fast.claim(part, part + 1).all()
        used, most = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert used < 48 * len(keys)
    assert most < 1.7 * used
    assert (fast.get(keys)[1] == keys + 1).all()
