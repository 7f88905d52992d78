"""From logs to runs: every format gives the same runs, and a broken file stops no other."""

from __future__ import annotations

import datetime
import decimal
import gzip
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet as pq
import pytest

from optimizer.errors import InputError
from optimizer.history.history import History
from optimizer.intake.settling.load import load_bytes, load_logs
from tests.intake.rows import GOOD, SITE, load, row, text

PLAIN = text([row(note="Körner; fein, trocken")])
FORMATS = {
    "comma": PLAIN.encode(),
    "bom and crlf": b"\xef\xbb\xbf" + PLAIN.replace("\n", "\r\n").encode(),
    "semicolon": text([row(note="Körner; fein, trocken")], ";").encode(),
    "tab": text([row(note="Körner; fein, trocken")], "\t").encode(),
    "pipe": text([row(note="Körner; fein, trocken")], "|").encode(),
    "gzip": gzip.compress(PLAIN.encode()),
    "utf-16": PLAIN.encode("utf-16"),
    "windows-1252": PLAIN.encode("cp1252"),
    "no last line end": PLAIN.rstrip("\n").encode(),
    "blank lines": ("\n\n" + PLAIN + "\n   \n" + "," * (len(GOOD) - 1) + "\n").encode(),
}


@pytest.mark.parametrize("name", FORMATS)
def test_every_format_gives_the_same_run(history: History, name: str) -> None:
    report = load_bytes(FORMATS[name], history, SITE)
    assert (report.read, report.added) == (1, 1), report.rejects
    run = history.at().runs(site=SITE).to_pylist()[0]
    assert run["note"] == "Körner; fein, trocken"
    load(History(history.folder.parent / "plain"), [row()])  # type: ignore[union-attr]
    plain = History(history.folder.parent / "plain").at().runs()  # type: ignore[union-attr]
    assert run["run_id"] == plain["run_id"][0].as_py()


def test_decimal_commas_are_read_where_they_are_unambiguous(history: History) -> None:
    commas = {k: v.replace(".", ",") for k, v in row(grade="0.972").items()}
    report = load_bytes(text([commas], ";").encode(), history, SITE)
    assert report.added == 1, report.rejects
    assert history.at().runs()["grade"][0].as_py() == 0.972


@pytest.mark.parametrize(("other", "cell"), [("2.5", "1,500"), ("2,5", "1.500")])
def test_an_ambiguous_thousands_separator_is_rejected(
    history: History, other: str, cell: str
) -> None:
    rows = [row(end_raise=other), row(end_raise=other, feed_rate=cell)]
    rows = [{k: v.replace("0.", "0" + other[1]) for k, v in r.items()} for r in rows]
    report = load_bytes(text(rows, ";").encode(), history, SITE)
    assert (report.added, report.rejected) == (1, 1), report.rejects
    assert "with a decimal mark or with a thousands mark" in report.rejects[0]["reason"]


def test_ragged_rows_are_rejected_at_their_lines(history: History) -> None:
    lines = text([row(note="two\nlines"), row(run_id="x"), row(run_id="y", air="31")]).splitlines()
    assert len(lines) == 5
    lines[3] = lines[3].replace("0.97", "0,97")
    lines.insert(3, "")
    lines.append("only,three,cells")
    report = load_bytes("\n".join(lines).encode(), history, SITE)
    assert (report.read, report.added, report.rejected) == (4, 2, 2)
    assert [r["row"] for r in report.rejects] == [5, 7]
    assert (
        "16 cells and there are 15 headings: check for a decimal comma"
        in report.rejects[0]["reason"]
    )
    assert "3 cells and there are 15 headings" in report.rejects[1]["reason"]
    assert sorted(history.at().runs()["source_row"].to_pylist()) == [2, 6]


@pytest.mark.parametrize("size", [190, 410, 530, 777])
def test_row_numbers_hold_across_blocks(
    history: History, monkeypatch: pytest.MonkeyPatch, size: int
) -> None:
    monkeypatch.setattr("optimizer.intake.formats.delimited.BLOCK_BYTES", size)
    monkeypatch.setattr("optimizer.intake.formats.delimited.SAMPLE_BYTES", 300)
    rows = [
        row(run_id=f"r{k}", note='say "yes"\nor ' + "no " * 30 if k % 3 == 0 else "")
        for k in range(60)
    ]
    rows[41]["air"] = "high"
    report = load(history, rows)
    assert (report.read, report.added, report.rejected) == (60, 59, 1)
    lines = text(rows).splitlines()
    at = {r["run_id"]: r["source_row"] for r in history.at().runs().to_pylist()}
    assert all(lines[n - 1].startswith(f"{run},") for run, n in at.items())
    assert lines[report.rejects[0]["row"] - 1].startswith("r41,")


