"""The plan as a frozen record, its JSON, its rows and its table.

A plan records what it was made from (history version, seed, brief), so that it can be made again.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from importlib import import_module
from typing import TYPE_CHECKING, Any

from optimizer.evidence.drift_now import DriftNow
from optimizer.evidence.middlings import ExpectedMiddlings
from optimizer.interval import Interval, rounded
from optimizer.measurement import SampleCount
from optimizer.model.fitted_surrogate import FavoredDescriptions
from optimizer.plant.mass import TONNE, MassUnit
from optimizer.text.sentences import listed

if TYPE_CHECKING:
    import pyarrow as pa
    from pandas import DataFrame

UNKNOWN = Interval(None, 0.0, 1.0)


@dataclass(frozen=True)
class Change:
    """One control moved, from one value to another."""

    setting: str
    start: float
    end: float
    unit: str

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        return {"setting": self.setting, "from": self.start, "to": self.end, "unit": self.unit}


@dataclass(frozen=True)
class RunNow:
    """Settings to run production on."""

    settings: Mapping[str, float]
    grade: Interval
    recovery: Interval
    chance_of_grade: float | None
    product_t_per_h: float | None
    tried: bool
    value_per_hour: float | None = None
    chance_even: float | None = None
    middlings: ExpectedMiddlings | None = None

    def as_dict(self, mass: MassUnit = TONNE) -> dict[str, Any]:
        """JSON form, with the rate of product also in the plant's unit of mass per hour."""
        return {
            "settings": dict(self.settings),
            "grade": self.grade.as_dict(),
            "recovery": self.recovery.as_dict(),
            "chance_of_grade": rounded(self.chance_of_grade),
            "chance_even": rounded(self.chance_even),
            "product_t_per_h": rounded(self.product_t_per_h),
            "product_rate": rounded(mass.of_tonnes(self.product_t_per_h)),
            "tried": self.tried,
            **(
                {}
                if self.value_per_hour is None
                else {"value_per_hour": rounded(self.value_per_hour)}
            ),
            **_middlings(self.middlings),
        }


@dataclass(frozen=True)
class Recommendation:
    """One trial: its settings, what to expect, what it costs, and why.

    ``order`` is the position of the trial in the order in which the batch is run, ``changes`` are
    the moves from the trial before it in that order, and ``watch`` says what the largest move may
    cause (see ``batch_order``).
    """

    rank: int
    settings: Mapping[str, float]
    grade: Interval
    recovery: Interval
    chance_of_grade: float | None
    chance_even: float | None
    expected_gain: float | None
    product_t_per_h: float | None
    material_t: float | None
    minutes: float
    why: str
    order: int = 0
    changes: tuple[Change, ...] = ()
    watch: str = ""
    middlings: ExpectedMiddlings | None = None

    def as_dict(self, mass: MassUnit = TONNE) -> dict[str, Any]:
        """JSON form, with the feed also in the plant's unit of mass."""
        return {
            "rank": self.rank,
            "order": self.order,
            "settings": dict(self.settings),
            "grade": self.grade.as_dict(),
            "recovery": self.recovery.as_dict(),
            "chance_of_grade": rounded(self.chance_of_grade),
            "chance_even": rounded(self.chance_even),
            "expected_gain": rounded(self.expected_gain),
            "product_t_per_h": rounded(self.product_t_per_h),
            "material_t": rounded(self.material_t),
            "material_mass": rounded(mass.of_tonnes(self.material_t)),
            "minutes": rounded(self.minutes),
            "changes": [c.as_dict() for c in self.changes],
            "why": self.why,
            "watch": self.watch,
            **_middlings(self.middlings),
        }


def _middlings(expected: ExpectedMiddlings | None) -> dict[str, Any]:
    """The member ``middlings`` of a JSON document; empty where nothing is expected of them."""
    return {} if expected is None else {"middlings": expected.as_dict()}


@dataclass(frozen=True)
class TradeOffPoint:
    """One point of the trade-off curve: the highest recovery at a grade that is sure to be met.

    Attributes:
        sure_grade: the grade that these settings meet with the confidence of the brief.
        grade, recovery: expected true grade and recovery at these settings.
        settings: values of the settings by name.
        run_now: whether these are the settings to run now.
    """

    sure_grade: float
    grade: Interval
    recovery: Interval
    settings: Mapping[str, float]
    run_now: bool = False

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        return {
            "sure_grade": self.sure_grade,
            "grade": self.grade.as_dict(),
            "recovery": self.recovery.as_dict(),
            "settings": dict(self.settings),
            "run_now": self.run_now,
        }


@dataclass(frozen=True)
class Stopping:
    """Whether more trials are worth it."""

    advice: str
    expected_gain: float | None
    why: str

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        return {
            "advice": self.advice,
            "expected_gain": rounded(self.expected_gain),
            "why": self.why,
        }


