"""Impossible start times: new rows with them are rejected, stored ones do no harm."""

from __future__ import annotations

import io
import json
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import openpyxl
import pyarrow as pa
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq
import pytest
from starlette.testclient import TestClient

from optimizer import Brief, History, InputError, Site, load_logs
from optimizer.comparison import ComparisonRequest, compare
from optimizer.diagnostics.diagnosis import diagnose
from optimizer.evidence.set_points import collapse_runs
from optimizer.history.schema import in_schema, schema_of
from optimizer.history.start_times import MISDATED
from optimizer.history.upkeep import verify
from optimizer.intake.settling.load import LoadOptions, load_bytes, load_table
from optimizer.landscape.progress import progress_of
from optimizer.operations.balancing.stream_log import balance_file
from optimizer.operations.recording import record
from optimizer.planning.planner import plan_of
from optimizer.planning.situation import situation_of
from optimizer.plant.region import Region
from optimizer.plant.settings import GRAVITY_TABLE
from optimizer.service.admission.access import Access
from optimizer.service.exchange.configuration import Configuration
from optimizer.service.http.app import create_app
from tests.conftest import run_table

NOW = datetime(2025, 6, 1, 12, tzinfo=UTC)
RUN = {
    "line": "A", "feed_rate": 2.0, "end_raise": 2.5, "side_tilt": 1.5, "eccentric_speed": 400.0,
    "air": 30.0, "grade": 0.97, "recovery": 0.9,
}  # fmt: skip
# Both are valid in their own time zone, but in UTC outside the years that Python can represent.
LAST, FIRST = "9999-12-31T23:59:59-14:00", "0001-01-01T00:00:00+14:00"
EARLY, LATE = "is before 1950", "more than a day ahead of the clock"


def history_at(folder: Path) -> History:
    return History(folder / "history", clock=lambda: NOW)


@pytest.mark.parametrize(
    ("started", "reason"),
    [
        (LAST, LATE),
        (FIRST, EARLY),
        ("2025-06-02T12:00:01Z", LATE),
        ("2025-06-03", LATE),
        ("3 June 2025", LATE),
        ("1949-12-31T23:59:59", EARLY),
        ("2025-06-02T12:00:00Z", None),
        ("2025-06-03T01:00+14:00", None),
        ("1950-01-01", None),
    ],
)
def test_a_time_is_accepted_from_1950_to_a_day_ahead_of_the_clock(tmp_path, started, reason):
    history = history_at(tmp_path)
    report = load_table([{**RUN, "started_at": started}], history)
    assert report.added == (0 if reason else 1)
    for reject in report.rejects:
        assert reject["field"] == "started_at"
        assert reject["value"] == started
        assert reason in reject["reason"]
        assert "correct the date" in reject["reason"]  # the remedy


TYPED = {
    "far beyond, in seconds": (pa.array([2**62 + 5], pa.int64()).cast(pa.timestamp("s")), LATE),
    "before, in seconds": (pa.array([-(2**62)], pa.int64()).cast(pa.timestamp("s", "UTC")), EARLY),
    "in milliseconds": (pa.array([2**61], pa.int64()).cast(pa.timestamp("ms")), LATE),
    "in microseconds": (pa.array([2**62], pa.int64()).cast(pa.timestamp("us", "+14:00")), LATE),
    "of a zone not known here": (pa.array([2**62]).cast(pa.timestamp("us", "No/Where")), LATE),
    "in nanoseconds": (pa.array([2**62], pa.int64()).cast(pa.timestamp("ns")), LATE),
    "a day": (pa.array([2**31 - 1], pa.int32()).cast(pa.date32()), LATE),
    "a day in milliseconds": (pa.array([86_400_000 * 10**9]).cast(pa.date64()), LATE),
    "the last day of all": (pa.array([date(9999, 12, 31)]), LATE),
}