def test_parquet_types_are_read(history: History, tmp_path: Path) -> None:
    table = pa.table(
        {
            "line": pa.array(["A", "A"]).dictionary_encode(),
            "run_id": pa.array([17.0, 18.0]),
            "started_at": pa.array([1_740_823_200_000_000_000] * 2, pa.timestamp("ns", "+02:00")),
            "feed_rate": pa.array([decimal.Decimal("2.0")] * 2),
            "end_raise": pa.array([2.5, 2.5], pa.float32()),
            "side_tilt": pa.array([2, 2], pa.int8()),
            "eccentric_speed": [400, None],
            "air": [30.0, 30.0],
            "grade": [0.97, float("nan")],
            "recovery": pa.array([0.9, 0.9], pa.float32()),
        }
    )
    pq.write_table(table, tmp_path / "log.parquet")
    report = load_logs(tmp_path / "log.parquet", history)
    assert (report.added, report.rejected) == (1, 1)
    assert report.rejects[0]["row"] == 2
    assert "eccentric_speed is missing" in report.rejects[0]["reason"]
    assert "grade is missing" in report.rejects[0]["reason"]
    run = history.at().runs().to_pylist()[0]
    assert (run["run_id"], run["recovery"]) == ("17", pytest.approx(0.9, rel=1e-6))
    assert run["started_at"] == datetime.datetime(2025, 3, 1, 10, tzinfo=datetime.UTC)


BROKEN = {
    "empty": (b"", "is empty"),
    "blank": (b"\n \n", "is empty"),
    "noise": (bytes(range(256)) * 9, "neither text nor Parquet"),
    "workbook": (b"PK\x03\x04....", "a damaged workbook or archive"),
    "cut Parquet": (b"PAR1....", "a damaged Parquet file"),
    "cut gzip": (gzip.compress(PLAIN.encode())[:-9], "Compressed file ended"),
}


@pytest.mark.parametrize("name", BROKEN)
def test_a_broken_file_does_not_stop_the_others(
    history: History, tmp_path: Path, name: str
) -> None:
    content, reason = BROKEN[name]
    (tmp_path / "bad.csv").write_bytes(content)
    (tmp_path / "good.csv").write_text(PLAIN, encoding="utf-8")
    report = load_logs(
        [tmp_path / "bad.csv", tmp_path / "good.csv", tmp_path / "gone"], history, SITE
    )
    assert report.added == 1
    assert [Path(f).name for f in report.unreadable] == ["bad.csv", "gone"]
    assert reason in report.as_dict()["files"][0]["error"]
    assert "does not exist" in report.as_dict()["files"][2]["error"]


def test_a_gzip_cut_late_gives_the_rows_before(
    history: History, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("optimizer.intake.formats.delimited.BLOCK_BYTES", 2000)
    monkeypatch.setattr("optimizer.intake.formats.delimited.SAMPLE_BYTES", 1000)
    rng = np.random.default_rng(5)
    rows = [row(run_id=f"{k}", note=rng.bytes(40).hex()) for k in range(3000)]
    report = load_bytes(gzip.compress(text(rows).encode())[:-5000], history, SITE, file="cut.gz")
    assert 0 < report.added < 3000
    assert report.read == report.added
    assert f"The {report.read} rows before that were read" in (report.files[0].error or "")


def test_folders_and_patterns_give_each_log_once(history: History, tmp_path: Path) -> None:
    season = tmp_path / "season"
    (season / "deep").mkdir(parents=True)
    (season / "a.csv").write_text(text([row(run_id="a")]), encoding="utf-8")
    (season / "deep" / "b.TSV").write_text(text([row(run_id="b")], "\t"), encoding="utf-8")
    (season / "readme.md").write_text("no log", encoding="utf-8")
    seen: list[tuple[str, int, int]] = []
    report = load_logs(
        [season, str(season / "*.csv")], history, SITE, progress=lambda *told: seen.append(told)
    )
    assert (len(report.files), report.added) == (2, 2)
    assert [(Path(name).name, k, n) for name, k, n in seen] == [("a.csv", 1, 2), ("b.TSV", 2, 2)]
    with pytest.raises(InputError, match="no log at"):
        load_logs([tmp_path / "nothing*.csv"], history)
