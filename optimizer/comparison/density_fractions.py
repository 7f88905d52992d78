"""Lines compared by how they split density: one partition (Tromp) curve for each line.

A file gives the mass of each density fraction in product and reject. The share of a fraction that
went to the product, against its density, is the line's partition curve: its cut density, and its
probable error (Ecart probable, Ep), which tells one deck's sharpness from another's even where
they cut differently. The curve, unlike grade and recovery, does not depend on what is in the feed.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
from scipy.special import stdtrit

from optimizer.errors import InputError
from optimizer.intake.formats.files import read_whole
from optimizer.intake.reading.values import numbers
from optimizer.interval import Interval
from optimizer.measurement import PartitionCurve, fit_partition, imperfection
from optimizer.measurement.partition import CurveForm
from optimizer.text.headings import bind_fields

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

NEEDED = ("line", "density_low", "density_high", "mass_product", "mass_reject")
FORM: CurveForm = "logistic"
# Two parameters are fitted: with fewer classes than this nothing is left to judge the fit by.
FEWEST = 4
DRAWS = 4096
# A row that alone decides the curve has a leverage of 1, and no scatter to be judged by.
MOST_LEVERAGE = 0.99
PLACES = 6


@dataclass(frozen=True)
class Fractions:
    """Density fractions of lines, n rows.

    Attributes:
        line: of each row.
        low, high: bounds of the fraction, shape (n,), in ``unit``; NaN where it is open.
        product, reject: masses, shape (n,), in one unit of their own.
        unit: of the densities, as written; may be empty.
    """

    line: tuple[str, ...]
    low: Floats
    high: Floats
    product: Floats
    reject: Floats
    unit: str


@dataclass(frozen=True)
class LineCurve:
    """The partition curve of one line.

    Attributes:
        line: its name.
        density, share: of each row used, mean density and share to the product, shape (n,).
        curve: fitted to them, every row weighing the same.
        cut_se, ep_se: standard errors of its cut density and probable error.
        left_out: rows without two bounds or without mass.
    """

    line: str
    density: Floats
    share: Floats
    curve: PartitionCurve
    cut_se: float
    ep_se: float
    left_out: int

    @property
    def dof(self) -> int:
        """Rows beyond the two that are fitted."""
        return len(self.density) - 2

    def cut(self, t: Floats) -> Floats:
        """Cut density, t standard errors off."""
        return np.asarray(self.curve.d50 + t * self.cut_se)

    def probable_error(self, t: Floats) -> Floats:
        """Probable error, t standard errors off on its logarithm, so that it stays positive."""
        return np.asarray(self.curve.ep * np.exp(t * self.ep_se / self.curve.ep))


@dataclass(frozen=True)
class CurvesCompared:
    """Partition curves side by side, the sharpest first, and lines without one."""

    lines: tuple[LineCurve, ...]
    chance_sharpest: tuple[float, ...]
    left_out: tuple[tuple[str, str], ...]
    unit: str

    def names(self) -> list[str]:
        """Names of all lines, with a curve or without."""
        return [*(c.line for c in self.lines), *(name for name, _ in self.left_out)]

    def called(self, names: Mapping[str, str]) -> CurvesCompared:
        """The same curves under other names of the lines."""
        return replace(
            self,
            lines=tuple(replace(c, line=names[c.line]) for c in self.lines),
            left_out=tuple((names[name], why) for name, why in self.left_out),
        )

    def as_dict(self) -> dict[str, object]:
        """JSON form, the ``partition`` of a ``highside.comparison/1`` document."""
        return {
            "form": FORM,
            "unit": self.unit,
            "lines": [
                {
                    "line": c.line,
                    "fractions": len(c.density),
                    "left_out": c.left_out,
                    "cut_density": _interval(c.cut, c.dof).exact(),
                    "probable_error": _interval(c.probable_error, c.dof).exact(),
                    "imperfection": _round(float(imperfection(c.curve.ep, c.curve.d50, 0.0))),
                    "chance_sharpest": chance,
                    "cut_inside": c.curve.inside,
                    "measured": [
                        {"density": _round(x), "share": _round(p)}
                        for x, p in zip(c.density.tolist(), c.share.tolist(), strict=True)
                    ],
                }
                for c, chance in zip(self.lines, self.chance_sharpest, strict=True)
            ],
            "not_compared": [{"line": name, "reason": why} for name, why in self.left_out],
        }


def compare_curves(
    fractions: Fractions, lines: Sequence[str] | None = None, seed: int = 0
) -> CurvesCompared:
    """A partition curve for each line, and the probability of each to be the sharpest.

    The error comes from the scatter of the rows about the curve (Student's t, n - 2 degrees of
    freedom): it holds for the tests in the file, not for other days and settings.

    Args:
        fractions: of all lines.
        lines: which; all in the file when None.
        seed: of the draws behind the chance.
    """
    curves: list[LineCurve] = []
    reasons: list[tuple[str, str]] = []
    for line in lines if lines is not None else sorted(set(fractions.line)):
        curve, why = _fit(fractions, line)
        if curve is None:
            reasons.append((line, why))
        else:
            curves.append(curve)
    curves.sort(key=lambda c: c.curve.ep)
    rng = np.random.default_rng(seed)
    chance: tuple[float, ...] = ()
    if curves:
        drawn = [c.probable_error(rng.standard_t(c.dof, DRAWS)) for c in curves]
        first = np.bincount(np.argmin(np.column_stack(drawn), axis=1), minlength=len(curves))
        chance = tuple(round(float(share), 4) for share in first / DRAWS)
    return CurvesCompared(tuple(curves), chance, tuple(reasons), fractions.unit)


def _fit(fractions: Fractions, line: str) -> tuple[LineCurve | None, str]:
    own = np.array([name == line for name in fractions.line], dtype=bool)
    if not own.any():
        return None, "it has no density fractions in the file."
    total = fractions.product + fractions.reject
    usable = own & np.isfinite(fractions.low + fractions.high) & (total > 0.0)
    density = 0.5 * (fractions.low + fractions.high)[usable]
    if len(np.unique(density)) < FEWEST:
        found = len(np.unique(density))
        return None, f"{found} density fractions with two bounds and mass; {FEWEST} are needed."
    share = fractions.product[usable] / total[usable]
    try:
        curve = fit_partition(density, share, form=FORM)
    except InputError as error:
        return None, error.message
    if not np.isfinite(curve.ep_se):
        return None, "too few fractions lie on the slope of the curve to tell how steep it is."
    cut_se, ep_se = _errors(curve, density, share)
    return LineCurve(line, density, share, curve, cut_se, ep_se, int(own.sum() - usable.sum())), ""


def _errors(curve: PartitionCurve, density: Floats, share: Floats) -> tuple[float, float]:
    """Standard errors of cut density and probable error from the scatter about the curve.

    Shares are read worse on the slope than near 0 and 1, and an error that is taken for the same
    everywhere is too small: in simulation a 90 % interval then held 61 to 85 %. The jackknife's
    sandwich lets it differ (HC3; MacKinnon & White, J. Econometrics 29, 1985, 305); the larger of
    both is taken (86 to 92 %).
    """
    steepness = np.log(3.0) / curve.ep
    at = curve.partition_number(density)
    by_cut = -steepness * at * (1.0 - at)
    slopes = np.column_stack([by_cut, by_cut * (density - curve.d50) / curve.ep])
    inverse = np.linalg.pinv(slopes.T @ slopes)
    leverage = np.einsum("ij,jk,ik->i", slopes, inverse, slopes)
    left = (share - at) / (1.0 - np.minimum(leverage, MOST_LEVERAGE))
    sandwich = inverse @ (slopes.T * left**2) @ slopes @ inverse
    cut, ep = np.sqrt(np.diag(sandwich))
    return max(float(cut), curve.d50_se), max(float(ep), curve.ep_se)


def _interval(at: Callable[[Floats], Floats], dof: int) -> Interval:
    """The fitted value with its 90 % interval; ``at`` gives the value t standard errors off."""
    t = float(stdtrit(dof, 0.95))
    value, low, high = at(np.array([0.0, -t, t])).tolist()
    return Interval(_round(value), _round(low), _round(high))


def _round(value: float) -> float:
    return float(f"{value:.{PLACES}g}")


def read_fractions(path: str | Path) -> Fractions:
    """A file of density fractions: ``line, density_low, density_high, mass_product, mass_reject``.

    A unit stands in the heading, as in ``density_low [g/cm3]``. A fraction that is open below or
    above has that bound left empty.

    Args:
        path: CSV, Excel or Parquet.

    Raises:
        InputError: naming the file, and the row or what its columns lack.
    """
    source, chunks = read_whole(Path(path))
    names, units = _headings(source.headings, str(path))
    if not sum(len(c.rows) for c in chunks):
        raise InputError(f"{path}: the file has headings and no rows.")
    text = pa.concat_tables([c.text for c in chunks])
    rows = np.concatenate([c.rows for c in chunks])
    columns = {name: text.column(names.index(name)) for name in NEEDED}
    values: dict[str, Floats] = {}
    for name in NEEDED[1:]:
        read = numbers(columns[name], source.decimal)
        values[name] = np.array(read.values, dtype=float)
        faults = [*read.faults, (values[name] < 0.0, "is below 0")]
        if name.startswith("mass"):
            faults.append((np.isnan(values[name]), "is missing"))
        for mask, reason in faults:
            for k in map(int, np.flatnonzero(mask)):
                cell = columns[name][k].as_py()
                raise InputError(
                    f"{path} row {rows[k]}, {name} '{cell}': {reason.format(value=cell)}."
                )
    line = tuple(str(v or "").strip() for v in columns["line"].to_pylist())
    low, high = values["density_low"], values["density_high"]
    for k in map(int, np.flatnonzero(low >= high)):
        raise InputError(
            f"{path} row {rows[k]}: density_low {low[k]:g} is not below density_high {high[k]:g}."
        )
    for k in (k for k, name in enumerate(line) if not name):
        raise InputError(f"{path} row {rows[k]}: the line is missing.")
    unit = units["density_low"]
    return Fractions(line, low, high, values["mass_product"], values["mass_reject"], unit)


def _headings(headings: Sequence[str], path: str) -> tuple[list[str], dict[str, str]]:
    """Name of each column, and the units of those needed."""
    names, units = bind_fields(headings, NEEDED, NEEDED, path)
    for a, b in (("density_low", "density_high"), ("mass_product", "mass_reject")):
        if units[a] != units[b]:
            raise InputError(
                f"{path}: {a} is in '{units[a]}' and {b} in '{units[b]}'.",
                hint="Write both in one unit.",
            )
    return names, units
