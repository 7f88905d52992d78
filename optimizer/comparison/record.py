"""The comparison as a frozen record, and the JSON that others read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from optimizer.comparison.density_fractions import CurvesCompared
from optimizer.comparison.footing import Basis
from optimizer.comparison.ranking import Ranking
from optimizer.comparison.request import Prices
from optimizer.comparison.study import Study
from optimizer.interval import Interval

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# Decimals of probabilities and fractions that need not add up.
PLACES = 6


@dataclass(frozen=True)
class LineResult:
    """One line in the comparison; ``name`` is what it is called, its own name or a letter."""

    name: str
    study: Study
    rank: int
    rank_probability: float
    ranks: Mapping[str, tuple[int, float]]
    value: Interval | None

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        s = self.study
        document = {
            "line": self.name,
            "rank": self.rank,
            "rank_probability": _known(self.rank_probability),
            "ranks": {
                by: {"rank": rank, "probability": _known(p)} for by, (rank, p) in self.ranks.items()
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
            "causes": self.causes(),
            "warnings": list(s.warnings),
        }
        if self.value is not None:
            document["value_per_season"] = self.value.as_dict()
        return document

    def causes(self) -> list[dict[str, Any]]:
        """Settings that are moved, in the order worth changing; their gains sum to the mean gap."""
        s = self.study
        if s.better is None or s.parts is None:
            return []
        order = np.argsort(-s.parts, kind="stable")
        return [
            {
                "setting": s.names[j],
                "unit": s.units[j],
                "now": float(s.now[j]),
                "better": float(s.better[j]),
                "recovery_gain": float(s.parts[j]),
            }
            for j in order
            if s.now[j] != s.better[j]
        ]


@dataclass(frozen=True)
class Comparison:
    """Lines side by side, the best first, and the lines that cannot be compared."""

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
        document = {
            "schema": "highside.comparison/1",
            "seed": self.seed,
            "history_version": self.history_version,
            "basis": self.basis.as_dict(),
            "units": dict(self.units),
            "model": "each line fitted on its own runs",
            "ranked_by": self.ranked_by,
            "order_probability": None if self.ranking is None else _known(self.ranking.whole),
            "prices": None if self.prices is None else dict(self.prices.__dict__),
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
