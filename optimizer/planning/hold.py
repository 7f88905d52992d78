"""The grade and recovery of settings over a shift whose material varies.

The feed of the shift is the materials of ``Shift``, each with its share. What must meet the grade
is the product of the whole shift ("blend": the mean of the grades, weighted by product mass) or the
product of every hour ("throughout").

A search looks at thousands of settings, so its chance takes the errors of the model at all
materials as equal draws (``outlook``). That is a shortlist: for the few settings that a plan names,
the errors are drawn jointly over the materials (``over_shift``).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.special import expit, logit

from optimizer.evidence.middlings import ExpectedMiddlings
from optimizer.gaussian_process.inputs import Inputs
from optimizer.interval import Interval, Intervals, rounded
from optimizer.model.coordinates import from_latent
from optimizer.model.selection import INTENSITY, noise_of_grade
from optimizer.numerics.cholesky import factorize
from optimizer.planning.situation import Expectation

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from optimizer.evidence.middlings import ShareProcess
    from optimizer.evidence.shift import Shift
    from optimizer.planning.situation import Situation

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]

BLEND = "blend"
ENDS = ("mean", "low", "high")
# Draws behind the figures of settings that a plan names, divided among the surrogate's members.
DRAWS = 4096
# Draws of each member behind the chance in a search, and of every fourth in a rough answer.
SEARCH_DRAWS, COARSE_DRAWS = 64, 16


@dataclass(frozen=True)
class Worst:
    """The material of the shift at which the chance of the grade is lowest.

    Attributes:
        material: the value of each varying property by name.
        chance_of_grade: chance that the product of this material meets the grade.
    """

    material: Mapping[str, float]
    chance_of_grade: float

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        return {
            "material": dict(self.material),
            "chance_of_grade": rounded(self.chance_of_grade),
        }


@dataclass(frozen=True)
class OverShift:
    """Settings over a shift.

    Attributes:
        over: ``low`` and ``high`` of each varying property by name.
        grade, recovery: true grade and recovery of the product of the whole shift.
        chance_of_grade: chance that what must meet the grade meets it, once the settings were
            selected.
        chance_before: the same chance before they were.
        worst: the material at which the chance is lowest.
    """

    over: Mapping[str, Mapping[str, float]]
    grade: Interval
    recovery: Interval
    chance_of_grade: float
    chance_before: float
    worst: Worst

    def as_dict(self) -> dict[str, Any]:
        """The member ``hold`` of a ``highside.plan/1`` document."""
        return {
            "over": {name: dict(ends) for name, ends in self.over.items()},
            "chance_of_grade": rounded(self.chance_of_grade),
            "worst": self.worst.as_dict(),
        }


def outlook(
    situation: Situation, index: Indices, coarse: bool = False, grade: float | None = None
) -> tuple[Floats, Floats]:
    """Chance of the grade, and mean recovery, of lattice points, shape (n, d), today; each (n,).

    Args:
        situation: the situation.
        index: the lattice points.
        coarse: whether a rough answer is enough.
        grade: the grade to reach; that of the plan when None.
    """
    least, e = situation.min_grade if grade is None else grade, situation.evidence
    shift = e.shift
    if shift is None:
        inputs = situation.inputs(index)
        return situation.surrogate.outlook(inputs, least, e.feed_odds_today, coarse)
    normals = situation.surrogate.normals_[: COARSE_DRAWS if coarse else SEARCH_DRAWS]
    members = [situation.surrogate.latent(A, coarse).members for A in _inputs(situation, index)]
    chance, recovery = np.zeros(len(index)), np.zeros(len(index))
    for of_member in zip(*members, strict=True):
        draws = [material.draws(normals) for material in of_member]
        S, C = (np.stack(part, axis=-1) for part in zip(*draws, strict=True))
        grades, recoveries = from_latent(S, C, shift.feed_odds)
        held, mean = _held(shift, grades, recoveries, situation.brief.goal.hold)
        chance += np.mean(held >= least, axis=0)
        recovery += mean.mean(axis=0)
    return chance / len(members[0]), recovery / len(members[0])


def over_shift(situation: Situation, point: Indices) -> OverShift:
    """Settings, a lattice point of shape (d,), over a shift whose material varies."""
    return over_shift_at(situation, situation.evidence.space.values(point), situation.min_grade)


def over_shift_at(situation: Situation, values: Floats, least: float) -> OverShift:
    """Settings over a shift whose material varies.

    Args:
        situation: the situation.
        values: values of the settings, shape (1, d), on the lattice or not.
        least: the grade to reach, a fraction.
    """
    shift = situation.evidence.shift
    assert shift is not None
    at = [situation.evidence.inputs_at(values, today) for today in shift.today]
    inputs = Inputs(np.vstack(at))
    hold, surrogate = situation.brief.goal.hold, situation.surrogate
    each = -(-DRAWS // len(surrogate.pairs_))
    normals = np.random.default_rng(situation.seed).standard_normal((2 * len(inputs), each))
    grades, lowered, recoveries = [], [], []
    for pair in surrogate.pairs_:
        moments = pair.moments(inputs)
        off = factorize(pair.covariance(moments, moments)) @ normals
        S, C = pair.with_deviations(moments, off.T)
        grade, recovery = from_latent(S, C, shift.feed_odds)
        noise = _noise(situation, pair, inputs)
        grades.append(grade)
        lowered.append(expit(logit(np.clip(grade, 1e-15, 1 - 1e-15)) - INTENSITY * noise))
        recoveries.append(recovery)
    grade, careful, recovery = (np.concatenate(part) for part in (grades, lowered, recoveries))
    product, mean = _held(shift, grade, recovery, BLEND)
    before, after = (_held(shift, g, recovery, hold)[0] >= least for g in (grade, careful))
    alone = np.mean(careful >= least, axis=0)
    k = int(np.argmin(alone))
    return OverShift(
        over={n: dict(zip(("low", "high"), r.ends, strict=True)) for n, r in shift.over.items()},
        grade=Interval.of_draws(product),
        recovery=Interval.of_draws(mean),
        chance_of_grade=float(after.mean()),
        chance_before=float(before.mean()),
        worst=Worst(shift.values[k], float(alone[k])),
    )


def expected_over_shift(situation: Situation, index: Indices) -> Expectation:
    """Expectations for a few lattice points, shape (n, d): of the product of the whole shift where
    the material varies over it, else those with today's material."""
    return expected_at(situation, situation.evidence.space.values(index), situation.min_grade)


