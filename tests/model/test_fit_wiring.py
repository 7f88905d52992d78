"""How a surrogate joins its parts when it is fitted: which part is asked how often and with what.

The parts are stubs that note what they are given.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from types import SimpleNamespace

import numpy as np
import pytest

from optimizer.gaussian_process.kernel import LABELS, LINES
from optimizer.gaussian_process.replicates import Groups
from optimizer.gaussian_process.solvers import EXACT
from optimizer.model import averaging, unstated_errors
from optimizer.model import surrogate as surrogates
from optimizer.model.averaging import weighted_descriptions
from optimizer.model.deck_prior import Frame
from optimizer.model.surrogate import SETTLED, Settled, Surrogate


@pytest.fixture(autouse=True)
def constants(monkeypatch):
    """The examples are worked out for these values, which are choices and may change."""
    monkeypatch.setattr("optimizer.model.surrogate.REREADINGS", 2)
    monkeypatch.setattr("optimizer.model.surrogate.MOST_REREADINGS", 12)
    monkeypatch.setattr("optimizer.model.surrogate.WRONG_BELOW", 0.5)
    monkeypatch.setattr("optimizer.model.averaging.TEMPER", 0.2)
    monkeypatch.setattr("optimizer.model.averaging.MOST_GUARDED", 3)


X = np.array([[0.0], [1.0], [0.0], [2.0]])
GROUPS = Groups.of(X)


@dataclass(frozen=True)
class Readings:
    """Readings that count how often they were computed again."""

    learned: bool = False
    given_times: int = 0

    def given(self, grade, recovery):
        assert (grade, recovery) == ("grade", "recovery")
        return replace(self, given_times=self.given_times + 1)


@dataclass(frozen=True)
class Latent:
    readings: Readings
    effects: object = None
    mask: tuple | None = None
    sharpness: str = "S"
    balance: str = "C"

    def without(self, effects):
        return replace(self, effects=effects)

    def take(self, mask):
        return replace(self, mask=tuple(mask))


@dataclass(frozen=True)
class Fitted:
    """A fitted description; its number tells how many fits led to it."""

    description: str
    fits: int = 0
    log: list = field(default_factory=list, compare=False)
    correlation: float = 0.25
    unsure: object = None
    occasions: object = None

    @property
    def members(self):
        return [f"member of fit {self.fits}"]

    @property
    def error(self):
        return SimpleNamespace(correlation=self.correlation)

    def expected_logits(self, groups, odds, effects):
        self.log.append(("expected", self.fits, effects))
        return "grade", "recovery"

    def told_apart(self, groups, latent, occasions):
        self.log.append(("told apart", self.fits, latent))
        return replace(occasions, apart=True)

    def information(self, groups, latent, occasions):
        assert occasions.apart
        self.log.append(("information", self.fits, latent))
        return "information"

    def unsure_of(self, effects, groups):
        return f"unsure of {effects}"


@dataclass(frozen=True)
class When:
    enough: bool = True
    by_habit: bool = False
    apart: bool = False
    cells: str = "cells"


class Parts:
    """The parts of a fit; ``weights`` are those of the runs after each round."""

    def __init__(self, monkeypatch, weights, effects=None):
        self.log, self.weights, self.effects = [], list(weights), effects
        for name in (
            "weighted_descriptions", "candidate_of", "with_learned_errors", "typical_difference",
            "weights_of_runs", "time_effects", "with_unknown_days",
        ):  # fmt: skip
            monkeypatch.setattr(surrogates, name, getattr(self, name))
        monkeypatch.setattr(surrogates, "latent_of", lambda readings, odds: Latent(readings))

    def asked(self, what):
        return [rest for name, *rest in self.log if name == what]

    def weighted_descriptions(self, frame, groups, latent, names, known=()):
        self.log.append(("weighted", groups, latent, names, list(known)))
        first = "other" if known else "one"
        return [(Fitted(first, 0, self.log), 0.7), (Fitted("two", 0, self.log), 0.3)]

    def candidate_of(self, description, frame, groups, latent, **more):
        self.log.append(("candidate", description, groups, latent, more))
        return Fitted(description, more["like"].fits + 1, self.log)

    def with_learned_errors(self, best, groups, readings, odds):
        self.log.append(("learned", best.fits, groups, readings))
        return replace(readings, learned=True)

    def typical_difference(self, one, other, odds):
        self.log.append(("difference", one, other))
        return "learned"

    def weights_of_runs(self, pair, groups, latent):
        self.log.append(("weights", pair, groups, latent))
        return np.asarray(self.weights.pop(0) if len(self.weights) > 1 else self.weights[0])

    def time_effects(self, information, cells, effects, last=False):
        self.log.append(("effects", information, cells, effects, last))
        return self.effects

    def with_unknown_days(self, effects, information, cells):
        self.log.append(("unknown days", effects, information, cells))
        return "with unknown days"


def settled(occasions=None, **more) -> Settled:
    made = Surrogate(descriptions=("one", "two"), **more)
    return made._settled(made._frame(1), GROUPS, Readings(), np.zeros(4), occasions)


def test_readings_are_computed_again_twice_where_the_weights_stay(monkeypatch):
    parts = Parts(monkeypatch, [np.ones(4)])
    found = settled()
    assert [(d, more["like"].fits) for d, _, _, more in parts.asked("candidate")] == [
        ("one", 0), ("one", 1),
    ]  # fmt: skip
    # Errors are learned once, by the first fit, from readings as they were stated.
    assert parts.asked("learned") == [[1, GROUPS, Readings()]]
    assert parts.asked("difference") == [[Readings(True), Readings()]]
    assert [pair for pair, _, _ in parts.asked("weights")] == ["member of fit 1", "member of fit 2"]
    assert found.latent.readings == Readings(True, 2)
    assert (found.best.description, found.best.fits) == ("one", 2)
    assert (found.learned, found.effects, found.information) == ("learned", None, None)
    assert [c.description for c, _ in found.weighted] == ["one", "two"]
    (_, latent, names, known), *again = parts.asked("weighted")
    assert (latent.mask, names, known, again) == ((True,) * 4, ("one", "two"), [], [])


def moving(*steps):
    return [np.array([1.0, 1.0, 1.0, 0.9 - step]) for step in steps]


@pytest.mark.parametrize(
    ("steps", "rounds"),
    [
        ((0.0, 0.9 * SETTLED), 2),
        ((0.0, 1.1 * SETTLED, 1.1 * SETTLED), 3),
        ((0.0, 2.0 * SETTLED, 0.5 * SETTLED, 0.0), 4),
        ((0.0, 0.2) * 9, 12),
    ],
)
def test_weights_of_runs_are_found_again_until_they_settle(monkeypatch, steps, rounds):
    parts = Parts(monkeypatch, moving(*steps))
    found = settled()
    assert len(parts.asked("weights")) == rounds
    assert len(parts.asked("expected")) == rounds
    np.testing.assert_array_equal(found.groups.weight, moving(*steps)[rounds - 1])
    # Each round is fitted with the weights that the one before has found.
    fitted = [groups.weight[3] for _, groups, _, _ in parts.asked("candidate")]
    assert fitted == [1.0, *(w[3] for w in moving(*steps)[: rounds - 1])]


@pytest.mark.parametrize(("weight", "again"), [(0.5, False), (0.49, True)])
def test_descriptions_are_compared_again_without_a_wrong_reading(monkeypatch, weight, again):
    parts = Parts(monkeypatch, [np.array([1.0, 1.0, 1.0, weight])])
    found = settled()
    asked = parts.asked("weighted")
    assert len(asked) == 1 + again
    assert found.best.description == ("other" if again else "one")
    if again:
        groups, latent, names, known = asked[1]
        assert groups.weight[3] == weight
        assert (latent.readings, latent.mask) == (found.latent.readings, (True,) * 4)
        assert ([c.description for c in known], names) == (["one", "two"], ("one", "two"))


@pytest.mark.parametrize("occasions", [None, When(enough=False)])
def test_time_is_left_out_where_too_little_is_known_of_it(monkeypatch, occasions):
    parts = Parts(monkeypatch, [np.ones(4)], "effects")
    found = settled(occasions)
    assert (found.effects, found.information) == (None, None)
    assert parts.asked("effects") == []


def test_effects_of_time_are_found_in_each_round_and_once_more_at_the_end(monkeypatch):
    parts = Parts(monkeypatch, [np.ones(4)], "effects")
    found = settled(When())
    assert parts.asked("effects") == [
        ["information", "cells", None, False],
        ["information", "cells", "effects", False],
        ["information", "cells", "effects", True],
    ]
    assert len(parts.asked("told apart")) == 1
    # The information is in readings with all effects in them.
    assert [latent.effects for _, latent in parts.asked("information")] == [None] * 3
    assert [effects for _, effects in parts.asked("expected")] == ["effects"] * 2
    assert [latent.effects for _, _, latent in parts.asked("weights")] == ["effects"] * 2
    assert (found.effects, found.information) == ("effects", ("information", "cells"))
    assert found.latent.effects == "effects"
    assert not parts.asked("unknown days")
    fitted = [latent.effects for _, _, latent, _ in parts.asked("candidate")]
    assert fitted == [None, "effects"]


@pytest.mark.parametrize("effects", [None, "effects"])
def test_on_a_plant_of_habit_days_that_nobody_knows_are_added(monkeypatch, effects):
    parts = Parts(monkeypatch, [np.ones(4)], effects)
    found = settled(When(by_habit=True))
    assert found.effects == "with unknown days"
    assert parts.asked("unknown days") == [[effects, "information", "cells"]]
    assert [last for *_, last in parts.asked("effects")] == [False] * 2 + [True] * bool(effects)


def test_each_description_is_fitted_with_its_share_of_the_members(monkeypatch):
    parts = Parts(monkeypatch, [np.ones(4)])
    weighted = [(Fitted("one", 3), 0.7), (Fitted("two", 4), 0.3)]
    best = Fitted("one", 8, correlation=0.5)
    groups = GROUPS.weighted(np.array([1.0, 1.0, 0.5, 1.0]))
    made = Surrogate(members=8)
    made._settled = lambda *asked: Settled(
        weighted, best, groups, Latent(Readings()), "learned", "effects", "information"
    )
    monkeypatch.setattr(surrogates, "favored_of", lambda weighted: ("favored", weighted))
    made.fit(X, None, 0.3)
    (one, _, _, more), (two, _, _, other) = parts.asked("candidate")
    assert (one, more["members"], more["like"], more["correlation"]) == ("one", 6, best, 0.5)
    assert (two, other["members"], other["like"]) == ("two", 2, weighted[1][0])
    assert [c.unsure for c in made.candidates_.values()] == ["unsure of effects"] * 2
    assert made.pairs_ == ["member of fit 9", "member of fit 5"]
    np.testing.assert_allclose(made.share_of_runs_, [1 / 1.5, 1.0, 0.5 / 1.5, 1.0])
    assert (made.latent_readings_, made.learned_error_) == (("S", "C"), "learned")
    assert (made.time_effects_, made.time_information_) == ("effects", "information")
    assert (made.favored_, made.n_members_) == (("favored", weighted), 8)
    assert made.normals_.shape == (surrogates.PREDICTION_DRAWS, 2)
    again = Surrogate(members=8, random_state=1)
    again._settled = lambda *asked: replace(made._settled(), effects=None)
    again.fit(X, None, 0.3)
    assert [c.unsure for c in again.candidates_.values()] == [None, None]
    assert np.max(np.abs(again.normals_ - made.normals_)) > 0.1


# -- weights of descriptions ----------------------------------------------------------------------


class Judged:
    """A fitted description whose twin is better by as much as its name says."""

    def __init__(self, description, like):
        self.description, self.like = description, like
        better = {"single": 0.0, "joint": 3.0}.get(description.name, -99.0)
        self.log_evidence = 5.0 * (better if not description.alone else better + 1.0)
        self.log_left_out = np.zeros(4)


@pytest.mark.parametrize(("own", "guarded"), [(0, False), (1, True), (4, False)])
def test_a_label_of_few_set_points_is_guarded_by_twins_that_learn_nothing(
    monkeypatch, own, guarded
):
    """Joint is ahead of single by e^3, and each twin of its own by e, all by the evidence alone."""
    asked = []

    def candidate_of(description, frame, groups, latent, like=None):
        asked.append((description.name, description.alone, frame.solver, like))
        return Judged(description, like)

    monkeypatch.setattr(averaging, "candidate_of", candidate_of)
    monkeypatch.setattr(averaging, "LEAST_WEIGHT", 0.001)
    points = np.column_stack([np.arange(4.0), np.arange(4) >= own])
    frame = Frame(("air",), 1, None, (LABELS,), "inducing", 0)
    groups = SimpleNamespace(points=points)
    found = weighted_descriptions(frame, groups, None, ("single", "joint"))
    assert {solver for _, _, solver, _ in asked} == {EXACT}
    told = [(c.description.name, c.description.alone) for c, _ in found]
    weights = [w for _, w in found]
    assert weights == sorted(weights, reverse=True)
    joint, share = 1.0 / (1.0 + np.exp(-3.0)), 1.0 / (1.0 + np.exp(-1.0))
    if guarded:
        assert told == [("joint", True), ("joint", False), ("single", True), ("single", False)]
        assert weights == pytest.approx(
            [joint * share, joint * (1 - share), (1 - joint) * share, (1 - joint) * (1 - share)]
        )
        likes = {(name, alone): like for name, alone, _, like in asked}
        assert likes["single", False] is None
        assert likes["single", True].description.name == "single"
    else:
        assert told == [("joint", False), ("single", False)]
        assert weights == pytest.approx([joint, 1 - joint])


def test_a_known_description_starts_from_its_own_fit(monkeypatch):
    known = [
        SimpleNamespace(description=SimpleNamespace(name=name, alone=alone))
        for name, alone in (("single", False), ("single", True))
    ]
    asked = {}

    def candidate_of(description, frame, groups, latent, like=None):
        asked[description.name, description.alone] = like
        return Judged(description, like)

    monkeypatch.setattr(averaging, "candidate_of", candidate_of)
    frame = Frame(("air",), 1, None, (LABELS,), EXACT, 0)
    groups = SimpleNamespace(points=np.column_stack([np.arange(4.0), np.arange(4) > 0]))
    weighted_descriptions(frame, groups, None, ("single",), known)
    assert asked["single", False] is known[0]
    assert asked["single", True] is known[1]
    weighted_descriptions(replace(frame, groupings=(LINES,)), groups, None, None)
    assert {name for name, alone in asked if not alone} == {"smooth", "single", "joint", "shares"}


# -- errors that are not stated -------------------------------------------------------------------


@dataclass(frozen=True)
class Unstated:
    recovery_variance: np.ndarray
    grade_variance: np.ndarray


@pytest.mark.parametrize(("more", "learned"), [(-0.01, False), (0.01, True)])
@pytest.mark.parametrize("name", ["recovery_variance", "grade_variance"])
def test_an_error_is_learned_where_the_readings_plainly_have_one(monkeypatch, name, more, learned):
    """The density is higher where the error that is not stated has the sixth of the variances that
    are tried; less the prior, a normal of their logarithms, by just as much as is asked for, or by
    a little less."""
    best = unstated_errors.VARIANCES[5]
    off = (np.log(best) - unstated_errors.USUAL_LOG_VARIANCE) / unstated_errors.LOG_VARIANCE_SD
    rise = unstated_errors.LEAST_EVIDENCE + 0.5 * off**2 + more
    monkeypatch.setattr(unstated_errors, "latent_of", lambda readings, odds: readings)
    monkeypatch.setattr(
        unstated_errors, "PairReadings", SimpleNamespace(of=lambda readings, apart: readings)
    )

    def density(candidate, groups, readings):
        return rise * (getattr(readings, name)[0] == best)

    monkeypatch.setattr(unstated_errors, "_log_likelihood", density)
    candidate = SimpleNamespace(exact=True, description=SimpleNamespace(apart=False))
    stated = {"recovery_variance": np.array([0.2, 0.5]), "grade_variance": np.array([0.2, 0.3])}
    given = Unstated(**{**stated, name: np.array([0.0, 0.5])})
    found = unstated_errors.with_learned_errors(candidate, None, given, 0.0)
    assert getattr(found, name).tolist() == [best if learned else 0.0, 0.5]
    (other,) = {"recovery_variance", "grade_variance"} - {name}
    assert getattr(found, other) is stated[other]
    candidate.exact = False
    assert unstated_errors.with_learned_errors(candidate, None, given, 0.0) is given
