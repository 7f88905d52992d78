"""The basis of a comparison: the material, feed rate and grade at which lines are compared, and
which lines can be compared on it.

Recovery is compared at the required grade. Where a line runs above it, that is its recovery.
Where it runs below, its recovery is more than it could keep: what counts then is what is left once
the cut is moved until the grade is met. Densities of wanted and of unwanted particles are about
normal, and so is a partition curve, so a cut at x passes p_w = Phi(x) and p_u = Phi(x - d): moving
the cut keeps d, the difference of the probits (the binormal curve of signal detection; Green &
Swets, Signal Detection Theory and Psychophysics, 1966), not the difference of the logits. With
L = logit(grade) - logit(feed grade) the grade asks for p_u = e^-L p_w, hence

    log Phi(x - d) - log Phi(x) = -L,    recovery = Phi(x).

The left side rises with x and is concave, so Newton's steps from the left meet the root.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from scipy.special import expit, log_ndtr, logit, ndtr, ndtri

from optimizer.errors import LimitError
from optimizer.plant.brief import Brief, Limit
from optimizer.plant.settings import SettingSpace
from optimizer.plant.site import Site

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# Number of latest runs of a line that count as recent practice.
RECENT_RUNS = 40
# A line has handled a material when the value lies within its runs, widened by this share of the
# declared range.
MATERIAL_MARGIN = 0.05
# A logit beyond which its share is 0 or 1, and a probit below which nothing is left to keep.
LAST_LOGIT, LEAST_PROBIT = 30.0, -35.0
# Newton's steps, and a difference of probits below which there is no separation.
STEPS, LEAST_SEPARATION = 7, 0.01
LOG_ROOT_2PI = 0.5 * float(np.log(2.0 * np.pi))
FEED_RATE = "feed_rate"
LABEL = "material"
# Fewer measured runs than this and a line is not compared.
FEWEST_RUNS = 8


def recovery_at_grade(S: Floats, C: Floats, min_grade: float, feed_odds: float) -> Floats:
    """Recovery at the required grade, of the shape of the arguments.

    Args:
        S, C: sharpness and balance.
        min_grade: fraction.
        feed_odds: log odds of the feed grade.

    >>> S, C = np.array([4.0, 4.0]), np.array([0.0, 3.0])
    >>> recovery_at_grade(S, C, 0.98, float(logit(0.93))).round(3).tolist()
    [0.881, 0.939]
    """
    recovery = np.asarray(expit(0.5 * (C + S)))
    excess = float(logit(min_grade)) - feed_odds
    if excess <= 0.0:
        return recovery
    a, b = 0.5 * (C + S), 0.5 * (C - S)
    short = np.log(recovery) - _log_expit(b) < excess
    separation = _probit(a[short]) - _probit(b[short])
    left = np.where(
        separation > LEAST_SEPARATION,
        _cut(np.maximum(separation, LEAST_SEPARATION), excess),
        0.0,
    )
    recovery[short] = np.minimum(recovery[short], left)
    return recovery


def _cut(d: Floats, excess: float) -> Floats:
    """Recovery where log Phi(x - d) - log Phi(x) = -excess."""
    # From the ratio of the densities alone, which is left of the root.
    x = np.maximum(0.5 * d - excess / d, LEAST_PROBIT)
    for _ in range(STEPS):
        wanted, unwanted = log_ndtr(x), log_ndtr(x - d)
        slope = _hazard(x - d, unwanted) - _hazard(x, wanted)
        x = x - (unwanted - wanted + excess) / slope
    return np.asarray(ndtr(x))


def _hazard(x: Floats, log_share: Floats) -> Floats:
    return np.asarray(np.exp(-0.5 * x * x - LOG_ROOT_2PI - log_share))


def _log_expit(a: Floats) -> Floats:
    return np.asarray(-np.logaddexp(0.0, -a))


def _probit(a: Floats) -> Floats:
    """Probit of a share from its logit, exact at both ends."""
    return np.asarray(-np.sign(a) * ndtri(expit(-np.minimum(np.abs(a), LAST_LOGIT))))


@dataclass(frozen=True)
class Basis:
    """What holds for every line that is compared.

    Attributes:
        material: values of the material variables, each in the site's unit.
        feed_rate: in the site's unit; None where feed rate is not a setting.
        min_grade: required grade, fraction; NaN where none was asked for and none was read.
        confidence: chance with which the grade has to be met.
        label: name of the material; None where it has none.
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
    """The basis that was asked for; what is left open is the median of the lines' recent practice.

    Args:
        tables: runs of each line, in order of time.
        site: the plant.
        brief: material, grade and confidence asked for.
        feed_rate: asked for, in the site's unit.
    """
    given = {n: float(v) for n, v in brief.material.items() if n != LABEL}
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
        feed_rate = _common_feed_rate(tables, site)
    min_grade = brief.goal.min_grade
    if min_grade is None:
        grades = [np.median(g) for t in tables.values() if (g := _known(t, "grade")).size]
        # Without a single reading no line will be compared, and there is no grade to state.
        min_grade = float(np.round(np.median(grades), 4)) if grades else float("nan")
    return Basis(material, feed_rate, min_grade, brief.goal.confidence, label)


