"""The basis of a comparison: the material, feed rate and grade at which lines are compared, and
which lines can be compared on it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from optimizer.errors import LimitError
from optimizer.evidence.line_model import RECENT_RUNS
from optimizer.plant.brief import Brief, Limit
from optimizer.plant.settings import FEED_RATE, SettingSpace
from optimizer.plant.site import Site
from optimizer.text.sentences import quantity, sentence

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# A line has handled a material when the value lies within the range of its runs, widened by this
# share of the declared range.
MATERIAL_MARGIN = 0.05
LABEL = "material"
# A line with fewer measured runs than this is not compared.
FEWEST_RUNS = 8


@dataclass(frozen=True)
class Basis:
    """The conditions under which all lines are compared.

    Attributes:
        material: values of the material variables, each in the site's unit.
        feed_rate: feed rate in the site's unit; None when it is not a setting or not known.
        min_grade: required grade, fraction; NaN when none was given and no run has one.
        confidence: required chance of meeting the grade.
        label: label of the material; None when it has none.
    """

    material: Mapping[str, float]
    feed_rate: float | None
    min_grade: float
    confidence: float
    label: str | None = None

    @property
    def named_material(self) -> dict[str, float | str]:
        """The material with its label, as a brief writes it."""
        return {**self.material, **({} if self.label is None else {LABEL: self.label})}

    def as_dict(self) -> dict[str, object]:
        """JSON form."""
        return {
            "material": self.named_material,
            "feed_rate": self.feed_rate,
            "min_grade": None if np.isnan(self.min_grade) else self.min_grade,
            "confidence": self.confidence,
        }


def choose_basis(
    tables: Mapping[str, pa.Table], site: Site, brief: Brief, feed_rate: float | None
) -> Basis:
    """The basis of a comparison.

    Values that the brief leaves open are medians of the lines' recent practice.

    Args:
        tables: runs of each line, in order of time.
        site: the plant.
        brief: the requested material, grade and confidence.
        feed_rate: the requested feed rate, in the site's unit; None to choose one.
    """
    given = {n: float(v) for n, v in brief.usual_material.items() if n != LABEL}
    label = str(brief.material[LABEL]) if brief.material.get(LABEL) else None
    if not tables:
        asked = brief.goal.min_grade or float("nan")
        return Basis(given, feed_rate, asked, brief.goal.confidence, label)
    recent = pa.concat_tables([_latest(t) for t in tables.values()], promote_options="default")
    material: dict[str, float] = {}
    for name in site.material:
        if name in given:
            material[name] = given[name]
        elif (values := _known(recent, name)).size:
            material[name] = float(np.round(np.median(values), 4))
    label = label or _usual_label(recent)
    if feed_rate is None and FEED_RATE in site.space.names:
        feed_rate = _common_feed_rate(tables, site, brief.limits.get(FEED_RATE, Limit()))
    min_grade = brief.goal.min_grade
    if min_grade is None:
        grades = [np.median(g) for t in tables.values() if (g := _known(t, "grade")).size]
        # Without any reading no line can be compared, and there is no grade to state.
        min_grade = float(np.round(np.median(grades), 4)) if grades else float("nan")
    return Basis(material, feed_rate, min_grade, brief.goal.confidence, label)


def _latest(table: pa.Table) -> pa.Table:
    """The latest measured runs, at most ``RECENT_RUNS``."""
    measured = table.filter(pc.is_valid(table["grade"]))
    return measured.slice(max(0, measured.num_rows - RECENT_RUNS))


def _known(table: pa.Table, name: str) -> Floats:
    """The finite values of a column; empty when there is no such column."""
    if name not in table.column_names:
        return np.zeros(0)
    values = table[name].cast("float64").to_numpy()
    return np.asarray(values[np.isfinite(values)], dtype=float)


def _usual_label(table: pa.Table) -> str | None:
    """The most frequent label of the material; None when no run has one."""
    names = [n for n in table[LABEL].to_pylist() if n] if LABEL in table.column_names else []
    return max(sorted(set(names)), key=names.count) if names else None


def _common_feed_rate(tables: Mapping[str, pa.Table], site: Site, limit: Limit) -> float | None:
    """The median of the lines' recent feed rates, moved into the range that all lines share, then
    into the limit of the brief, and to the nearest step; None when no run has a feed rate."""
    recent = [_known(_latest(t), FEED_RATE) for t in tables.values()]
    usual = [float(np.median(rates)) for rates in recent if rates.size]
    if not usual:
        return None
    spaces = [site.space_of(line)[FEED_RATE] for line in tables]
    low, high = max(s.low for s in spaces), min(s.high for s in spaces)
    rate = float(np.clip(np.median(usual), low, max(low, high)))
    if limit.fixed is not None:
        rate = limit.fixed
    if limit.low is not None:
        rate = max(rate, limit.low)
    if limit.high is not None:
        rate = min(rate, limit.high)
    setting = spaces[0]
    step = np.rint((rate - setting.low) / setting.step)
    return float(setting.values(np.array(int(np.clip(step, 0, setting.top)))))


def why_not(table: pa.Table, line: str, site: Site, basis: Basis) -> str | None:
    """The reason why a line cannot be compared on a basis; None when it can.

    Args:
        table: runs of the line.
        line: name of the line.
        site: the plant.
        basis: the basis of the comparison.
    """
    measured = table.filter(pc.and_(pc.is_valid(table["grade"]), pc.is_valid(table["recovery"])))
    if measured.num_rows < FEWEST_RUNS:
        return sentence("few_runs_for_answer", runs=measured.num_rows, needed=FEWEST_RUNS)
    for name, value in basis.material.items():
        values, variable = _known(measured, name), site.material[name]
        if not values.size:
            continue
        low, high = values.min(), values.max()
        margin = MATERIAL_MARGIN * (variable.high - variable.low)
        if not low - margin <= value <= high + margin:
            told = quantity(float(value), variable.unit)
            ends = {"low": float(low), "high": float(high)}
            return sentence("never_ran_property", name=name, value=told, **ends)
    if basis.label is not None:
        labels = sorted(n for n in pc.unique(measured[LABEL]).to_pylist() if n)
        if labels and basis.label not in labels:
            return sentence("never_ran_label", label=basis.label, labels=labels)
    if basis.feed_rate is not None:
        setting = site.space_of(line)[FEED_RATE]
        if not setting.low <= basis.feed_rate <= setting.high + 1e-9:
            ends = {"low": setting.low, "high": setting.high}
            return sentence("cannot_be_fed", rate=basis.feed_rate, unit=setting.unit, **ends)
    return None


def untried(table: pa.Table, space: SettingSpace, site: Site, basis: Basis) -> list[str]:
    """Warnings about conditions of the basis under which a comparable line has never run.

    Args:
        table: runs of the line.
        space: settings of the line.
        site: the plant.
        basis: the basis of the comparison.
    """
    measured = table.filter(pc.and_(pc.is_valid(table["grade"]), pc.is_valid(table["recovery"])))
    warnings: list[str] = [
        sentence(
            "property_not_stated",
            name=name,
            value=quantity(float(value), site.material[name].unit),
        )
        for name, value in basis.material.items()
        if not _known(measured, name).size
    ]
    if basis.feed_rate is None:
        return warnings
    ran, setting = _known(measured, FEED_RATE), space[FEED_RATE]
    low, high, half = ran.min(), ran.max(), 0.5 * setting.step
    if not low - half <= basis.feed_rate <= high + half:
        warnings.append(
            sentence(
                "rate_outside",
                rate=basis.feed_rate,
                unit=setting.unit,
                low=float(low),
                high=float(high),
            )
        )
    return warnings


def brief_for_line(line: str, site: Site, brief: Brief, basis: Basis) -> Brief:
    """The basis as a brief for one line, with the feed rate fixed at the line's nearest step.

    Args:
        line: name of the line.
        site: the plant.
        brief: the brief of the comparison, whose limits are kept.
        basis: the basis of the comparison.

    Raises:
        LimitError: when the limits leave the line no settings at that feed rate.
    """
    limits = dict(brief.limits)
    material = {**brief.material, **basis.named_material}
    goal = brief.goal.model_copy(update={"min_grade": basis.min_grade})
    if basis.feed_rate is not None:
        space = site.space_of(line)
        setting = space[FEED_RATE]
        level = int(np.rint((basis.feed_rate - setting.low) / setting.step))
        nearest = float(setting.values(np.array(min(max(level, 0), setting.top))))
        limits = {**limits, FEED_RATE: Limit(fixed=nearest)}
    asked = brief.model_copy(
        update={"line": line, "limits": limits, "material": material, "goal": goal, "current": {}}
    )
    try:
        asked.region(site.space_of(line))
    except LimitError as error:
        raise LimitError(f"{line}: {error.message}", code=error.code, hint=error.hint) from None
    return asked


def labels_of(lines: Sequence[str], anonymous: bool) -> dict[str, str]:
    """What each line is called in the answer: its name, or a letter that hides it (A, B, ...)."""
    if not anonymous:
        return {line: line for line in lines}
    return {line: f"line {_letters(k)}" for k, line in enumerate(lines)}


def _letters(k: int) -> str:
    """Letters for a number: 0 gives A, 25 gives Z, 26 gives AA."""
    head, last = divmod(k, 26)
    return (_letters(head - 1) if head else "") + chr(ord("A") + last)