@pytest.mark.parametrize("name", TYPED)
def test_a_typed_time_is_checked_in_its_own_unit(tmp_path, name):
    """2**62 seconds would overflow 64-bit microseconds and wrap around to a day of 1970."""
    column, reason = TYPED[name]
    table = pa.table({**{k: [v] for k, v in RUN.items()}, "started_at": column})
    report = load_table(table, history_at(tmp_path))
    assert (report.added, report.rejected) == (0, 1)
    assert reason in report.rejects[0]["reason"]


@pytest.mark.parametrize(
    ("kind", "number"),
    [
        (pa.timestamp("s"), 1_740_823_200),
        (pa.timestamp("ms", "+02:00"), 1_740_823_200_000),
        (pa.timestamp("ns", "UTC"), 1_740_823_200_000_000_001),
    ],
)
def test_a_typed_time_of_any_unit_is_the_same_time(tmp_path, kind, number):
    column = pa.array([number, None], pa.int64()).cast(kind)
    table = pa.table({**{k: [v, v] for k, v in RUN.items()}, "started_at": column})
    history = history_at(tmp_path)
    assert load_table(table, history).added == 2
    found = history.at().runs()["started_at"].to_pylist()
    assert found == [datetime(2025, 3, 1, 10, tzinfo=UTC), None]


# -- every input -----------------------------------------------------------------------------


def csv_of(rows: list[dict]) -> bytes:
    out = io.BytesIO()
    pa_csv.write_csv(pa.Table.from_pylist(rows), out)
    return out.getvalue()


def parquet_of(rows: list[dict]) -> bytes:
    out = io.BytesIO()
    pq.write_table(pa.Table.from_pylist(rows), out)
    return out.getvalue()


def workbook_of(rows: list[dict]) -> bytes:
    book = openpyxl.Workbook()
    book.active.append(list(rows[0]))
    for row in rows:
        book.active.append(list(row.values()))
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


ROWS = [
    {**RUN, "run_id": "good", "started_at": "2025-05-01T08:00Z"},
    {**RUN, "run_id": "last", "started_at": LAST},
    {**RUN, "run_id": "first", "started_at": FIRST},
]


def check(report: dict) -> None:
    assert (report["read"], report["added"], report["rejected"]) == (3, 1, 2)
    reasons = " ".join(reject["reason"] for reject in report["rejects"])
    assert EARLY in reasons
    assert LATE in reasons


@pytest.mark.parametrize("made", [csv_of, parquet_of, workbook_of])
@pytest.mark.parametrize("samples", [False, True])
def test_files_of_every_format_and_readings_over_time(tmp_path, made, samples):
    history = history_at(tmp_path)
    check(load_bytes(made(ROWS), history, options=LoadOptions(samples=samples)).as_dict())
    assert history.at().runs()["started_at"].null_count == 0


def test_a_date_cell_of_a_workbook(tmp_path):
    rows = [dict(row, started_at=datetime(9999, 12, 31, 23)) for row in ROWS[1:2]]
    report = load_bytes(workbook_of(rows), history_at(tmp_path))
    assert LATE in report.rejects[0]["reason"]


def test_a_recorded_result(tmp_path):
    found = record(history_at(tmp_path), Site(), ROWS[1:2], Brief())
    assert LATE in found.load.rejects[0]["reason"]
    path = tmp_path / "sheet.csv"
    path.write_bytes(csv_of(ROWS))
    check(record(history_at(tmp_path), Site(), path, Brief()).load.as_dict())


def client_of(folder: Path) -> TestClient:
    options = Configuration(str(folder / "history"), None, rate=0, planners=0)
    return TestClient(create_app(options, Access({}, b"k" * 32)), raise_server_exceptions=False)


@pytest.mark.parametrize(
    ("kind", "made"),
    [
        ("application/json", lambda rows: json.dumps(rows).encode()),
        ("text/csv", csv_of),
        ("application/vnd.apache.parquet", parquet_of),
    ],
)
def test_rows_sent_to_the_service(tmp_path, kind, made):
    with client_of(tmp_path) as client:
        check(client.post("/v1/runs", content=made(ROWS), headers={"Content-Type": kind}).json())


