"""The diagnosis as frozen records, and their JSON form."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from optimizer.diagnostics.calibration import NOMINAL, Calibration, pooled
from optimizer.diagnostics.doubtful import Doubt, Residuals
from optimizer.diagnostics.drift import Drift
from optimizer.diagnostics.noise import LackOfFit, Noise, ReadingNoise
from optimizer.diagnostics.sensitivity import Effect, Sensitivity, handy_amount, pairs_of
from optimizer.diagnostics.unexplored import Collinear, Sampling, Untried
from optimizer.evidence.unlogged import Unlogged
from optimizer.interval import Interval
from optimizer.model.fitted_surrogate import FavoredDescriptions
from optimizer.text.sentences import LISTED, sentence, sentences_of

# An effect smaller than this, in points, rounds to zero tenths of a point.
LEAST_POINTS = 0.05
# Significant digits of reported figures; they are far more precise than any reading.
DIGITS = 6


@dataclass(frozen=True)
class LineDiagnosis:
    """The diagnosis of one line.

    Attributes:
        line: name of the line.
        runs, measured, set_points: number of runs, of measured runs, and of set-points.
        recent: recent value of each setting, by name.
        units, spans: unit of each setting, and its highest less its lowest value, by name.
        min_grade: grade, as a fraction, for which the chance of meeting it is judged.
        calibration, noise, lack_of_fit, sensitivity, sampling: see their modules.
        collinear: settings that moved together.
        untried: ranges of settings that were never tried.
        drift: drift of grade and of recovery; empty when too few runs are dated.
        unlogged: what varies by day and by lot; empty when too few runs are dated.
        residuals: residuals of the measured runs, each predicted from all other runs.
        doubtful: runs that disagree with all others, the largest residual first.
        favored: descriptions of the deck, by how much the runs favor them.
        warnings: what the runs cannot tell.
    """

    line: str | None
    runs: int
    measured: int
    set_points: int
    recent: Mapping[str, float]
    units: Mapping[str, str]
    spans: Mapping[str, float]
    min_grade: float
    calibration: Calibration
    noise: Noise
    lack_of_fit: LackOfFit
    sensitivity: Sensitivity
    collinear: tuple[Collinear, ...]
    untried: tuple[Untried, ...]
    sampling: Sampling
    drift: tuple[Drift, ...]
    unlogged: tuple[Unlogged, ...]
    residuals: Residuals
    doubtful: tuple[Doubt, ...]
    favored: FavoredDescriptions
    warnings: tuple[str, ...]

    def effects(self) -> list[dict[str, object]]:
        """The entries of ``sensitivity`` in the JSON document, one for each setting."""
        s = self.sensitivity
        entries: list[dict[str, object]] = []
        for j, name in enumerate(s.names):
            grade, recovery = s.effects["grade"][j], s.effects["recovery"][j]
            entries.append(
                {
                    "line": self.line,
                    "setting": name,
                    "grade": grade.total.mean,
                    "recovery": recovery.total.mean,
                    "unit": self.units[name],
                    "tried": {"low": float(s.low[j]), "high": float(s.high[j])},
                    "indices": {"grade": _indices(grade), "recovery": _indices(recovery)},
                    "slope": {
                        "at": self.recent[name],
                        "grade": grade.slope.as_dict(),
                        "recovery": recovery.slope.as_dict(),
                    },
                    "in_words": in_words(name, self.units[name], self.spans[name], recovery.slope),
                }
            )
        return entries

    def pair_effects(self) -> list[dict[str, object]]:
        """The entries of ``pairs`` in the JSON document: interactions of two settings."""
        s = self.sensitivity
        return [
            {
                "line": self.line,
                "settings": list(pair),
                "grade": s.pairs["grade"][p].as_dict(),
                "recovery": s.pairs["recovery"][p].as_dict(),
            }
            for p, pair in enumerate(pairs_of(s.names))
        ]

    def doubts(self) -> list[dict[str, object]]:
        """The entries of ``doubtful`` in the JSON document."""
        return [
            {
                "run_id": doubt.run_id,
                "reason": doubt.reason,
                "line": self.line,
                "quantity": doubt.quantity,
                "read": doubt.read,
                "expected": doubt.expected,
                "z": doubt.z,
            }
            for doubt in self.doubtful
        ]

    def as_dict(self) -> dict[str, object]:
        """The line's entry of ``lines`` in the JSON document."""
        return {
            "line": self.line,
            "runs": self.runs,
            "measured": self.measured,
            "set_points": self.set_points,
            "min_grade": self.min_grade,
            "recent_settings": dict(self.recent),
            "calibration": pooled([self.calibration]).as_dict(),
            "noise": self.noise.as_dict(),
            "lack_of_fit": asdict(self.lack_of_fit),
            "collinear": [c.as_dict() for c in self.collinear],
            "unexplored": {
                "known_share": self.sampling.known_share,
                "gaps": [asdict(u) for u in self.untried],
            },
            "sampling": {
                "half_width_now": self.sampling.now,
                "options": [asdict(option) for option in self.sampling.options],
            },
            "description": self.favored.as_dict(),
            "warnings": list(self.warnings),
        }