def expected_at(situation: Situation, values: Floats, least: float) -> Expectation:
    """The same for values of the settings, shape (n, d), on the lattice or not, and a grade to
    reach."""
    if situation.evidence.shift is None:
        return situation.expected_at(values, least)
    each = [over_shift_at(situation, values[k : k + 1], least) for k in range(len(values))]
    chance = np.array([one.chance_before for one in each])
    grade, recovery = (
        Intervals(*(np.array([getattr(interval, end) for interval in found]) for end in ENDS))
        for found in ([one.grade for one in each], [one.recovery for one in each])
    )
    return Expectation(grade, recovery, chance, situation.chance_even_at(values))


def _noise(situation: Situation, pair: Any, inputs: Inputs) -> Floats:
    """Standard deviation of the logit of the grade that errors of readings cause at each material,
    shape (k,)."""
    shift = situation.evidence.shift
    assert shift is not None
    found = [
        noise_of_grade(pair, Inputs(inputs.values[k : k + 1]), float(odds))[0]
        for k, odds in enumerate(shift.feed_odds)
    ]
    return np.array(found)


def _inputs(situation: Situation, index: Indices) -> Iterator[Inputs]:
    """Lattice points, shape (n, d), as inputs with each material of the shift."""
    shift = situation.evidence.shift
    assert shift is not None
    for today in shift.today:
        yield Inputs(situation.evidence.inputs_with(index, today))


def _held(shift: Shift, grades: Floats, recoveries: Floats, hold: str) -> tuple[Floats, Floats]:
    """The grade that must be met, and the recovery of the shift.

    Args:
        shift: the k materials.
        grades, recoveries: true values at each material, shape (..., k).
        hold: "blend" for the grade of the whole shift's product, else the lowest of all.

    Returns:
        Grade and recovery, each (...).
    """
    wanted = shift.share * expit(shift.feed_odds)
    kept = recoveries * wanted
    if hold == BLEND:
        grade = kept.sum(axis=-1) / (kept / grades).sum(axis=-1)
    else:
        grade = grades.min(axis=-1)
    return grade, kept.sum(axis=-1) / wanted.sum()


def expected_middlings(situation: Situation, index: Indices) -> Sequence[ExpectedMiddlings | None]:
    """Share and grade of the middlings at lattice points, shape (n, d); n Nones where too few runs
    tell of them."""
    return expected_middlings_at(situation, situation.evidence.space.values(index))


def expected_middlings_at(
    situation: Situation, values: Floats
) -> Sequence[ExpectedMiddlings | None]:
    """The same for values of the settings, shape (n, d), on the lattice or not.

    Where the material varies over the shift, share and grade are those of the middlings of the
    whole shift. Their intervals take the errors at all materials as equal, which makes them too
    wide rather than too narrow.
    """
    found = situation.middlings
    if found is None:
        return [None] * len(values)
    share, weights = _share_over_shift(situation, found.share, values, None)
    grade: list[Interval] | list[None] = [None] * len(values)
    if found.grade is not None:
        grade = _share_over_shift(situation, found.grade, values, weights)[0]
    return [ExpectedMiddlings(*each) for each in zip(share, grade, strict=True)]


def _share_over_shift(
    situation: Situation, process: ShareProcess, values: Floats, weights: Floats | None
) -> tuple[list[Interval], Floats]:
    """Intervals of a share over the k materials of the shift, and the mass of the share in each of
    them, shape (k, n).

    Args:
        situation: the situation.
        process: the share.
        values: values of the settings, shape (n, d).
        weights: weight of each material, shape (k, n); its share in the feed when None.
    """
    e = situation.evidence
    materials = [e.today] if e.shift is None else list(e.shift.today)
    each = [process.predict(e.inputs_at(values, material)) for material in materials]
    if weights is None:
        of_feed = np.ones(1) if e.shift is None else e.shift.share
        weights = np.tile(of_feed[:, None], len(values))
    parts = weights / weights.sum(axis=0)
    ends = (np.stack([getattr(one, end) for one in each]) for end in ENDS)
    over = Intervals(*(np.sum(parts * end, axis=0) for end in ends))
    mass = weights * np.stack([one.mean for one in each])
    return [over[k] for k in range(len(over))], mass
