"""How surprising a result is: how far a reading lies from what the plan expected of it.

The surprise is z = (measured - expected) / sqrt(s_e² + s_m²). The interval of the plan bounds the
true value, so s_e is its width over that of a normal distribution, and s_m is the error of the
reading. All of it is on the scale of fractions.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from optimizer.interval import rounded
from optimizer.measurement.counting import counted_se
from optimizer.text.sentences import sentence

QUANTITIES = ("grade", "recovery")
MILD, STRONG = 2.0, 3.0
"""Sizes of z from which a result is surprising and very surprising; by chance alone one in 22 and
one in 370."""
# Width of a central 90 % interval of the standard normal distribution.
WIDTH_90 = 3.289707


def surprise_of(
    expected: Mapping[str, Mapping[str, float | None]],
    run: Mapping[str, Any],
    noise: Mapping[str, float | None],
) -> dict[str, float | None] | None:
    """The surprise of the grade and of the recovery of a run.

    Args:
        expected: for each quantity the ``mean``, ``low`` and ``high`` of the plan.
        run: columns and values of the run.
        noise: for each quantity the standard deviation of a reading that states no error; it may
            lack a quantity.

    Returns:
        z by quantity, None where nothing was measured or expected; None when that holds for both.

    >>> surprise_of({"grade": {"mean": 0.98, "low": 0.975, "high": 0.985},
    ...              "recovery": {"mean": None, "low": 0.0, "high": 1.0}},
    ...             {"grade": 0.97, "grade_se": 0.004, "recovery": 0.9}, {})
    {'grade': -1.990457, 'recovery': None}
    """
    found = {name: _z(name, expected[name], run, noise.get(name)) for name in QUANTITIES}
    return None if all(z is None for z in found.values()) else found


def _z(
    name: str,
    expected: Mapping[str, float | None],
    run: Mapping[str, Any],
    noise: float | None,
) -> float | None:
    measured, mean = run.get(name), expected["mean"]
    low, high = expected["low"], expected["high"]
    if measured is None or mean is None or low is None or high is None:
        return None
    spread = math.hypot((high - low) / WIDTH_90, _reading_sd(name, measured, run) or noise or 0.0)
    return rounded((measured - mean) / spread) if spread > 0.0 else None


def _reading_sd(name: str, measured: float, run: Mapping[str, Any]) -> float | None:
    """The error of a reading as stated, else from its count; None where nothing is stated."""
    stated, count = run.get(f"{name}_se"), run.get(f"{name}_count")
    if stated:
        return float(stated)
    return float(counted_se(measured, count)) if count else None


def sentences(trial: str, surprise: Mapping[str, float | None] | None) -> tuple[str, ...]:
    """A sentence for each quantity of a trial that is surprising; none when nothing is.

    >>> sentences("deck-1-7.2", {"grade": -3.4, "recovery": 0.3})
    ('deck-1-7.2: the grade is far lower than expected (3.4 standard deviations).',)
    """
    said = []
    for name in QUANTITIES:
        z = None if surprise is None else surprise[name]
        if z is None or abs(z) <= MILD:
            continue
        key = f"{'far_' if abs(z) > STRONG else ''}{'higher' if z > 0 else 'lower'}_than_expected"
        said.append(sentence(key, trial=trial, quantity=sentence(f"the_{name}"), z=abs(z)))
    return tuple(said)
