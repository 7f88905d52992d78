"""What the doors to tables, notebooks and figures say: small documents, read back by hand."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from matplotlib.figure import Figure

import optimizer.interop
from optimizer.errors import InputError
from optimizer.interop import figures
from optimizer.interop.display import plan_as_html
from optimizer.interop.figures import _replaced, painted, report_figures
from optimizer.interop.frames import frame_of_rows, runs_of_frame
from optimizer.plant.brief import Brief
from optimizer.plant.site import Site
from optimizer.presentation.svg import COLOR
from optimizer.text.words import ENGLISH

# ------------------------------------------------------------------ names


def test_the_room_offers_its_names_and_no_other():
    assert dir(optimizer.interop) == ["Optimizer", "SurrogateRegressor", "report_figures"]
    assert optimizer.interop.report_figures is report_figures
    with pytest.raises(AttributeError, match="has no attribute 'Gain'"):
        _ = optimizer.interop.Gain


# ------------------------------------------------------------------ frames


def frame(**columns):
    return pd.DataFrame({"line": ["b", "a", "a"], **columns})


def test_columns_that_a_frame_lacks_are_empty_and_runs_are_named_by_row_and_sorted():
    found = runs_of_frame(frame(air=[40.0, 41.0, 42.0]))
    assert found["line"].to_pylist() == ["a", "a", "b"]
    assert found["run_id"].to_pylist() == ["row 2", "row 3", "row 1"]
    assert found["air"].to_pylist() == [41.0, 42.0, 40.0]
    assert found["grade"].null_count == found["deck_state"].null_count == 3


def test_ends_of_ranges_and_missing_values_are_taken():
    values = {"grade": [0.0, 1.0, None], "deck_state": ["even", None, "flooded"]}
    found = runs_of_frame(frame(**values, air=[-1.0, 9e9, np.nan]))
    assert sorted(found["grade"].to_pylist(), key=str) == [0.0, 1.0, None]
    states = frame(deck_state=pd.Categorical(["even", "even", None]))
    assert runs_of_frame(states)["deck_state"].to_pylist() == ["even", None, "even"]


@pytest.mark.parametrize(
    ("columns", "said"),
    [
        ({"grade": [0.9, 0.9, 1.01]}, "'grade' .* has 1.01 in row 3; expected a fraction"),
        ({"recovery": [0.9, -0.01, 2.0]}, "'recovery' .* has -0.01 in row 2; expected a fraction"),
        ({"air": [1.0, 1.0, -np.inf]}, "'air' .* has -inf in row 3; expected a finite number"),
        ({"deck_state": ["even", "odd", "odd"]}, "has odd in row 2; expected one of"),
        ({"started_at": ["2026-01-05"] * 3}, "no times with a time zone"),
        ({"grad": [0.9] * 3}, "column 'grad' .* no column of a run"),
    ],
)
def test_the_first_value_that_cannot_be_is_named_by_its_row(columns, said):
    with pytest.raises(InputError, match=said):
        runs_of_frame(frame(**columns))


def test_times_with_a_zone_are_taken_in_any_unit_and_none_at_all_too():
    times = pd.to_datetime(["2026-01-05 10:00", "2026-01-05 09:00", None]).tz_localize("Asia/Tokyo")
    found = runs_of_frame(frame(started_at=times))["started_at"]
    assert [t and t.hour for t in found.to_pylist()] == [0, None, 1]
    assert runs_of_frame(frame(started_at=[None] * 3))["started_at"].null_count == 3


def test_a_count_that_some_rows_lack_stays_an_integer():
    found = frame_of_rows([{"rank": 1, "n": 2**53 + 1}, {"rank": 2, "n": None}])
    assert found["n"].tolist()[0] == 2**53 + 1
    assert found["n"].isna().tolist() == [False, True]
    assert found.columns.tolist() == ["rank", "n"]
    assert pa.Table.from_pandas(found)["n"].type == pa.int64()


# ------------------------------------------------------------------ a plan in a notebook


def entry(**more):
    return {
        "settings": {"end_raise": 2.5, "air": 40.0},
        "grade": {"mean": 0.9812, "low": 0.97, "high": 0.99},
        "recovery": {"mean": None, "low": 0.0, "high": 1.0},
        "chance_of_grade": 0.874,
        **more,
    }


def shown(line="deck-1", run_now=None):
    document = {
        "units": {"end_raise": "deg", "air": "turn"},
        "recommendations": [entry(rank=1), entry(rank=2, chance_of_grade=None)],
        "run_now": run_now,
        "stopping": {"why": "Go on & on."},
        "warnings": ["One.", "Two."],
    }
    plan = SimpleNamespace(line=line, runs_used=30, set_points=12, as_dict=lambda: document)
    return str(plan_as_html(plan))


TRIAL = "<td>2.5</td><td>40</td><td>98.1 (97.0–99.0)</td><td>not known</td>"


def test_a_plan_is_shown_by_rank_with_what_is_known():
    found = shown()
    assert "<caption>Next trials for deck-1, from 30 runs at 12 set-points</caption>" in found
    heads = ["", "end raise (deg)", "air (turn)", "grade %", "recovery %", "sure %"]
    assert "".join(f"<th>{head}</th>" for head in heads) in found
    rows = f"<tr><td>1</td>{TRIAL}<td>87</td></tr><tr><td>2</td>{TRIAL}<td></td></tr>"
    assert f"<tbody>{rows}</tbody>" in found
    assert found.endswith("<p>Go on &amp; on.<br>One.<br>Two.</p>")


def test_the_settings_to_run_now_stand_first_and_a_line_without_a_name_is_not_named():
    found = shown(line=None, run_now=entry())
    assert f"<tbody><tr><td>run now</td>{TRIAL}<td>87</td></tr><tr><td>1</td>" in found
    assert "<caption>Next trials, from 30 runs" in found


# ------------------------------------------------------------------ figures

COLORS = {"#010000": "#0000ff", "#010001": "#00ff00"}
BLUE, GREEN = (0.0, 0.0, 1.0), (0.0, 1.0, 0.0)


@pytest.mark.parametrize(
    ("given", "expected"),
    [
        ("#010000", "#0000ff"),
        ("#020000", None),
        ((1 / 255, 0.0, 0.0), BLUE),
        ((1 / 255, 0.0, 1 / 255, 0.5), (*GREEN, 0.5)),
        ([1 / 255, 0.0, 0.0, 0.25], (*BLUE, 0.25)),
        *((kept, None) for kept in (None, "none", "auto", "inherit", "no color", 7)),
        (np.array([[1.0, 1.0, 1.0, 0.5]]), None),
        (np.empty((0, 4)), None),
    ],
)
def test_a_placeholder_of_a_color_is_replaced_and_how_clear_it_is_stays(given, expected):
    assert _replaced(given, COLORS) == expected


def test_of_an_array_of_colors_the_placeholders_are_replaced():
    given = np.array([[1 / 255, 0.0, 0.0, 0.5], [1.0, 1.0, 1.0, 0.3], [1 / 255, 0, 1 / 255, 1.0]])
    kept = given.copy()
    found = _replaced(given, COLORS)
    assert found.tolist() == [[*BLUE, 0.5], [1.0, 1.0, 1.0, 0.3], [*GREEN, 1.0]]
    assert np.array_equal(given, kept)


def test_a_painted_figure_has_the_colors_of_the_light_page():
    figure = Figure()
    axes = figure.add_subplot()
    ink, paper = (figures._colors()[COLOR[name]] for name in ("ink", "paper"))
    assert (ink, paper) != (COLOR["ink"], COLOR["paper"])
    (line,) = axes.plot([0, 1], [0, 1], color=COLOR["ink"], markerfacecolor=COLOR["paper"])
    boxed = axes.text(0, 0, "here", color=COLOR["ink"], bbox={"facecolor": COLOR["paper"]})
    filled = axes.contourf([[0.0, 1.0], [2.0, 3.0]], colors=[COLOR["ink"], COLOR["paper"]])
    found = painted(figure, "name", "what it shows", ENGLISH)
    assert found is figure
    assert (figure.get_label(), figure.get_gid()) == ("name", "what it shows")
    rgb = figures.to_rgb
    assert rgb(line.get_color()) == rgb(boxed.get_color()) == rgb(ink)
    assert rgb(line.get_markerfacecolor()) == rgb(paper)
    assert rgb(boxed.get_bbox_patch().get_facecolor()[:3]) == rgb(paper)
    assert rgb(figure.get_facecolor()[:3]) == rgb(paper)
    assert {tuple(row[:3]) for row in filled.get_facecolor()} == {rgb(ink), rgb(paper)}


@pytest.mark.parametrize("compared", [False, True])
def test_the_figures_of_a_report_are_made_of_its_documents(monkeypatch, compared):
    """The parts are stubs that tell what they were given."""
    land = {"effects": [{"setting": "air"}, {"setting": "side_tilt"}]}
    made = SimpleNamespace(
        plan=SimpleNamespace(as_dict=lambda: "plan"),
        landscape=SimpleNamespace(as_dict=lambda: land),
        diagnosis_document=lambda: "diagnosis",
    )
    given = {}

    def compare(snapshot, site, brief, request, seed):
        given["compared"] = snapshot, site, brief.line, seed
        return SimpleNamespace(as_dict=lambda: "comparison")

    def situation_of(snapshot, site, brief, seed):
        given["planned"] = snapshot, site, brief.line, seed
        return "situation"

    def pictures(*documents):
        given["documents"] = documents
        level = Figure()
        level.set_label("profile")
        return {"map": "a map", "effects": ["of air", "of tilt"], "profiles": [level]}

    monkeypatch.setattr(figures, "snapshot_of", lambda history, site: ("snapshot of", history))
    monkeypatch.setattr(figures, "review", lambda situation: made)
    monkeypatch.setattr(figures, "compare", compare)
    monkeypatch.setattr(figures, "situation_of", situation_of)
    monkeypatch.setattr(figures, "pictures", pictures)
    site, brief = Site(), Brief.from_dict({"line": "deck-1"})
    found = report_figures("history", site, brief, compared=compared, seed=7)
    assert (found["effect of air"], found["effect of side_tilt"]) == ("of air", "of tilt")
    assert set(found) == {"map", "effect of air", "effect of side_tilt", "profile"}
    snapshot = ("snapshot of", "history")
    assert given["planned"] == (snapshot, site, "deck-1", 7)
    assert given.get("compared") == ((snapshot, site, None, 7) if compared else None)
    comparison = "comparison" if compared else None
    assert given["documents"][:4] == ("plan", land, "diagnosis", comparison)
    assert given["documents"][5] is painted
