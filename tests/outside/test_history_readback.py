"""The history read back without our code: the Delta log by hand, its Parquet files by pandas.

Source of the log's layout: the Delta Lake transaction protocol, sections "Delta Log Entries",
"Add File and Remove File" and "Partition Value Serialization" (PROTOCOL.md of the delta-io/delta
repository): a table is the files of all ``add`` actions without a later ``remove``; paths are
percent-encoded; partition values are strings in the action and not in the file.
"""

from __future__ import annotations

import json
from pathlib import Path
from urllib.parse import unquote

import numpy as np
import pandas as pd
import pyarrow as pa

from optimizer.history.history import History
from optimizer.intake.settling.load import load_table
from optimizer.plant.site import Site


def read_by_protocol(folder: Path) -> pd.DataFrame:
    files: dict[str, dict[str, str]] = {}
    for entry in sorted((folder / "_delta_log").glob("*.json")):
        for line in entry.read_text("utf-8").splitlines():
            action = json.loads(line)
            if "add" in action:
                files[action["add"]["path"]] = action["add"]["partitionValues"]
            if "remove" in action:
                del files[action["remove"]["path"]]
    parts = [
        pd.read_parquet(folder / unquote(path), partitioning=None).assign(**values)
        for path, values in files.items()
    ]
    return pd.concat(parts, ignore_index=True)


def test_an_independent_reader_finds_the_loaded_runs(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    n = 500
    site = Site.from_dict({"material": {"moisture": {"unit": "%", "low": 0, "high": 30}}})
    frame = pd.DataFrame(
        {
            "run_id": [f"r{k:04d}" for k in range(n)],
            "line": rng.choice(["North 1", "South/2"], n),
            "started_at": pd.Timestamp("2025-03-01", tz="UTC")
            + pd.to_timedelta(rng.integers(0, 10**13, n), unit="us"),
            "feed_rate": rng.uniform(0.5, 4, n),
            "end_raise": rng.uniform(0.5, 5, n),
            "side_tilt": rng.uniform(0.5, 4.5, n),
            "eccentric_speed": rng.uniform(300, 600, n),
            "air": rng.uniform(0, 90, n),
            "grade": rng.uniform(0.5, 1, n),
            "recovery": rng.uniform(0, 1, n),
            "grade_count": rng.integers(1, 5000, n),
            "moisture": np.where(rng.random(n) < 0.2, np.nan, rng.uniform(0, 30, n)),
            "note": rng.choice(["", "wet", "naïve; 'quoted', \"twice\""], n),
        }
    )
    history = History(tmp_path / "history")
    for part in (frame[:200], frame[200:]):
        table = pa.Table.from_pandas(part, preserve_index=False)
        assert load_table(table, history, site).added == len(part)
    found = read_by_protocol(tmp_path / "history").sort_values("run_id", ignore_index=True)
    for name in frame.columns.drop(["note", "started_at"]):
        assert found[name].tolist() == frame[name].tolist() or np.array_equal(
            found[name].to_numpy(float), frame[name].to_numpy(float), equal_nan=True
        ), name
    assert (found["started_at"].astype("int64") == frame["started_at"].astype("int64")).all()
    assert found["note"].fillna("").tolist() == frame["note"].tolist()
    assert found["deck_state"].unique().tolist() == ["even"]
