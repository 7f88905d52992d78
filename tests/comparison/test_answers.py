"""What a comparison reports of a line, and its draws, from studies that are made up."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pyarrow as pa
import pytest
from scipy.special import expit, logit

from optimizer.comparison import compare, comparing, line_study
from optimizer.comparison.basis import Basis
from optimizer.comparison.comparing import _Findings, _rankings, _side_by_side
from optimizer.comparison.line_study import SHAPE, TOWARDS_PEAK, UNKNOWN, VARYING, Study, trusted
from optimizer.comparison.ranking import Rank
from optimizer.comparison.record import LineResult
from optimizer.comparison.request import ComparisonRequest, Prices
from optimizer.history.snapshot import Snapshot
from optimizer.interval import Interval
from optimizer.plant.brief import Brief
from optimizer.plant.mass import TONNE
from optimizer.plant.settings import GRAVITY_TABLE
from optimizer.plant.site import Site
from tests.conftest import run_table

BASIS = Basis({"feed_grade": 0.9}, 2.0, 0.98, 0.9)


def study(line="a", now=0.8, reach=0.86, **more):
    """A line that recovers what is stated in every draw; two of three settings are to be moved."""
    sure = reach is not None
    return Study(**{
        "line": line, "runs": 40, "set_points": 20,
        "names": ("air", "side_tilt", "end_raise"), "units": ("turn", "deg", "deg"),
        "as_run": np.array([39.6, 2.0, 3.0]), "now": np.array([40.0, 2.0, 3.0]),
        "better": np.array([42.0, 1.5, 3.0]) if sure else None,
        "now_draws": np.full(64, now), "reach_draws": np.full(64, reach) if sure else None,
        "parts": np.array([0.02, 0.04, 0.0]) if sure else None,
        "grade_now": Interval(0.97, 0.96, 0.98), "recovery_now": Interval(0.81, 0.8, 0.82),
        "chance_now": 0.4, "chance_better": 0.93, "warnings": ("mind",), **more,
    })  # fmt: skip


def told(**more):
    rank, other = Rank(1, 0.75), Rank(2, float("nan"))
    return LineResult("line A", study(**more), rank, {"gap": rank, "current": other}, None)


def test_a_line_reports_its_ranks_practice_and_better_settings():
    found = told().as_dict()
    assert (found["line"], found["rank"], found["rank_probability"]) == ("line A", 1, 0.75)
    assert found["ranks"]["current"] == {"rank": 2, "probability": None}
    now, better = found["current"], found["attainable"]
    assert now["settings"] == {"air": 40.0, "side_tilt": 2.0, "end_raise": 3.0}
    assert now["as_run"]["settings"]["air"] == 39.6
    assert now["as_run"]["grade"]["mean"] == 0.97
    assert (now["recovery"]["mean"], now["chance_of_grade"]) == (pytest.approx(0.8), 0.4)
    assert (better["sure"], better["chance_of_grade"]) == (True, 0.93)
    assert better["settings"]["side_tilt"] == 1.5
    assert found["gap"]["mean"] == pytest.approx(0.06)
    assert found["warnings"] == ["mind"]
    assert "middlings" not in now
    assert "value_per_season" not in found


def test_causes_are_the_settings_to_move_the_largest_gain_first():
    causes = told().causes()
    assert [(c.setting, c.unit, c.now, c.better) for c in causes] == [
        ("side_tilt", "deg", 2.0, 1.5),
        ("air", "turn", 40.0, 42.0),
    ]
    assert [c.recovery_gain for c in causes] == [0.04, 0.02]


def test_a_line_without_sure_settings_has_no_gap_and_no_causes():
    found = told(reach=None).as_dict()
    assert found["attainable"]["sure"] is False
    assert found["attainable"]["settings"] is found["attainable"]["recovery"] is None
    assert found["gap"] is None
    assert found["causes"] == []


# ------------------------------------------------------------------ side by side


def side_by_side(*studies, left_out=(), **request):
    found = _Findings(tuple(studies), left_out, None)
    return _side_by_side(found, Site(), BASIS, ComparisonRequest(**request), 3, 7, ("doubt",))


LINES = (study("a", 0.80, 0.86), study("b", 0.84, None), study("c", 0.82, 0.90))


def test_lines_are_ranked_by_what_is_asked_and_unsure_ones_come_last():
    for by, order in (("attainable", "cab"), ("gap", "cab"), ("current", "bca")):
        found = side_by_side(*LINES, ranked_by=by)
        assert "".join(line.name for line in found.lines) == order
        assert [line.rank.rank for line in found.lines] == [1, 2, 3]
        assert found.ranked_by == by
    ranks = {by: ranking.rank.tolist() for by, ranking in _rankings(LINES, 0).items()}
    assert ranks == {"attainable": [2, 3, 1], "current": [3, 1, 2], "gap": [2, 3, 1]}


def test_lines_of_which_none_is_sure_are_ranked_by_their_practice():
    unsure = (study("a", 0.80, None), study("b", 0.84, None), study("c", 0.82, None))
    for ranking in _rankings(unsure, 0).values():
        assert ranking.rank.tolist() == [3, 1, 2]


def test_an_answer_names_what_it_was_made_from():
    found = side_by_side(*LINES, left_out=(("d", "too few"),)).as_dict()
    assert (found["seed"], found["history_version"]) == (3, 7)
    assert found["not_compared"] == [{"line": "d", "reason": "too few"}]
    assert found["warnings"] == ["doubt"]
    assert found["units"]["air"] == GRAVITY_TABLE["air"].unit
    assert found["order_probability"] == 1.0
    assert found["prices"] is None
    assert "partition" not in found


def test_letters_follow_the_ranks_and_then_the_lines_left_out():
    found = side_by_side(*LINES, left_out=(("d", "too few"),), anonymous=True)
    assert [(line.study.line, line.name) for line in found.lines] == [
        ("c", "line A"), ("a", "line B"), ("b", "line C"),
    ]  # fmt: skip
    assert found.left_out == (("line D", "too few"),)


def test_a_single_line_is_no_comparison_and_none_has_no_ranking():
    assert len(side_by_side(*LINES[:2]).warnings) == 1
    assert side_by_side(LINES[0]).warnings[1].key == "few_lines"
    nothing = side_by_side()
    assert (nothing.ranking, nothing.lines) == (None, ())
    assert nothing.as_dict()["order_probability"] is None


def test_the_gap_of_a_line_is_priced():
    """By hand: 2 t/h of 90 % for 1000 h make 0.06 x 0.9 / 0.98 t more product of each tonne, and as
    much less reject."""
    prices = Prices(500.0, 1000.0, reject=100.0)
    found = side_by_side(*LINES, prices=prices)
    worth = {line.name: line.value for line in found.lines}
    assert worth["a"].expected.mean == pytest.approx(2.0 * 1000.0 * 0.06 * 0.9 / 0.98 * 400.0)
    assert worth["b"] is None
    assert found.as_dict()["prices"] == prices.as_dict(TONNE)
    assert prices.as_dict(TONNE)["mass_unit"] == "t"
    assert "middlings" not in prices.as_dict(TONNE)
    assert Prices(500.0, 1000.0, middlings=3.0).as_dict(TONNE)["middlings"] == 3.0


def few(line, n=7, **more):
    settings = GRAVITY_TABLE.values(np.tile([15, 20, 20, 30, 40], (n, 1)))
    return run_table(settings, [0.98] * n, [0.9] * n, line=line, **more)


def test_lines_with_few_runs_are_left_out_with_the_reason():
    table = pa.concat_tables([few("a"), few("b", 3)])
    told = []
    found = compare(Snapshot.of_table(table), progress=told.append)
    assert [line for line, _ in found.left_out] == ["a", "b"]
    assert [why.values["runs"] for _, why in found.left_out] == [7, 3]
    assert (found.lines, found.ranking, found.ranked_by) == ((), None, "attainable")
    assert [said.values["count"] for said in told] == [0]
    asked = compare(Snapshot.of_table(table), request=ComparisonRequest(lines=["b"]))
    assert [line for line, _ in asked.left_out] == ["b"]


def test_lines_that_can_be_compared_are_studied(monkeypatch):
    """The study is replaced: each task is of a line, its runs and the basis of all."""
    seen = []

    def studied(work, tasks, *where):
        seen.extend([(task.line, task.runs.num_rows, task.seed, where) for task in tasks])
        return [study(task.line, 0.8 + 0.01 * k) for k, task in enumerate(tasks)]

    monkeypatch.setattr(comparing, "run_all", studied)
    table = pa.concat_tables([few("a", 8), few("b", 9), few("c", 7)])
    found = compare(Snapshot.of_table(table), seed=5, scheduler="spread", workers=2)
    assert seen == [("a", 8, 5, ("spread", 2)), ("b", 9, 5, ("spread", 2))]
    assert [line.name for line in found.lines] == ["a", "b"]
    assert [line for line, _ in found.left_out] == ["c"]
    assert (found.seed, found.basis.feed_rate) == (5, 2.0)
    assert found.curves is None


# ------------------------------------------------------------------ one line


class Surfaces:
    """10,000 surfaces that agree: S and C are the first two columns of the inputs."""

    def latent(self, inputs):
        return tuple(np.tile(inputs[:, k], (10_000, 1)) for k in (0, 1))


def one_line(feed_rate=2.0):
    evidence = SimpleNamespace(
        space=GRAVITY_TABLE,
        inputs_today=lambda index: np.asarray(index, float),
        settings=GRAVITY_TABLE.values(np.array([[3, 10, 5, 20, 30], [9, 10, 5, 20, 34]])),
        measured=np.array([True, True]),
    )
    model = SimpleNamespace(
        evidence=evidence,
        seed=1,
        recent_settings=np.array([2.04, 2.5, 2.0, 450.0, 40.3]),
        chance_even=lambda index: np.where(index[:, 4] == 0, 0.4, 0.9),
    )
    basis = Basis({}, feed_rate, 0.98, 0.9)
    return line_study._Study(model, Brief().region(GRAVITY_TABLE), basis, [])


def test_recent_practice_is_set_to_the_feed_rate_of_the_basis_and_to_the_steps():
    for rate, fed in ((1.5, 1.5), (None, 2.0)):
        now = GRAVITY_TABLE.values(one_line(rate)._now()[None, :])[0]
        assert now == pytest.approx([fed, 2.5, 2.0, 450.0, 40.0])


def test_draws_of_practice_scatter_about_what_remains_at_the_grade():
    """At a recovery of expit(1), of which the cut leaves expit(0.5): half a logit, whose logarithm
    scatters, is lost; the logit itself scatters a little."""
    draws = one_line()._practice(Surfaces(), np.array([2.0, 0.0]), np.full(10_000, expit(0.5)))
    assert np.median(logit(draws)) == pytest.approx(0.5, abs=0.02)
    lost = np.log(1.0 - logit(draws))
    assert np.std(lost) == pytest.approx(np.hypot(SHAPE, VARYING / 0.5), rel=0.05)
    kept = one_line()._practice(Surfaces(), np.array([2.0, 0.0]), np.full(10_000, expit(1.0)))
    assert np.mean(logit(kept)) == pytest.approx(1.0, abs=2e-3)
    assert np.std(logit(kept)) == pytest.approx(VARYING, rel=0.05)


def test_what_is_attainable_lies_between_what_was_found_and_the_peak():
    draws = one_line()._reach(np.full(10_000, expit(2.0)), np.full(10_000, expit(1.0)))
    assert np.mean(logit(draws)) == pytest.approx(1.0 + TOWARDS_PEAK, abs=0.01)
    assert np.std(logit(draws)) == pytest.approx(UNKNOWN, rel=0.05)
    assert np.all(np.isfinite(logit(one_line()._reach(np.ones(9), np.zeros(9)))))


def test_candidates_are_fed_alike_and_probably_run_even(monkeypatch):
    monkeypatch.setattr(line_study, "POOL", 16)
    one = one_line()
    one.region = one.region.narrow("feed_rate", 2.0, 2.0, "")
    now = one._now()
    now[4] = 0  # where the deck hardly runs even
    pool = one._pool(now)
    feed, air = now[0], pool[:, 4]
    assert set(pool[:, 0]) == {feed}
    assert [p.tolist() for p in pool if p[4] == 0] == [now.tolist()]
    assert [feed, 10, 5, 20, 30] in pool.tolist()
    assert [feed, 10, 5, 20, 34] in pool.tolist()
    assert 4 < len(air) <= 19


def test_surfaces_are_exact_at_practice_at_the_best_by_two_scores_and_at_some_others(monkeypatch):
    """The more air, the sharper and the less sure: hope takes the most air, care the least."""
    for name, value in {"POOL": 64, "HOPEFUL": 1, "CAREFUL": 1, "SPREAD": 3}.items():
        monkeypatch.setattr(line_study, name, value)
    one, asked = one_line(), []

    def latent(inputs, coarse):
        air, n = inputs[:, 4], len(inputs)
        mean = np.array([4.0 + 0.01 * air, np.full(n, 4.0)])
        variance = np.array([(0.04 * air) ** 2, np.zeros(n)])
        return SimpleNamespace(mean=np.array([mean, mean]), variance=np.array([variance, variance]))

    one.model.surrogate = SimpleNamespace(latent=latent)
    one.model.evidence.feed_odds_today = float(logit(0.9))
    one.model.surfaces = lambda *given: asked.append(given)
    now = one._now()
    one._surfaces(now)
    ((anchors, draws),) = asked
    assert draws == line_study.DRAWS
    assert now.tolist() in anchors.tolist()
    assert {one.pool[:, 4].min(), one.pool[:, 4].max()} <= set(anchors[:, 4])
    assert 4 <= len(anchors) <= 6


def test_settings_are_searched_near_what_was_tried():
    """Runs at steps 30 to 34 of air; 15 % of its range more on either side."""
    evidence, air = one_line().model.evidence, GRAVITY_TABLE.names.index("air")
    found = trusted(Brief().region(GRAVITY_TABLE), evidence)
    wider = 0.15 * GRAVITY_TABLE["air"].top
    assert (found.first[air], found.last[air]) == (
        max(0, int(np.ceil(30 - wider - 1e-9))),
        min(GRAVITY_TABLE["air"].top, int(np.floor(34 + wider + 1e-9))),
    )
    top = GRAVITY_TABLE["air"].high
    asked = Brief.from_dict({"limits": {"air": {"fixed": top}}}).region(GRAVITY_TABLE)
    far = trusted(asked, evidence)
    assert (far.first[air], far.last[air]) == (asked.first[air], asked.last[air])
