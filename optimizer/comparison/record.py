"""The comparison as frozen records, and their JSON form."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from optimizer.comparison.basis import Basis
from optimizer.comparison.density_fractions import CurvesCompared
from optimizer.comparison.line_study import Study
from optimizer.comparison.ranking import Rank, Ranking
from optimizer.comparison.request import Prices
from optimizer.evidence.middlings import ExpectedMiddlings
from optimizer.interval import PLACES, Interval, rounded
from optimizer.plant.mass import MassUnit
from optimizer.text.sentences import listed

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Cause:
    """A setting that contributes to a gap.

    Attributes:
        setting, unit: name and unit of the setting.
        now, better: its value in recent practice and at the better settings.
        recovery_gain: its part of the gap, fraction.
    """

    setting: str
    unit: str
    now: float
    better: float
    recovery_gain: float


@dataclass(frozen=True)
class SeasonValue:
    """What the gap of a line is worth over a season, in the currency of the prices.

    Attributes:
        expected: its mean and 90 % interval.
        sure: what it is worth at least with the confidence of the basis; 0 when no gain is as sure.
    """

    expected: Interval
    sure: float

    def as_dict(self) -> dict[str, float | None]:
        """JSON form."""
        return {**self.expected.as_dict(), "sure": rounded(self.sure)}


@dataclass(frozen=True)
class LineResult:
    """One line in the comparison.

    Attributes:
        name: what the line is called: its own name or a letter.
        study: results of the line.
        rank: rank by the quantity by which the comparison is ordered.
        ranks: rank by each quantity.
        value: value of the line's gap over a season; None when it is not known, or when no setting
            is to be changed.
    """

    name: str
    study: Study
    rank: Rank
    ranks: Mapping[str, Rank]
    value: SeasonValue | None

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
                **_middlings(None if s.middlings is None else s.middlings.now),
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
                **_middlings(None if s.middlings is None else s.middlings.better),
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
        """Settings that differ at the better settings, the largest gain first.

        Their gains sum to the mean gap.
        """
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
    """A comparison of lines.

    Attributes:
        basis: the material, feed rate, grade and confidence that hold for all lines.
        ranked_by: the quantity by which the lines are ordered.
        ranking: ranks by that quantity; None when no line can be compared.
        lines: results of the compared lines, the best first.
        left_out: names of the other lines, each with the reason.
        prices: the prices behind the value of a season; None when none were given.
        mass: the unit of mass of the prices.
        curves: partition curves; None when no density fractions were given.
        units, material_units: unit of each setting and of each property of the material, by name.
        seed: seed of all random draws.
        history_version: version of the history; None when the runs came as a table.
        warnings: warnings that do not belong to a single line's results.
    """

    basis: Basis
    ranked_by: str
    ranking: Ranking | None
    lines: tuple[LineResult, ...]
    left_out: tuple[tuple[str, str], ...]
    prices: Prices | None
    mass: MassUnit
    curves: CurvesCompared | None
    units: Mapping[str, str]
    material_units: Mapping[str, str]
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
            "material_units": dict(self.material_units),
            "model": "each line fitted on its own runs",
            "ranked_by": self.ranked_by,
            "order_probability": None if self.ranking is None else _known(self.ranking.whole),
            "prices": None if self.prices is None else self.prices.as_dict(self.mass),
            "lines": [line.as_dict() for line in self.lines],
            "not_compared": [{"line": name, "reason": why} for name, why in self.left_out],
            "warnings": list(self.warnings),
        }
        if self.curves is not None:
            document["partition"] = self.curves.as_dict()
        return listed(document)


def _middlings(expected: ExpectedMiddlings | None) -> dict[str, object]:
    """The member ``middlings``; empty where nothing is expected of them."""
    return {} if expected is None else {"middlings": expected.as_dict()}


def _interval_of(draws: Floats | None) -> dict[str, float | None] | None:
    """Unrounded mean and 90 % interval of draws as JSON; None when there are no draws."""
    return None if draws is None else Interval.of_draws(draws).exact()


def _known(probability: float) -> float | None:
    return None if np.isnan(probability) else round(float(probability), PLACES)


def _named(names: tuple[str, ...], values: Floats) -> dict[str, float]:
    return dict(zip(names, map(float, values), strict=True))
