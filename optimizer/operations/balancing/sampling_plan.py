"""How large samples must be to show a difference between two settings.

In come the expected purity, the difference that matters and properties of the material; out comes a
``SamplingPlan``: the particles and grams to take, the remaining uncertainty, and the repeats to
run.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import MISSING, asdict, dataclass, fields
from typing import Any

from optimizer.errors import InputError, nearest
from optimizer.measurement import (
    SampleCount,
    count_for_grade,
    finite_interval,
    fundamental_error,
    grams,
    liberation_factor,
    mineral_factor,
    purity_interval,
    purity_se,
    repeats_to_show_difference,
    sampling_constant,
    size_range_factor,
    zero_defect_count,
)
from optimizer.text.figures import exact_percent

CONFIDENCE, POWER = 0.95, 0.8
# Factors of Gy's formula for closely sized and roughly round material, such as a deck's feed
# (common practice: 0.5 for the shape; the size ratio of sized feed is 1 to 2).
SHAPE, SIZE_RATIO = 0.5, 1.5


@dataclass(frozen=True)
class Particulate:
    """A broken mineral, as Gy's formula describes it.

    Args:
        top_size: size of the largest particles, mm.
        mineral_density, gangue_density: densities of mineral and gangue, t/m3.
        sample_grams: mass of the sample, g.
        liberation_size: size at which particles are either mineral or gangue, mm; the top size when
            None.
    """

    top_size: float
    mineral_density: float
    gangue_density: float
    sample_grams: float
    liberation_size: float | None = None

    @classmethod
    def from_dict(cls, given: Mapping[str, Any]) -> Particulate:
        """Makes a particulate from keys and values as a user writes them.

        Raises:
            InputError: when a key is unknown or missing, or its value is not a number above 0; the
                message names the key.
        """
        names = [f.name for f in fields(cls)]
        needed = [f.name for f in fields(cls) if f.default is MISSING]
        values = {}
        for name, text in given.items():
            if name not in names:
                hint = nearest(name, names)
                raise InputError(f"a particulate has no '{name}'.", hint=hint)
            try:
                values[name] = float(text)
            except ValueError:
                values[name] = math.nan
            if not 0 < values[name] < math.inf:
                raise InputError(f"{name} '{text}' is not a number above 0.")
        for name in needed:
            if name not in values:
                raise InputError(f"a particulate needs {name}; it needs {', '.join(needed)}.")
        return cls(**values)


@dataclass(frozen=True)
class SamplingPlan:
    """Sample sizes, and the differences that they can show.

    Attributes:
        purity, difference: expected purity and difference to show, as given, fractions.
        count: number of particles to count at each of the two settings.
        why: what the count is good for, in words, as plans and sheets say it.
        grams: mass of these particles, g; None when the mass of a thousand is not known.
        purity_se: standard error of the purity from one such count.
        purity_low, purity_high: exact 95 % interval if the count finds the expected purity.
        none_found_below: share of defects that can be excluded if a count of this size finds none.
        zero_defect_count: number of particles that must be counted without finding a defect, so
            that a share of defects as large as the difference can be excluded.
        repeats: number of runs at each setting that shows the difference in recovery; None when the
            standard deviation of recovery is not given.
        fundamental_se: relative standard error of the sample by Gy's formula; None when no
            particulate is given.
        notes: assumptions behind the numbers.
    """

    purity: float
    difference: float
    count: int
    why: str
    grams: float | None
    purity_se: float
    purity_low: float
    purity_high: float
    none_found_below: float
    zero_defect_count: int
    repeats: int | None
    fundamental_se: float | None
    notes: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """The ``highside.sampling/1`` document."""
        return {"schema": "highside.sampling/1", **asdict(self), "notes": list(self.notes)}


def plan_sampling(
    purity: float,
    difference: float,
    *,
    recovery_sd: float | None = None,
    thousand_grams: float | None = None,
    lot_count: int | None = None,
    particulate: Particulate | None = None,
    confidence: float = CONFIDENCE,
    power: float = POWER,
) -> SamplingPlan:
    """Computes the sample sizes that show a true difference in purity.

    Args:
        purity: expected share of wanted particles, fraction.
        difference: difference to show, fraction (half a point is 0.005).
        recovery_sd: standard deviation of one run's recovery, fraction; gives the repeats.
        thousand_grams: mass of a thousand particles, g.
        lot_count: number of particles in the lot, if the lot is small.
        particulate: properties of a mineral sample; give Gy's fundamental error.
        confidence, power: confidence and power of the comparison.

    Raises:
        InputError: when a share is not strictly between 0 and 1, or the purity plus or minus the
            difference is not.
    """
    asked = _count(purity, difference, confidence, power)
    count = asked.count
    notes = ["counting errors only; the scatter of the deck between runs comes on top"]
    if lot_count is not None and count > lot_count:
        count = lot_count
        notes.append(f"the lot has only {lot_count} particles: all of them are counted")
    found = round(purity * count)
    low, high = (float(bound) for bound in purity_interval(found, count))
    if lot_count is not None:
        low, high = finite_interval(found, count, lot_count)
        notes.append("interval for a small lot (hypergeometric)")
    return SamplingPlan(
        purity=purity,
        difference=difference,
        count=count,
        why=asked.why,
        grams=None if thousand_grams is None else float(grams(count, thousand_grams)),
        purity_se=float(purity_se(purity, count)),
        purity_low=low,
        purity_high=high,
        none_found_below=1.0 - (1.0 - confidence) ** (1.0 / count),
        zero_defect_count=int(zero_defect_count(difference, confidence)),
        repeats=None
        if recovery_sd is None
        else int(repeats_to_show_difference(recovery_sd, difference, confidence, power)),
        fundamental_se=None if particulate is None else _fundamental(purity, particulate),
        notes=tuple(notes),
    )


def _count(purity: float, difference: float, confidence: float, power: float) -> SampleCount:
    """The count that shows the difference.

    Raises:
        InputError: as ``plan_sampling``.
    """
    if not 0 < difference < 1:
        raise InputError(
            f"the difference {exact_percent(difference)} % must lie between 0 and 100 %.",
            hint="Half a point is 0.5%, or 0.005.",
        )
    if not 0 < purity < 1:
        raise InputError(
            f"the purity {exact_percent(purity)} % must lie strictly between 0 and 100 %.",
            hint="Write 98.5%, or 0.985.",
        )
    asked = count_for_grade(purity, difference, confidence, power)
    if asked is None:
        raise InputError(
            f"the purity {exact_percent(purity)} % and one {exact_percent(difference)} points "
            "nearer to 50 % must both lie strictly between 0 and 100 %."
        )
    return asked


def _fundamental(share: float, material: Particulate) -> float:
    """Relative standard error of the sample by Gy's formula, which takes sizes in cm."""
    size = material.top_size / 10.0
    free = (material.liberation_size or material.top_size) / 10.0
    constant = sampling_constant(
        SHAPE,
        size_range_factor(SIZE_RATIO),
        liberation_factor(free, size),
        mineral_factor(share, material.mineral_density, material.gangue_density),
    )
    error = float(fundamental_error(constant, size, material.sample_grams))
    if not math.isfinite(error):
        raise InputError("Gy's formula needs sizes, densities and a sample above zero.")
    return error