def test_a_log_made_from_stream_tests_has_no_impossible_time(tmp_path):
    text = "test_id,stream,mass,assay,started_at\n"
    for test, started in (("good", "2025-05-01"), ("bad", LAST)):
        text += f"{test},product,900,0.98,{started}\n{test},reject,100,0.4,\n"
    (tmp_path / "streams.csv").write_text(text, encoding="utf-8")
    found = balance_file(tmp_path / "streams.csv", clock=lambda: NOW)
    assert [row["run_id"] for row in found.rows()] == ["good"]
    assert f"streams.csv row 4, started_at '{LAST}' is more" in found.results[1].warnings[0]


# -- histories that hold one already ---------------------------------------------------------

LATE_STORED = 253_402_351_199_000_000  # LAST in UTC, in microseconds since 1970
EARLY_STORED = -62_135_647_200_000_000  # FIRST
BRIEF = Brief.from_dict({"line": "deck-1", "goal": {"min_grade": 0.97}, "trials": {"count": 1}})


def days_since(start: str, n: int) -> np.ndarray:
    return (np.datetime64(start) + np.arange(n) * np.timedelta64(1, "D")).astype("<M8[us]")


@pytest.fixture(scope="module")
def season() -> pa.Table:
    """30 runs of each of two lines, one run per day. Two runs of the first line have impossible
    start times and another material."""
    rng = np.random.default_rng(3)
    settings = GRAVITY_TABLE.values(Region.whole(GRAVITY_TABLE).sample(30, rng))
    both = []
    for line in ("deck-1", "deck-2"):
        started, material = days_since("2025-03-01T08:00", 30).astype(np.int64), ["washed"] * 30
        if line == "deck-1":
            started[[7, 20]] = LATE_STORED, EARLY_STORED
            material[7] = material[20] = "other"
        grade, recovery = rng.uniform(0.96, 0.99, 30), rng.uniform(0.8, 0.95, 30)
        table = run_table(settings, grade, recovery, line=line)
        columns = {
            "run_id": pa.array([f"{line}-{k}" for k in range(30)]),
            "started_at": pa.array(started).cast(pa.timestamp("us", "UTC")),
            "material": pa.array(material),
        }
        for name, column in columns.items():
            table = table.set_column(table.column_names.index(name), name, column)
        both.append(in_schema(table, schema_of(Site())))
    return pa.concat_tables(both)


@pytest.fixture(scope="module")
def holding(tmp_path_factory, season) -> History:
    """A history written without the check of times, like one from before the check existed."""
    history = History(tmp_path_factory.mktemp("holding") / "history")
    history.append(season)
    return history


NAMED = ("deck-1-7' (10000-01-01T13:59:59Z)", "deck-1-20' (0000-12-31T10:00:00Z)")


def names_both(warnings) -> bool:
    (said,) = (w for w in warnings if "before 1950" in w)
    assert "2 runs of line 'deck-1'" in said
    return all(name in said for name in NAMED)


def test_runs_with_impossible_times_are_read_without_them_and_never_as_the_latest(holding):
    runs = holding.at().runs(lines=["deck-1"])
    assert runs["run_id"].to_pylist()[:3] == ["deck-1-20", "deck-1-7", "deck-1-0"]
    assert runs["started_at"].null_count == 2
    assert runs[MISDATED].drop_null().to_pylist() == [
        "0000-12-31T10:00:00Z", "10000-01-01T13:59:59Z",
    ]  # fmt: skip
    assert MISDATED not in holding.at().runs(lines=["deck-2"]).column_names
    assert len(holding.at().runs(since="1700-01-01", lines=["deck-1"])) == 28


def test_such_a_history_is_summarized_with_a_warning(holding):
    found = holding.at().summary().as_dict()
    json.dumps(found)
    assert (found["runs"], found["lines"][0]["runs"]) == (60, 30)
    assert found["lines"][0]["first"] == "2025-03-01T08:00:00Z"
    assert found["lines"][0]["last"] == "2025-03-30T08:00:00Z"
    assert names_both(found["warnings"])
    assert names_both(holding.at().summary(since="2025-03-15").as_dict()["warnings"])
    assert "warnings" not in holding.at().summary(line="deck-2").as_dict()