@dataclass(frozen=True)
class PendingTrial:
    """A trial without a result that a plan takes as under way; one that the brief names has no id
    (``trial`` is None)."""

    trial: str | None
    settings: Mapping[str, float]

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        return {"trial": self.trial, "settings": dict(self.settings)}


@dataclass(frozen=True)
class Plan:
    """Ranked next trials, the settings to run now, and whether to stop.

    ``brief`` is the brief of the plan as a document, from which ``Brief.from_dict`` reads it again.
    ``pending`` are the trials under way; None where the history holds no issued batch. ``hold``
    tells of the settings to run now over a shift whose material varies (``hold.OverShift``).
    ``drift`` is the drift at the settings to run now; None where no run has a time.
    ``mass`` is the unit in which the plant tells lots, feed and product, ``material_units`` are the
    units of the material's properties. ``sampling`` says how many particles to count for a grade;
    None where no grade is asked for.
    """

    line: str | None
    material: Mapping[str, Any]
    seed: int
    history_version: int | None
    runs_used: int
    set_points: int
    min_grade: float | None
    confidence: float
    units: Mapping[str, str]
    run_now: RunNow | None
    recommendations: tuple[Recommendation, ...]
    stopping: Stopping
    warnings: tuple[str, ...]
    brief: Mapping[str, Any] = field(default_factory=dict)
    maximise: str = "recovery"
    prices: Mapping[str, Any] | None = None
    gain_unit: str = "fraction of recovery"
    trade_off: tuple[TradeOffPoint, ...] | None = None
    favored: FavoredDescriptions | None = None
    pending: tuple[PendingTrial, ...] | None = None
    hold: Mapping[str, Any] | None = None
    drift: DriftNow | None = None
    mass: MassUnit = TONNE
    material_units: Mapping[str, str] = field(default_factory=dict)
    sampling: SampleCount | None = None

    def as_dict(self) -> dict[str, Any]:
        """The ``highside.plan/1`` document."""
        return listed(
            {
                "schema": "highside.plan/1",
                "line": self.line,
                "material": dict(self.material),
                "seed": self.seed,
                "history_version": self.history_version,
                "runs_used": self.runs_used,
                "set_points": self.set_points,
                "goal": {
                    "maximise": self.maximise,
                    "min_grade": self.min_grade,
                    "confidence": self.confidence,
                    "gain_unit": self.gain_unit,
                    **({} if self.prices is None else {"prices": dict(self.prices)}),
                },
                "brief": dict(self.brief),
                "units": dict(self.units),
                "material_units": dict(self.material_units),
                "mass_unit": self.mass.name,
                "run_now": self.run_now.as_dict(self.mass) if self.run_now else None,
                "recommendations": [r.as_dict(self.mass) for r in self.recommendations],
                "stopping": self.stopping.as_dict(),
                "sampling": None if self.sampling is None else self.sampling.as_dict(),
                "description": None if self.favored is None else self.favored.as_dict(),
                "drift": None if self.drift is None else self.drift.as_dict(),
                **({} if self.hold is None else {"hold": dict(self.hold)}),
                **({} if self.trade_off is None else {"trade_off": as_dicts(self.trade_off)}),
                **(
                    {} if self.pending is None else {"pending": [p.as_dict() for p in self.pending]}
                ),
                "warnings": list(self.warnings),
            }
        )

    def rows(self) -> list[dict[str, Any]]:
        """One flat row for each trial, by rank, with the columns of ``suggest --format csv``."""
        return [row_of(self.line, trial.as_dict()) for trial in self.recommendations]

    def table(self) -> pa.Table:
        """The rows as an Arrow table."""
        import pyarrow as pa  # noqa: PLC0415 - only this method needs tables

        return pa.Table.from_pylist(self.rows())

    def frame(self) -> DataFrame:
        """The rows as a pandas data frame."""
        # By name, since the doors to other libraries stand above all rooms.
        frames = import_module("optimizer.interop.frames")
        found: DataFrame = frames.frame_of_rows(self.rows())
        return found

    def _repr_html_(self) -> str:
        """The plan as a notebook shows it."""
        return str(import_module("optimizer.interop.display").plan_as_html(self))


def row_of(line: str | None, trial: Mapping[str, Any]) -> dict[str, Any]:
    """A trial of a ``highside.plan/1`` document as a flat row."""
    ends = {
        f"{quantity}_{end}": value
        for quantity in ("grade", "recovery")
        for end, value in trial[quantity].items()
    }
    ends |= {
        f"middlings_{quantity}_{end}": value
        for quantity, interval in trial.get("middlings", {}).items()
        for end, value in interval.items()
    }
    plain = ("chance_of_grade", "expected_gain", "material_t", "minutes", "why", "watch")
    return {
        "rank": trial["rank"],
        "order": trial["order"],
        "line": line,
        **trial["settings"],
        **ends,
        **{name: trial[name] for name in plain},
    }


def as_dicts(points: Iterable[TradeOffPoint]) -> list[dict[str, Any]]:
    """JSON form of a trade-off curve."""
    return [point.as_dict() for point in points]