def _latest(table: pa.Table) -> pa.Table:
    measured = table.filter(pc.is_valid(table["grade"]))
    return measured.slice(max(0, measured.num_rows - RECENT_RUNS))


def _known(table: pa.Table, name: str) -> Floats:
    if name not in table.column_names:
        return np.zeros(0)
    values = table[name].cast("float64").to_numpy()
    return np.asarray(values[np.isfinite(values)], dtype=float)


def _usual_label(table: pa.Table) -> str | None:
    names = [n for n in table[LABEL].to_pylist() if n] if LABEL in table.column_names else []
    return max(sorted(set(names)), key=names.count) if names else None


def _common_feed_rate(tables: Mapping[str, pa.Table], site: Site) -> float | None:
    """Median feed rate of the lines, inside the range common to all, on the steps."""
    recent = [_known(_latest(t), FEED_RATE) for t in tables.values()]
    usual = [float(np.median(rates)) for rates in recent if rates.size]
    if not usual:
        return None
    spaces = [site.space_of(line)[FEED_RATE] for line in tables]
    low, high = max(s.low for s in spaces), min(s.high for s in spaces)
    rate = float(np.clip(np.median(usual), low, max(low, high)))
    setting = spaces[0]
    step = np.rint((rate - setting.low) / setting.step)
    return float(setting.values(np.array(int(np.clip(step, 0, setting.top)))))


def why_not(table: pa.Table, line: str, site: Site, basis: Basis) -> str | None:
    """Why a line cannot be compared on a basis; None when it can."""
    measured = table.filter(pc.and_(pc.is_valid(table["grade"]), pc.is_valid(table["recovery"])))
    if measured.num_rows < FEWEST_RUNS:
        return f"{measured.num_rows} measured runs; {FEWEST_RUNS} are needed."
    for name, value in basis.material.items():
        values, variable = _known(measured, name), site.material[name]
        if not values.size:
            continue
        low, high = values.min(), values.max()
        margin = MATERIAL_MARGIN * (variable.high - variable.low)
        if not low - margin <= value <= high + margin:
            return (
                f"it never ran {name.replace('_', ' ')} {value:g} {variable.unit}".rstrip()
                + f" (only {low:g} to {high:g})."
            )
    if basis.label is not None:
        labels = sorted(n for n in pc.unique(measured[LABEL]).to_pylist() if n)
        if labels and basis.label not in labels:
            return f"it never ran material '{basis.label}' (only {', '.join(labels)})."
    if basis.feed_rate is not None:
        setting = site.space_of(line)[FEED_RATE]
        if not setting.low <= basis.feed_rate <= setting.high + 1e-9:
            return (
                f"it cannot be fed {basis.feed_rate:g} {setting.unit} ({setting.low:g} to "
                f"{setting.high:g})."
            )
    return None


def untried(table: pa.Table, space: SettingSpace, site: Site, basis: Basis) -> list[str]:
    """Warnings for what of the basis a comparable line has never run."""
    measured = table.filter(pc.and_(pc.is_valid(table["grade"]), pc.is_valid(table["recovery"])))
    said = [
        f"{name} is not in its runs: what {value:g} {site.material[name].unit}".rstrip()
        + " does here is not known."
        for name, value in basis.material.items()
        if not _known(measured, name).size
    ]
    if basis.feed_rate is None:
        return said
    ran, setting = _known(measured, FEED_RATE), space[FEED_RATE]
    low, high, half = ran.min(), ran.max(), 0.5 * setting.step
    if not low - half <= basis.feed_rate <= high + half:
        said.append(
            f"feed_rate {basis.feed_rate:g} {setting.unit} lies outside its runs ({low:g} to "
            f"{high:g}): what is said here is extrapolated."
        )
    return said


def brief_of(line: str, site: Site, brief: Brief, basis: Basis) -> Brief:
    """The basis as a brief of one line: its feed rate fixed on the nearest step.

    Raises:
        LimitError: when the limits leave the line nothing at that feed rate.
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
    """How each line is called: its name, or a letter that hides it (A ... Z, AA ...)."""
    if not anonymous:
        return {line: line for line in lines}
    return {line: f"line {_letters(k)}" for k, line in enumerate(lines)}


def _letters(k: int) -> str:
    """0 is A, 25 is Z, 26 is AA."""
    head, last = divmod(k, 26)
    return (_letters(head - 1) if head else "") + chr(ord("A") + last)