@pytest.mark.parametrize("suffix", [".csv", ".parquet"])
def test_such_a_history_is_exported_and_the_export_loads(holding, tmp_path, suffix):
    path = tmp_path / f"runs{suffix}"
    assert holding.at().export(path) == 60
    fresh = History(tmp_path / "fresh")
    report = load_logs([path], fresh)
    assert (report.added, report.rejected) == (60, 0)
    assert fresh.at().runs()["started_at"].null_count == 2


def test_such_a_history_is_planned_on_and_reported(holding):
    work = situation_of(holding.at(), brief=BRIEF)
    plan = plan_of(work)
    assert plan.runs_used == 30
    assert names_both(plan.warnings)
    assert plan.material["material"] == "washed"  # the material of the latest run, not of the two
    campaign = progress_of(work, collapse_runs(work.evidence), plan)
    assert (campaign[-1].start, campaign[-1].runs) == (None, 2)
    assert all(entry.start.startswith("2025-0") for entry in campaign[:-1])


def test_such_a_history_is_diagnosed(holding):
    (line,) = diagnose(holding.at(), brief=BRIEF).lines
    assert names_both(line.warnings)
    assert line.drift


@pytest.mark.parametrize("anonymous", [False, True])
def test_such_a_history_is_compared_and_hides_anonymous_names(holding, monkeypatch, anonymous):
    # The attainable value of a line is tested elsewhere; computing it here would take most time.
    monkeypatch.setattr("optimizer.comparison.line_study.POOL", 256)
    monkeypatch.setattr("optimizer.comparison.line_study.DRAWS", 16)
    lines = ["deck-1"]
    found = compare(
        holding.at(),
        request=ComparisonRequest(lines=lines, anonymous=anonymous),
        brief=BRIEF,
        workers=1,
    )
    if anonymous:
        assert any("2 runs have a time before 1950" in said for said in found.warnings)
        assert "deck-1" not in json.dumps(found.as_dict())
    else:
        assert names_both(found.warnings)


def test_such_a_history_is_sound_and_accepts_new_runs(holding, tmp_path, season):
    history = History(tmp_path / "history")
    history.append(season)
    assert verify(history).sound
    # A corrected row for such a run is rejected with the stored values.
    row = season.slice(7, 1).drop_columns(["started_at", "source", "source_row"])
    mended = row.append_column("started_at", pa.array(["2025-03-08T08:00Z"]))
    (reject,) = load_table(mended, history).rejects
    assert "started_at is 10000-01-01 13:59:59+00:00 there and 2025-03-08" in reject["reason"]
    assert record(history, Site(), [ROWS[0]], BRIEF).load.added == 1
    assert history.at(0).summary().as_dict()["runs"] == 60


def test_the_service_answers_on_such_a_history(holding):
    # The tests above cover the report and the comparison behind the page "/lines".
    with client_of(Path(holding.location).parent) as client:
        assert names_both(client.get("/v1/history").json()["warnings"])
        for path in ("/", "/runs", "/?line=deck-1&trials=1"):
            page = client.get(path, headers={"Accept": "text/html"})
            assert page.status_code == 200, page.text
        assert "deck-1-20" in client.get("/runs").text


def test_a_date_beyond_comparison_is_refused():
    with pytest.raises(InputError, match="not a date that can be compared"):
        History("nowhere").at().runs(since=FIRST)


def test_the_clock_of_the_machine_is_the_default(tmp_path):
    now = datetime.now(UTC)
    rows = [
        {**RUN, "run_id": str(days), "started_at": (now + timedelta(days=days)).isoformat()}
        for days in (-1, 3)
    ]
    assert load_table(rows, History(tmp_path / "history")).added == 1
