"""Which setting matters: Sobol' indices of grade and recovery, and slopes at recent settings.

When all settings vary evenly over the range that was tried, the first-order index of a setting is
the share of the variance of grade or recovery that the setting explains alone. The total index
includes its interactions with other settings. The pair index is the share that comes from the
interaction of two settings:

    V_i = V[E(y | x_i)],  S_i = V_i / V,  T_i = 1 - V[E(y | all but x_i)] / V,
    S_ij = V[E(y | x_i, x_j)] / V - S_i - S_j.

The estimators are those of Saltelli et al., Comput. Phys. Commun. 181 (2010) 259, table 2 (b, c,
f), and of Saltelli, Comput. Phys. Commun. 145 (2002) 280 for pairs. Every index is computed on each
of many surfaces drawn from the posterior, which gives the interval of the index.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
from scipy.stats import qmc

from optimizer.evidence.line_model import LineModel
from optimizer.interval import Interval
from optimizer.numerics.low_discrepancy import even_points
from optimizer.plant.profiles import profiles_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# Base-2 logarithm of the number of base points of the estimators; number of surfaces drawn; number
# of anchor points of a surface.
LOG_BASE = 9
SURFACES = 64
ANCHORS = 192
# A surface with a variance below this, in squared fractions, counts as flat: its indices are 0.
FLAT = 1e-10


@dataclass(frozen=True)
class SobolIndices:
    """Sobol' indices of k functions of d inputs.

    Attributes:
        first, total: first-order and total indices, shape (k, d).
        pairs: pair indices, shape (k, d (d - 1) / 2), in the order of ``itertools.combinations``.
    """

    first: Floats
    total: Floats
    pairs: Floats


def sobol_indices(
    function: Callable[[Floats], Floats], d: int, log_base: int = LOG_BASE, seed: int = 0
) -> SobolIndices:
    """Sobol' indices of functions on the unit cube.

    Args:
        function: maps points, shape (n, d), to the values of k functions, shape (k, n).
        d: number of inputs.
        log_base: base-2 logarithm of the number of base points; the functions are evaluated at
            2 d + 2 times as many points.
        seed: seed of the scrambled Sobol' sequence.

    >>> found = sobol_indices(lambda X: (2.0 * X[:, 0] + X[:, 1])[None], 2, log_base=12)
    >>> found.first.round(2).tolist(), abs(found.pairs).round(2).tolist()
    ([[0.8, 0.2]], [[0.0]])
    """
    points = qmc.Sobol(2 * d, rng=seed).random_base2(log_base)
    A, B = points[:, :d], points[:, d:]
    stack = [A, B]
    for base, other in ((A, B), (B, A)):
        for i in range(d):
            mixed = base.copy()
            mixed[:, i] = other[:, i]
            stack.append(mixed)
    values = function(np.vstack(stack))
    # Centering the values reduces the variance of the products below.
    values = values - values.mean(axis=1, keepdims=True)
    f = values.reshape(len(values), 2 + 2 * d, len(A))
    fA, fB, fAB, fBA = f[:, :1], f[:, 1:2], f[:, 2 : 2 + d], f[:, 2 + d :]
    variance = np.var(f[:, :2].reshape(len(f), -1), axis=1)[:, None]
    flat = variance < FLAT
    variance = np.where(flat, 1.0, variance)
    first = np.where(flat, 0.0, np.mean(fB * (fAB - fA), axis=2) / variance)
    total = np.where(flat, 0.0, 0.5 * np.mean((fA - fAB) ** 2, axis=2) / variance)
    pairs = np.column_stack(
        [
            np.mean(fBA[:, i] * fAB[:, j] - fA[:, 0] * fB[:, 0], axis=1) / variance[:, 0]
            - first[:, i]
            - first[:, j]
            for i, j in combinations(range(d), 2)
        ]
        or [np.zeros((len(f), 0))]
    )
    return SobolIndices(first, total, np.where(flat, 0.0, pairs))


@dataclass(frozen=True)
class Effect:
    """The effect of one setting on one quantity.

    Attributes:
        first, total: first-order and total Sobol' index over the range tried.
        slope: change of the quantity, as a fraction, for an increase of the setting by one unit,
            at recent settings and today's material.
    """

    first: Interval
    total: Interval
    slope: Interval


@dataclass(frozen=True)
class Sensitivity:
    """Effects of the d settings on grade and recovery.

    Attributes:
        names: names of the settings.
        low, high: ends of the range tried, for which the indices hold, shape (d,); of a taper and
            a bow as people are told of them (see ``Profiles.told_by``), and so are slopes.
        effects: for each quantity, one effect for each setting.
        pairs: for each quantity, one pair index for each of ``itertools.combinations(names, 2)``.
    """

    names: tuple[str, ...]
    low: Floats
    high: Floats
    effects: dict[str, tuple[Effect, ...]]
    pairs: dict[str, tuple[Interval, ...]]


def sensitivity(model: LineModel) -> Sensitivity:
    """Computes Sobol' indices over the range tried, and slopes at recent settings. Gates count as
    level, taper and bow (see ``plant.profiles``): one gate says little about the deck."""
    e, profiles = model.evidence, profiles_of(model.evidence.space)
    told = profiles.told
    tried = profiles.values(e.settings[e.measured])[:, told]
    low, high = tried.min(axis=0), tried.max(axis=0)
    unit_low, unit_high = ((end - profiles.low[told]) / profiles.span[told] for end in (low, high))
    d, told_by = len(told), profiles.told_by[told]
    recent = profiles.inputs(model.recent_settings[None, :])

    def box(cube: Floats) -> Floats:
        unit = np.tile(recent, (len(cube), 1))
        unit[:, told] = unit_low + cube * (unit_high - unit_low)
        return e.inputs_at_unit(unit)

    step = e.space.steps[told] * told_by
    steps = np.diag(e.space.steps / profiles.span)[told]
    beside = np.vstack([recent - steps, recent + steps])
    anchors = box(even_points(ANCHORS, d, np.random.default_rng(model.seed)))
    surfaces = model.surfaces(np.vstack([anchors, e.inputs_at_unit(beside)]), SURFACES)
    rise = [
        (values[:, d:] - values[:, :d]) / (2.0 * step)
        for values in surfaces.outcome(e.inputs_at_unit(beside), e.feed_odds_today)
    ]
    found = sobol_indices(
        lambda cube: np.vstack(surfaces.outcome(box(cube), e.feed_odds_today)), d, seed=model.seed
    )
    effects, pairs = {}, {}
    for k, name in enumerate(("grade", "recovery")):
        rows = slice(k * SURFACES, (k + 1) * SURFACES)
        effects[name] = tuple(
            Effect(
                Interval.of_draws(found.first[rows, j]),
                Interval.of_draws(found.total[rows, j]),
                Interval.of_draws(rise[k][:, j]),
            )
            for j in range(d)
        )
        pairs[name] = tuple(
            Interval.of_draws(found.pairs[rows, p]) for p in range(found.pairs.shape[1])
        )
    names = tuple(profiles.names[column] for column in told)
    return Sensitivity(names, low * told_by, high * told_by, effects, pairs)


def pairs_of(names: tuple[str, ...]) -> tuple[tuple[str, str], ...]:
    """All pairs of settings, in the order of the pair indices.

    >>> pairs_of(("feed_rate", "side_tilt", "air"))
    (('feed_rate', 'side_tilt'), ('feed_rate', 'air'), ('side_tilt', 'air'))
    """
    return tuple(combinations(names, 2))


def handy_amount(span: float) -> float:
    """A round change of a setting for which its effect is stated: a power of ten of its unit.

    Args:
        span: highest less lowest value of the setting.

    >>> handy_amount(4.0), handy_amount(300.0), handy_amount(90.0), handy_amount(0.8)
    (1.0, 10.0, 1.0, 0.1)
    """
    if 1.0 <= span < 10.0:
        return 1.0
    return float(10.0 ** np.floor(np.log10(span / 10.0) + 1e-9 + (span < 1.0)))
