"""Runs and plans as data frames, judged by pandas: what goes through a frame comes back equal.

Source: pandas (independent reader and writer of tables), with frames made by hypothesis.
"""

from __future__ import annotations

import io
from datetime import UTC, datetime

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pandas.testing import assert_frame_equal

from optimizer import Brief, History, Site, diagnose, load_logs, suggest
from optimizer.errors import InputError
from optimizer.history.schema import FRACTIONS, schema_of
from optimizer.history.snapshot import Snapshot
from optimizer.interop.frames import frame_of_runs, runs_of_frame
from optimizer.plant.run_columns import DECK_STATES
from tests.history.runs import run

SITE = Site()
SCHEMA = schema_of(SITE)
TIMES = st.datetimes(datetime(1990, 1, 1), datetime(2030, 1, 1), timezones=st.just(UTC))


def cells(field):
    if field.name == "deck_state":
        return st.sampled_from(DECK_STATES)
    if pa.types.is_timestamp(field.type):
        return TIMES
    if pa.types.is_string(field.type):
        return st.text(st.characters(codec="utf-8"), min_size=1, max_size=6)
    if pa.types.is_boolean(field.type):
        return st.booleans()
    if pa.types.is_integer(field.type):
        # Odd numbers above 2^53 are no floating-point numbers.
        return st.integers(2**53 - 2, 2**53 + 9)
    top = 1.0 if field.name in FRACTIONS else 1e9
    return st.floats(0.0, top, allow_subnormal=False)


@st.composite
def tables(draw):
    n = draw(st.integers(1, 6))
    columns = []
    for field in SCHEMA:
        one = cells(field)
        if field.name not in ("run_id", "line"):
            one = st.none() | one
        columns.append(pa.array(draw(st.lists(one, min_size=n, max_size=n)), field.type))
    table = pa.table(columns, schema=SCHEMA)
    return table.sort_by([(k, "ascending") for k in ("line", "started_at", "run_id")])


@given(tables())
def test_runs_that_go_through_a_frame_come_back_equal(table):
    frame = frame_of_runs(Snapshot.of_table(table), SITE, None)
    assert len(frame) == table.num_rows
    assert runs_of_frame(frame, SITE).equals(table)


@given(tables(), st.randoms())
def test_order_and_index_of_a_frame_say_nothing(table, random):
    frame = frame_of_runs(Snapshot.of_table(table), SITE, None)
    order = list(range(len(frame)))
    random.shuffle(order)
    shuffled = frame.iloc[order][sorted(frame.columns)]
    shuffled.index = [f"i{k}" for k in order]
    # Runs of equal line, start and id keep the order in which they were given.
    keys = ["line", "started_at", "run_id"]
    if not frame.duplicated(keys).any():
        assert runs_of_frame(shuffled, SITE).equals(table)


@given(tables())
def test_a_frame_that_was_written_and_read_again_gives_the_same_runs(table):
    kept = io.BytesIO()
    frame_of_runs(Snapshot.of_table(table), SITE, None).to_parquet(kept)
    assert runs_of_frame(pd.read_parquet(io.BytesIO(kept.getvalue())), SITE).equals(table)


@pytest.fixture(scope="module")
def of_season(season_table):
    return frame_of_runs(Snapshot.of_table(season_table), SITE, "deck-1")


def test_a_plan_of_a_frame_is_the_plan_of_its_runs(season_table, of_season, small_plans):
    brief = Brief.from_dict({"line": "deck-1", "trials": {"count": 2}})
    plan = suggest(of_season, SITE, brief)
    assert plan.as_dict() == suggest(runs_of_frame(of_season), SITE, brief).as_dict()
    ours, theirs = plan.run_now, suggest(season_table, SITE, brief).run_now
    assert ours.settings == theirs.settings
    assert ours.grade.mean == pytest.approx(theirs.grade.mean, abs=1e-6)
    frame = plan.frame()
    assert_frame_equal(frame, pd.DataFrame(plan.rows()), check_dtype=False)
    assert frame["rank"].tolist() == [1, 2]
    shown = plan._repr_html_()
    assert shown.count("<tr>") == 1 + 1 + 2
    assert f"{plan.run_now.settings['air']:g}" in shown
    assert "<table><caption>Next trials for deck-1" in shown


def test_what_is_shown_is_escaped(of_season, small_plans):
    brief = Brief.from_dict({"trials": {"count": 1}})
    odd = of_season.assign(line="<b>&deck</b>")
    shown = suggest(odd, SITE, brief)._repr_html_()
    assert "<b>" not in shown
    assert "&lt;b&gt;&amp;deck" in shown


def test_a_diagnosis_takes_a_frame(season_table, of_season):
    brief = Brief.from_dict({"line": "deck-1"})
    found = [diagnose(source, SITE, brief).as_dict() for source in (of_season, season_table)]
    assert found[0]["coverage"]["nominal"] == 0.9
    assert found[0]["coverage"]["grade"] == pytest.approx(found[1]["coverage"]["grade"], abs=0.02)


def test_a_history_gives_the_frame_of_what_is_stored(tmp_path):
    history = History(tmp_path / "history")
    log = pd.DataFrame([run(air=30.0 + k, run_id=f"r{k}") for k in range(5)])
    log.to_csv(tmp_path / "log.csv", index=False)
    load_logs([tmp_path / "log.csv"], history, SITE)
    frame = history.frame()
    assert_frame_equal(frame, frame_of_runs(history.at(), SITE, None))
    assert len(frame) == 5
    line = frame["line"][0]
    assert history.frame(line)["line"].unique().tolist() == [line]
    with pytest.raises(InputError, match="line 'deck-9' has no runs"):
        history.frame("deck-9")


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda f: f.assign(airr=1.0), "column 'airr' of the frame is no column .*'air'"),
        (lambda f: f.drop(columns="line"), "no column 'line'"),
        (lambda f: f.assign(grade=98.5), "'grade' of the frame has 98.5 in row 1; expected a frac"),
        (lambda f: f.assign(air=np.inf), "'air' of the frame has inf in row 1"),
        (lambda f: f.assign(air="much"), "'air' of the frame cannot be read as double"),
        (lambda f: f.assign(deck_state="odd"), "has odd in row 1; expected one of even, boiling"),
        (lambda f: f.assign(started_at=pd.Timestamp("2026-01-05")), "no times with a time zone"),
    ],
)
def test_what_is_wrong_with_a_frame_is_said(of_season, change, said):
    with pytest.raises(InputError, match=said):
        suggest(change(of_season), SITE)


def test_a_frame_without_ids_names_runs_by_row(of_season):
    few = of_season.head(3).drop(columns=["run_id", "started_at"])
    found = runs_of_frame(few.assign(material=few["material"].astype("category")), SITE)
    assert found["run_id"].to_pylist() == ["row 1", "row 2", "row 3"]
    assert found["started_at"].null_count == 3
