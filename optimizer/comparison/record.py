"""The comparison as a frozen record, and the JSON that others read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from optimizer.comparison.density_fractions import CurvesCompared
from optimizer.comparison.footing import Basis
from optimizer.comparison.ranking import Rank, Ranking
from optimizer.comparison.request import Prices
from optimizer.comparison.study import Study
from optimizer.interval import Interval

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# Decimals of probabilities and fractions that need not add up.
PLACES = 6


@dataclass(frozen=True)
class Cause:
    """A setting that makes part of a gap.

    Attributes:
        setting, unit: which.
        now, better: its level in recent practice and at the better settings.
        recovery_gain: its part of the gap, fraction.
    """

    setting: str
    unit: str
    now: float
    better: float
    recovery_gain: float


@dataclass(frozen=True)
class LineResult:
    """One line in the comparison.

    Attributes:
        name: what the line is called, its own name or a letter.
        study: what was found for it.
        rank: by the quantity that the comparison ranks by.
        ranks: by each quantity.
        value: of its gap, over a season; None without prices.
    """

    name: str
    study: Study
    rank: Rank
    ranks: Mapping[str, Rank]
    value: Interval | None

    def as_dict(self) -> dict[str, object]:
        """JSON form, an entry of ``lines``."""
        s = self.study
        document: dict[str, object] = {
            "line": self.name,
            "rank": self.rank.rank,
            "rank_probability": _known(self.rank.probability),
            "ranks": {
                by: {"rank": r.rank, "probability": _known(r.probability)}
                for by, r in self.ranks.items()
            },
            "runs": s.runs,
            "set_points": s.set_points,
            "current": {
                "recovery": Interval.of_draws(s.now_draws).exact(),
                "chance_of_grade": round(s.chance_now, PLACES),
                "settings": _named(s.names, s.now),
                "as_run": {
                    "settings": _named(s.names, s.as_run),
                    "grade": s.grade_now.as_dict(),
                    "recovery": s.recovery_now.as_dict(),
                },
            },
            "attainable": {
                "sure": s.better is not None,
                "recovery": _interval_of(s.reach_draws),
                "chance_of_grade": round(s.chance_better, PLACES),
                "settings": None if s.better is None else _named(s.names, s.better),
            },
            "gap": _interval_of(s.gap_draws),
            "causes": [asdict(cause) for cause in self.causes()],
            "warnings": list(s.warnings),
        }
        if self.value is not None:
            document["value_per_season"] = self.value.as_dict()
        return document

    def causes(self) -> tuple[Cause, ...]:
        """Settings that are moved, in the order worth changing; their gains sum to the mean gap."""
        s = self.study
        if s.better is None or s.parts is None:
            return ()
        order = np.argsort(-s.parts, kind="stable")
        return tuple(
            Cause(s.names[j], s.units[j], float(s.now[j]), float(s.better[j]), float(s.parts[j]))
            for j in order
            if s.now[j] != s.better[j]
        )


@dataclass(frozen=True)
class Comparison:
    """Lines side by side, the best first, and the lines that cannot be compared.

    Attributes:
        basis: the material, feed rate, grade and confidence that hold for all lines.
        ranked_by: the quantity behind the order of the lines.
        ranking: by that quantity; None where no line can be compared.
        lines: those compared.
        left_out: the other lines, each with the reason.
        prices: behind the value of a season, where they were given.
        curves: partition curves, where density fractions were given.
        units: of the settings, by name.
        seed: of everything random.
        history_version: None where the runs came as a table.
        warnings: what holds for more than one line.
    """

    basis: Basis
    ranked_by: str
    ranking: Ranking | None
    lines: tuple[LineResult, ...]
    left_out: tuple[tuple[str, str], ...]
    prices: Prices | None
    curves: CurvesCompared | None
    units: Mapping[str, str]
    seed: int
    history_version: int | None
    warnings: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """The ``highside.comparison/1`` document."""
        document: dict[str, Any] = {
            "schema": "highside.comparison/1",
            "seed": self.seed,
            "history_version": self.history_version,
            "basis": self.basis.as_dict(),
            "units": dict(self.units),
            "model": "each line fitted on its own runs",
            "ranked_by": self.ranked_by,
            "order_probability": None if self.ranking is None else _known(self.ranking.whole),
            "prices": None if self.prices is None else asdict(self.prices),
            "lines": [line.as_dict() for line in self.lines],
            "not_compared": [{"line": name, "reason": why} for name, why in self.left_out],
            "warnings": list(self.warnings),
        }
        if self.curves is not None:
            document["partition"] = self.curves.as_dict()
        return document


def _interval_of(draws: Floats | None) -> dict[str, float | None] | None:
    """Mean and 90 % interval of draws to the last digit, None where there are none."""
    return None if draws is None else Interval.of_draws(draws).exact()


def _known(probability: float) -> float | None:
    return None if np.isnan(probability) else round(float(probability), PLACES)


def _named(names: tuple[str, ...], values: Floats) -> dict[str, float]:
    return dict(zip(names, map(float, values), strict=True))
