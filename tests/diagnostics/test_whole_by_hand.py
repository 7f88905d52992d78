"""A diagnosis as a whole: which part is asked for what, and what is told of the parts."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from optimizer.diagnostics import diagnosis
from optimizer.diagnostics import record as records
from optimizer.diagnostics.noise import Noise, ReadingNoise
from optimizer.diagnostics.record import in_words, round_floats
from optimizer.interval import Interval
from optimizer.plant.brief import Brief
from optimizer.plant.settings import Setting, SettingSpace
from optimizer.plant.site import Site


@pytest.fixture(autouse=True)
def constants(monkeypatch):
    """The examples are worked out for these values, which are choices and may change."""
    monkeypatch.setattr("optimizer.diagnostics.diagnosis.FEWEST_RUNS", 8)


SPACE = SettingSpace(
    (
        Setting("feed_rate", "t/h", 1.0, 3.0, 0.1),
        Setting("side_tilt", "deg", 0.0, 4.0, 0.5),
        Setting("air", "turn", 20.0, 60.0, 1.0),
    )
)


@pytest.mark.parametrize(("measured", "enough"), [(7, False), (8, True)])
def test_eight_measured_runs_are_diagnosed_each_part_by_its_own_function(
    monkeypatch, measured, enough
):
    evidence = SimpleNamespace(
        measured=np.arange(10) < measured,
        grade=np.linspace(0.9, 0.99, 10),
        set_points=5,
        line="deck-1",
        space=SPACE,
        warnings=("a",),
    )
    told = {}

    def stub(name):
        def made(*asked):
            told[name] = asked
            return (name,)

        return made

    names = (
        "calibrate", "split_noise", "lack_of_fit", "sensitivity", "collinear", "untried_ranges",
        "plan_sampling", "drifts", "unlogged", "residuals", "doubtful", "of_other_labels",
    )  # fmt: skip
    for name in names:
        monkeypatch.setattr(diagnosis, name, stub(name))
    surrogate = SimpleNamespace(favored_="favored", agreement_="agreement")
    model = SimpleNamespace(
        evidence=evidence,
        surrogate=surrogate,
        recent_settings=np.array([2.0, 1.0, 40.0]),
        recent_inputs="inputs",
    )
    made = []
    monkeypatch.setattr(diagnosis, "LineModel", lambda *asked: (made.append(asked), model)[1])
    monkeypatch.setattr(diagnosis, "evidence_of", lambda *asked: evidence)
    runs = {"run_id": "ids"}
    brief = SimpleNamespace(region=lambda space: "region", goal=SimpleNamespace(min_grade=None))
    found = diagnosis.diagnose_line(runs, Site(), brief, 5, "fitted")
    if not enough:
        assert "7" in str(found)
        assert not made
        return
    assert made == [(evidence, 5, "fitted")]
    assert (found.line, found.runs, found.measured, found.set_points) == ("deck-1", 10, 8, 5)
    assert found.recent == {"feed_rate": 2.0, "side_tilt": 1.0, "air": 40.0}
    assert found.units == {"feed_rate": "t/h", "side_tilt": "deg", "air": "turn"}
    assert found.spans == {"feed_rate": 2.0, "side_tilt": 4.0, "air": 40.0}
    median = pytest.approx(np.median(evidence.grade[:8]))
    assert found.min_grade == median
    assert told["calibrate"] == (model, median)
    assert told["untried_ranges"] == told["plan_sampling"] == (model, "region")
    assert told["unlogged"] == (surrogate, evidence, "inputs")
    assert told["doubtful"] == (model, ("residuals",), "ids")
    assert told["of_other_labels"] == (evidence, "agreement")
    assert (found.calibration, found.noise, found.drift) == (
        ("calibrate",), ("split_noise",), ("drifts",),
    )  # fmt: skip
    assert (found.favored, found.warnings) == ("favored", ("a", "of_other_labels"))
    brief.goal.min_grade = 0.95
    assert diagnosis.diagnose_line(runs, Site(), brief, 5).min_grade == 0.95


def test_lines_are_those_asked_for_else_that_of_the_brief_else_all(monkeypatch):
    asked = []

    class Lines:
        version = 4

        def chosen_lines(self, lines):
            asked.append(lines)
            return lines or ["one", "two"]

        def runs(self, site, lines):
            return lines

    monkeypatch.setattr(diagnosis, "snapshot_of", lambda history, site: Lines())

    def diagnosed(runs, site, brief, seed):
        return (
            f"too few of {runs[0]}" if brief.line == "two" else SimpleNamespace(of=runs, seed=seed)
        )

    monkeypatch.setattr(diagnosis, "diagnose_line", diagnosed)
    said = []
    found = diagnosis.diagnose(None, seed=9, progress=said.append)
    assert [(d.of, d.seed) for d in found.lines] == [(["one"], 9)]
    assert found.skipped == (("two", "too few of two"),)
    assert (found.seed, found.history_version, len(said)) == (9, 4, 2)
    diagnosis.diagnose(None, brief=Brief(line="two"))
    diagnosis.diagnose(None, brief=Brief(line="two"), lines=["one"])
    assert asked == [None, ["two"], ["one"]]


def test_numbers_of_a_document_have_six_digits():
    found = round_floats({"a": [0.123456789, float("nan"), 2], "b": ({"c": 123456.789},)})
    assert found == {"a": [0.123457, None, 2], "b": [{"c": 123457.0}]}


@pytest.mark.parametrize(
    ("slope", "said"),
    [
        ((0.008, 0.003, 0.013), "10 rpm more eccentric speed gains 8.0 points of recovery"),
        ((-0.008, -0.013, -0.003), "costs 8.0 points of recovery (3.0 to 13.0)"),
        ((0.008, 0.0, 0.013), "may be nothing"),
        ((-0.008, -0.013, 0.0), "may be nothing"),
        ((0.000049, 0.00001, 0.0001), "changes recovery by nothing that shows"),
        ((0.00005, 0.00001, 0.0001), "gains 0.1 points"),
        ((None, None, None), "changes recovery by nothing that shows"),
    ],
)
def test_an_effect_is_told_with_its_sign_and_whether_it_shows(slope, said):
    """10 rpm of a span of 300 are told; 0.005 % a rpm are 0.05 points."""
    found = str(in_words("eccentric_speed", "rpm", 300.0, Interval(*slope)))
    assert said in found


def test_the_noise_of_several_lines_is_their_root_mean_square():
    one, other = ReadingNoise(None, 0.3), ReadingNoise(0.4, 0.4)
    found = records._typical_noise([Noise(one, other), Noise(other, one)])
    assert found["grade"]["sampling_sd"] == pytest.approx(0.4)
    assert found["grade"]["process_sd"] == pytest.approx(np.sqrt((0.09 + 0.16) / 2))
    assert found["recovery"]["reading_sd"] == pytest.approx(np.sqrt((0.09 + 0.32) / 2))
    assert records._typical_noise([])["grade"]["sampling_sd"] is None