@dataclass(frozen=True)
class Diagnosis:
    """The diagnoses of all lines.

    Attributes:
        lines: diagnoses of the lines that have enough runs.
        skipped: names of the other lines, each with the reason.
        seed: seed of all random draws.
        history_version: version of the history; None for runs given as a table.
    """

    lines: tuple[LineDiagnosis, ...]
    skipped: tuple[tuple[str, str], ...]
    seed: int
    history_version: int | None

    def as_dict(self) -> dict[str, Any]:
        """The ``highside.diagnosis/1`` document."""
        whole = pooled([line.calibration for line in self.lines])
        grade, recovery = whole.grade, whole.recovery
        document = {
            "schema": "highside.diagnosis/1",
            "seed": self.seed,
            "history_version": self.history_version,
            "coverage": {
                "nominal": NOMINAL,
                "grade": None if grade is None else grade.share.mean,
                "recovery": None if recovery is None else recovery.share.mean,
            },
            "calibration": whole.as_dict(),
            "noise": _typical_noise([line.noise for line in self.lines]),
            "sensitivity": [entry for line in self.lines for entry in line.effects()],
            "pairs": [entry for line in self.lines for entry in line.pair_effects()],
            "drift": [drift.as_dict() for line in self.lines for drift in line.drift],
            "unlogged": [found.as_dict() for line in self.lines for found in line.unlogged],
            "doubtful": [entry for line in self.lines for entry in line.doubts()],
            "lines": [line.as_dict() for line in self.lines],
            "skipped": [{"line": line, "reason": reason} for line, reason in self.skipped],
        }
        rounded: dict[str, Any] = round_floats(document)
        return {**rounded, LISTED: sentences_of(document)}


def in_words(name: str, unit: str, span: float, slope: Interval) -> str:
    """Says in a sentence what an increase of a setting does to recovery, at recent settings.

    Args:
        name, unit: name and unit of the setting.
        span: highest less lowest value of the setting, in the unit.
        slope: change of recovery, as a fraction, for one unit of the setting.

    >>> in_words("side_tilt", "deg", 4.0, Interval(-0.008, -0.013, -0.003))
    '1 deg more side tilt costs 0.8 points of recovery (0.3 to 1.3).'
    >>> in_words("side_tilt", "deg", 4.0, Interval(0.0003, 0.0001, 0.0006))
    '1 deg more side tilt changes recovery by nothing that shows (+0.0 to +0.1 points).'
    """
    amount = handy_amount(span)
    mean, low, high = (
        100.0 * amount * float(v or 0.0) for v in (slope.mean, slope.low, slope.high)
    )
    more = {"amount": amount, "unit": unit, "name": name}
    if abs(mean) < LEAST_POINTS:
        return sentence("more_changes_nothing", low=low, high=high, **more)
    if low > 0.0:
        return sentence("more_gains", mean=mean, low=low, high=high, **more)
    if high < 0.0:
        return sentence("more_costs", mean=-mean, low=-high, high=-low, **more)
    return sentence("more_may_be_nothing", mean=mean, low=low, high=high, **more)


def _indices(effect: Effect) -> dict[str, object]:
    return {"first": effect.first.as_dict(), "total": effect.total.as_dict()}


def _typical_noise(lines: Sequence[Noise]) -> dict[str, object]:
    """Noise of a typical line, as root mean squares over the lines."""
    return {
        "unit": "fraction",
        "grade": _root_mean_squares([noise.grade for noise in lines]),
        "recovery": _root_mean_squares([noise.recovery for noise in lines]),
    }


def _root_mean_squares(lines: Sequence[ReadingNoise]) -> dict[str, object]:
    def typical(values: Iterable[float | None]) -> float | None:
        known = [v for v in values if v is not None]
        return (sum(v * v for v in known) / len(known)) ** 0.5 if known else None

    return {
        "sampling_sd": typical(noise.sampling_sd for noise in lines),
        "process_sd": typical(noise.process_sd for noise in lines),
        "reading_sd": typical(noise.reading_sd for noise in lines),
    }


def round_floats(value: Any) -> Any:
    """Rounds the numbers of a document to ``DIGITS`` significant digits; NaN becomes None."""
    if isinstance(value, float):
        return None if value != value else float(f"{value:.{DIGITS}g}")
    if isinstance(value, Mapping):
        return {k: round_floats(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [round_floats(v) for v in value]
    return value
