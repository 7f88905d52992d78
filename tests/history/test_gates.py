"""Histories of lines whose air is set at several gates: identity, old runs, and what would mix."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pyarrow as pa
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from optimizer.errors import InputError
from optimizer.history.history import History
from optimizer.history.schema import alike_gates_as_one
from optimizer.history.upkeep import verify
from optimizer.intake.settling.load import load_logs, load_table
from optimizer.operations.site_check import check_site
from optimizer.plant.site import Site
from tests.history.runs import run

GATED = Site.from_dict({"lines": {"A": {"air": {"gates": 3}}}}, source="site.toml")
GATES = ("air_1", "air_2", "air_3")
OLD = [run(started_at=f"2025-03-{day:02d} 10:00", air=20.0 + day) for day in range(1, 6)]


def gated(day, *airs, **values):
    row = run(started_at=f"2025-04-{day:02d} 10:00", **values)
    del row["air"]
    return {**row, "air": None, **dict(zip(GATES, airs, strict=True))}


@pytest.fixture
def history(tmp_path):
    """Five runs from before the deck of line A had gates."""
    made = History(tmp_path / "history")
    load_table(OLD, made, Site())
    return made


def test_an_old_history_is_read_with_all_gates_alike(history):
    before = history.at().runs(Site())
    runs = history.at().runs(GATED)
    assert runs["air"].null_count == 5
    assert all(runs[gate].to_pylist() == before["air"].to_pylist() for gate in GATES)
    assert runs["run_id"].to_pylist() == before["run_id"].to_pylist()
    found = history.at().summary(GATED).as_dict()["lines"][0]
    assert found["settings"]["air_3"] == {"unit": "turn", "low": 21.0, "high": 25.0}
    assert (found["set_points"], "air" in found["settings"]) == (5, False)


def test_ids_of_a_history_without_gates_are_as_they_were(history):
    """Made by the program as it was before there were gates."""
    assert history.at().runs()["run_id"].to_pylist()[:2] == BEFORE


BEFORE = ["6be86715839b2cd63cb57908627bcf79", "0980a77cce6f1deded9fabf30fd3e312"]


def test_a_log_from_before_the_gates_is_recognized(history):
    again = load_table(OLD, history, GATED)
    assert (again.added, again.already_known) == (0, 5)
    # The same rows with each gate in a column of its own.
    alike = [{**row, "air": None, **dict.fromkeys(GATES, row["air"])} for row in OLD]
    again = load_table(alike, history, GATED)
    assert (again.added, again.already_known) == (0, 5)
    one_off = [{**alike[0], "air_3": alike[0]["air_3"] + 1}]
    assert load_table(one_off, history, GATED).added == 1


def test_each_version_stays_as_it_was(history):
    load_table([gated(1, 30, 35, 40), run(line="B", air=44)], history, GATED)
    assert history.at(0).runs().equals(history.at(0).runs(Site()))
    assert history.at(0).runs(GATED)["air_2"].to_pylist() == [21.0, 22.0, 23.0, 24.0, 25.0]
    rows = history.at().runs(GATED).select(["line", "air", *GATES]).to_pylist()
    assert [tuple(row.values()) for row in rows[-2:]] == [
        ("A", None, 30.0, 35.0, 40.0),
        ("B", 44.0, None, None, None),
    ]
    # A sound history, also for who has another site file.
    for site in (GATED, Site()):
        found = verify(history, site)
        assert (found.sound, found.odd_ids) == (True, 0)


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ({}, "with 3 gates of 'air', and the site declares none. Declare gates = 3 again"),
        ({"gates": 4}, r"with 3 gates of 'air', and the site declares 4.*\[lines.A.settings.air\]"),
        ({"gates": 2}, "with 3 gates of 'air', and the site declares 2"),
    ],
)
def test_runs_with_other_gates_than_the_line_has_are_refused_with_the_remedy(history, line, said):
    load_table([gated(1, 30, 35, 40)], history, GATED)
    other = Site.from_dict({"lines": {"A": {"air": line}}}, source="site.toml")
    version = history.version
    for work in (
        lambda: history.at().runs(other),
        lambda: history.at().summary(other),
        lambda: load_table([run(line="B")], history, other),
    ):
        with pytest.raises(InputError, match=f"site.toml: .*line 'A' {said}") as refused:
            work()
        assert refused.value.code == "mixed-gates"
    assert history.version == version
    found = check_site(history, other)
    assert found.mixes
    assert found.differences[0].what == "gates"
    # A line of another name may have any gates, and the old ones stay readable.
    rebuilt = {"A": {"air": {"gates": 3}}, "A-new": {"air": line or {"high": 60}}}
    site = Site.from_dict({"lines": rebuilt})
    assert history.at().runs(site, ["A"])["air_3"].to_pylist()[-1] == 40.0


def test_the_site_check_names_the_settings_that_each_line_has(history):
    load_table([gated(1, 30, 35, 40), run(line="B", air=44)], history, GATED)
    found = check_site(history, GATED)
    assert not found.mixes
    airs = [(c.column, c.line, c.relation) for c in found.columns if c.column.startswith("air")]
    assert airs == [("air", "B", "same"), *((gate, "A", "same") for gate in GATES)]


def test_an_export_has_the_columns_that_its_runs_fill(history, tmp_path):
    load_table([gated(1, 30, 35, 40), run(line="B", air=44)], history, GATED)

    def columns(**chosen):
        history.at().export(tmp_path / "runs.csv", GATED, **chosen)
        headings = (tmp_path / "runs.csv").read_text(encoding="utf-8").splitlines()[0]
        return [name for name in headings.replace('"', "").split(",") if name.startswith("air")]

    assert columns() == ["air", *GATES]
    assert columns(line="A") == [*GATES]
    assert columns(line="B") == ["air"]


def test_a_unit_that_was_changed_before_the_gates_came_is_converted(tmp_path):
    history = History(tmp_path / "history")
    load_table(OLD, history, Site())
    air = {
        "unit": "%", "low": 0, "high": 100, "step": 1, "gates": 2,
        "was": [{"unit": "turn", "at": [[0, 0], [90, 90]]}],
    }  # fmt: skip
    site = Site.from_dict({"settings": {"air": air}})
    assert history.at().runs(site)["air_2"].to_pylist() == [21.0, 22.0, 23.0, 24.0, 25.0]


air_of_a_gate = st.integers(0, 180).map(lambda half: half / 2)


@settings(max_examples=15, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    rows=st.lists(
        st.one_of(
            st.tuples(air_of_a_gate, air_of_a_gate, air_of_a_gate).map(
                lambda airs: {"line": "A", "air": "", **dict(zip(GATES, airs, strict=True))}
            ),
            air_of_a_gate.map(lambda air: {"line": "A", "air": air}),
            air_of_a_gate.map(lambda air: {"line": "B", "air": air}),
        ),
        min_size=1,
        max_size=6,
    ),
    suffix=st.sampled_from([".csv", ".parquet"]),
)
def test_an_export_loads_as_the_same_runs(rows, suffix):
    """Export of a gated log, loaded into an empty history, gives the same runs and ids; loaded into
    the same history it adds none."""
    blank = dict.fromkeys(("air", *GATES))
    given = [
        {**run(started_at=f"2025-03-01 {hour:02d}:00"), **blank, **row}
        for hour, row in enumerate(rows)
    ]
    with tempfile.TemporaryDirectory() as folder:
        history, other = History(Path(folder) / "a"), History(Path(folder) / "b")
        assert load_table(given, history, GATED).added == len(rows)
        path = Path(folder) / f"runs{suffix}"
        assert history.at().export(path, GATED) == len(rows)
        assert load_logs([path], other, GATED).added == len(rows)
        own = [n for n in history.at().columns if n not in ("source", "source_row")]
        here, there = (each.at().runs(GATED).select(own) for each in (history, other))
        assert here.equals(there)
        again = load_logs([path], history, GATED)
        assert (again.added, again.already_known) == (0, len(rows))


def test_equal_gates_count_as_one_value_and_others_stay():
    runs = pa.RecordBatch.from_pydict(
        {
            "air": [44.0, None, None, None],
            "air_1": [None, 30.0, 30.0, None],
            "air_2": [None, 30.0, 31.0, None],
        }
    )
    found = alike_gates_as_one(runs, {"air": ("air_1", "air_2", "air_3")}).to_pydict()
    assert found == {
        "air": [44.0, 30.0, None, None],
        "air_1": [None, None, 30.0, None],
        "air_2": [None, None, 31.0, None],
    }
