"""The settings of a deck: units, ranges, steps and couplings.

In come the declared ranges and steps; out come a ``SettingSpace`` (the unit coordinates the
surrogate works in) and, narrowed by a brief, a ``Region`` (the lattice points that may be tried).
A candidate is an integer lattice index throughout, and becomes a value only at the edge: a
continuous optimum that is rounded afterwards can break a limit, an index cannot.

The five settings of a gravity table are one instance; nothing here knows their names except
``GRAVITY_TABLE``.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING

import numpy as np

from optimizer.errors import InputError, LimitError, nearest
from optimizer.sequence import even_points

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from skopt.space import Space

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]

# A declared bound and a step count in binary floating point: 0.1 * 3 is not 0.3. Half a
# thousandth of a step is far below any reading and far above rounding.
STEP_TOLERANCE = 5e-4
# Couplings and bounds are compared after decimal rounding; this absorbs the last binary digit.
SLACK = 1e-9
# More levels than this on one setting is a typing error in the step, not a deck.
MAX_LEVELS = 100_000


def _decimals(*numbers: float) -> int:
    """Decimal places that write all the numbers exactly, as the user wrote them."""
    exponents = [Decimal(repr(float(x))).normalize().as_tuple().exponent for x in numbers]
    return max(0, *(-int(e) for e in exponents))


@dataclass(frozen=True)
class Setting:
    """One adjustable setting.

    Args:
        name: canonical name.
        unit: unit of every number here.
        low, high: range that the deck can really be set to, ``low < high``.
        step: smallest change that can be set; levels are ``low, low + step, ...``.
        max_change: largest change in one move, or None.

    Raises:
        InputError: when the range is empty or the step does not fit in it.
    """

    name: str
    unit: str
    low: float
    high: float
    step: float
    max_change: float | None = None

    def __post_init__(self) -> None:
        where = f"setting '{self.name}'"
        if not all(np.isfinite([self.low, self.high, self.step])):
            raise InputError(f"{where}: low, high and step must be finite numbers.")
        if not self.low < self.high:
            raise InputError(
                f"{where}: low {self.low:g} must be below high {self.high:g} {self.unit}.",
                hint="Widen the range, or pin the value with 'fixed' in the brief.",
            )
        if not 0 < self.step <= (self.high - self.low) * (1 + SLACK):
            raise InputError(
                f"{where}: step {self.step:g} must be above 0 and fit between "
                f"{self.low:g} and {self.high:g} {self.unit}."
            )
        if (self.high - self.low) / self.step > MAX_LEVELS:
            raise InputError(
                f"{where}: step {self.step:g} makes more than {MAX_LEVELS} levels.",
                hint="Give the smallest change an operator can really make.",
            )
        if self.max_change is not None and not self.max_change >= self.step * (1 - SLACK):
            raise InputError(
                f"{where}: max_change {self.max_change:g} is smaller than the step {self.step:g}."
            )

    @cached_property
    def top(self) -> int:
        """Index of the highest level that does not exceed ``high``."""
        return int(np.floor((self.high - self.low) / self.step + STEP_TOLERANCE))

    @cached_property
    def decimals(self) -> int:
        """Decimal places of a level."""
        return _decimals(self.low, self.step)

    def values(self, index: Indices) -> Floats:
        """Values of lattice indices, shape kept, rounded to the decimals of the step."""
        return np.round(self.low + np.asarray(index) * self.step, self.decimals)

    def differ(self, a: float, b: float) -> bool:
        """Whether two values are different levels, as far as the setting can be set.

        >>> tilt = Setting("side_tilt", "deg", 0.5, 4.5, 0.1)
        >>> tilt.differ(2.43, 2.4), tilt.differ(2.5, 2.4)
        (False, True)
        """
        return abs(a - b) >= 0.5 * self.step

    def levels_between(self, low: float, high: float) -> tuple[int, int]:
        """First and last level inside ``[low, high]``; first > last when there is none."""
        first = np.ceil((max(low, self.low) - self.low) / self.step - STEP_TOLERANCE)
        last = np.floor((min(high, self.high) - self.low) / self.step + STEP_TOLERANCE)
        return int(first), int(last)


@dataclass(frozen=True)
class Coupling:
    """A linear limit between settings: ``at_least <= sum(terms * values) <= at_most``."""

    terms: Mapping[str, float]
    at_most: float = np.inf
    at_least: float = -np.inf

    def describe(self) -> str:
        """The limit as a person would write it."""
        total = " + ".join(f"{c:g}·{name}" for name, c in self.terms.items())
        left = f"{self.at_least:g} ≤ " if np.isfinite(self.at_least) else ""
        right = f" ≤ {self.at_most:g}" if np.isfinite(self.at_most) else ""
        return f"{left}{total}{right}"


@dataclass(frozen=True)
class SettingSpace:
    """The box of all settings of one deck, and its unit coordinates.

    Unit coordinates map the declared range to [0, 1] whatever a brief narrows it to, so that a
    fitted surrogate does not depend on the brief.
    """

    settings: tuple[Setting, ...]

    def __post_init__(self) -> None:
        if len(set(self.names)) != len(self.names) or not self.names:
            raise InputError("a space needs at least one setting, and each name once.")

    @cached_property
    def names(self) -> tuple[str, ...]:
        """Names in column order."""
        return tuple(s.name for s in self.settings)

    @cached_property
    def low(self) -> Floats:
        """Lower ends, shape (d,)."""
        return np.array([s.low for s in self.settings])

    @cached_property
    def span(self) -> Floats:
        """Widths of the ranges, shape (d,)."""
        return np.array([s.high - s.low for s in self.settings])

    @cached_property
    def steps(self) -> Floats:
        """Steps, shape (d,)."""
        return np.array([s.step for s in self.settings])

    def __getitem__(self, name: str) -> Setting:
        for setting in self.settings:
            if setting.name == name:
                return setting
        raise InputError(f"there is no setting '{name}'.", hint=nearest(name, self.names))

    def to_unit(self, values: Floats) -> Floats:
        """Values, shape (n, d), in unit coordinates; values off the range fall outside [0, 1]."""
        return (np.asarray(values, dtype=float) - self.low) / self.span

    def values(self, index: Indices) -> Floats:
        """Lattice indices, shape (n, d), as values."""
        index = np.atleast_2d(index)
        return np.column_stack([s.values(index[:, j]) for j, s in enumerate(self.settings)])

    def nearest_index(self, values: Floats) -> Indices:
        """Nearest lattice index of values, shape (n, d), clipped into the range."""
        index = np.rint((np.atleast_2d(values) - self.low) / self.steps)
        return np.clip(index, 0, [s.top for s in self.settings]).astype(np.int64)

    def skopt(self) -> Space:
        """The same box as a scikit-optimize space of integer lattice indices."""
        from skopt.space import Integer, Space  # noqa: PLC0415 - for its users alone

        return Space([Integer(0, max(s.top, 1), name=s.name) for s in self.settings])

    def override(self, changes: Mapping[str, Mapping[str, object]]) -> SettingSpace:
        """The space with some fields of some settings replaced."""
        for name in changes:
            self[name]
        return SettingSpace(
            tuple(replace(s, **changes.get(s.name, {})) for s in self.settings)  # type: ignore[arg-type]
        )


GRAVITY_TABLE = SettingSpace(
    (
        Setting("feed_rate", "t/h", 0.5, 4.0, 0.1),
        Setting("end_raise", "deg", 0.5, 5.0, 0.1),
        Setting("side_tilt", "deg", 0.5, 4.5, 0.1),
        Setting("eccentric_speed", "rpm", 300.0, 600.0, 5.0),
        Setting("air", "turn", 0.0, 90.0, 1.0),
    )
)
"""The five settings with the ranges that a site file starts from: those of an invented deck of
middling size. How many turns open the air fully is each deck's own; its site file says it."""


@dataclass(frozen=True)
class Region:
    """The lattice points that may be tried: a box of indices cut by couplings.

    Args:
        space: the settings.
        first, last: lowest and highest index of each setting, shape (d,).
        couplings: linear limits on values.
        binding: what narrowed the box, in words, for the message when nothing is left.
    """

    space: SettingSpace
    first: tuple[int, ...]
    last: tuple[int, ...]
    couplings: tuple[Coupling, ...] = ()
    binding: tuple[str, ...] = field(default=(), compare=False)

    @classmethod
    def whole(cls, space: SettingSpace, couplings: Iterable[Coupling] = ()) -> Region:
        """All of the space that the couplings leave."""
        couplings = tuple(couplings)
        for coupling in couplings:
            for name in coupling.terms:
                space[name]
        return cls(space, (0,) * len(space.names), tuple(s.top for s in space.settings), couplings)

    def narrow(self, name: str, low: float, high: float, why: str) -> Region:
        """The region with one setting held inside ``[low, high]``.

        Raises:
            LimitError: when no level is left; the message names the limits at fault.
        """
        j = self.space.names.index(self.space[name].name)
        setting = self.space.settings[j]
        a, b = setting.levels_between(low, high)
        first, last = max(a, self.first[j]), min(b, self.last[j])
        if first > last:
            held = "; ".join((*self.binding, why))
            raise LimitError(
                f"no level of {name} is left: levels are {setting.low:g}, "
                f"{setting.low + setting.step:g} ... {setting.values(np.array(setting.top)):g} "
                f"{setting.unit}, and the limits are: {held}.",
                code="no-level",
                hint="Widen one of these limits, or check the step.",
            )
        return replace(
            self,
            first=(*self.first[:j], first, *self.first[j + 1 :]),
            last=(*self.last[:j], last, *self.last[j + 1 :]),
            binding=(*self.binding, why),
        )

    @cached_property
    def _rows(self) -> tuple[Floats, Floats, Floats]:
        """Couplings as matrix, lower and upper ends over values: shapes (c, d), (c,), (c,)."""
        names = self.space.names
        matrix = np.array([[c.terms.get(n, 0.0) for n in names] for c in self.couplings])
        low = np.array([c.at_least for c in self.couplings])
        high = np.array([c.at_most for c in self.couplings])
        return matrix.reshape(len(self.couplings), len(names)), low, high

    def contains(self, index: Indices) -> NDArray[np.bool_]:
        """Which lattice points, shape (n, d), are inside; shape (n,)."""
        index = np.atleast_2d(index)
        inside = np.all((index >= self.first) & (index <= self.last), axis=1)
        if self.couplings:
            matrix, low, high = self._rows
            total = self.space.values(index) @ matrix.T
            slack = SLACK * (1.0 + np.abs(total))
            inside &= np.all((total >= low - slack) & (total <= high + slack), axis=1)
        return inside

    @property
    def size(self) -> float:
        """Number of lattice points in the box, couplings not counted."""
        return float(np.prod([b - a + 1.0 for a, b in zip(self.first, self.last, strict=True)]))

    def sample(self, n: int, rng: np.random.Generator) -> Indices:
        """About ``n`` distinct lattice points, spread evenly; shape (m, d), ``0 < m <= n``.

        An even sequence is filtered; where couplings leave too little of the box for
        that, a random walk from one point found by integer programming fills in.

        Raises:
            LimitError: when couplings and limits together leave nothing.
        """
        first, last = np.array(self.first), np.array(self.last)
        if self.size <= 4 * n:
            grids = [np.arange(a, b + 1) for a, b in zip(self.first, self.last, strict=True)]
            every = np.stack(np.meshgrid(*grids, indexing="ij"), axis=-1).reshape(-1, len(first))
            inside = every[self.contains(every)]
            if not len(inside):
                raise self._empty()
            return inside[np.sort(rng.permutation(len(inside))[:n])]
        draws = even_points(2 * n, len(first), rng)
        index = first + np.floor(draws * (last - first + 1)).astype(np.int64)
        found = _unique_rows(index[self.contains(index)])
        if len(found) < n // 4:
            start = found if len(found) else self._one_point()
            found = _unique_rows(np.vstack([found, self._walk(start, n, rng)]))
        return found[:n]

    def _one_point(self) -> Indices:
        """One lattice point inside, by integer linear programming; shape (1, d)."""
        from scipy.optimize import Bounds, LinearConstraint, milp  # noqa: PLC0415 - rare

        matrix, low, high = self._rows
        offset = matrix @ self.space.low
        solution = milp(
            c=np.zeros(len(self.first)),
            integrality=np.ones(len(self.first)),
            bounds=Bounds(self.first, self.last),
            constraints=LinearConstraint(matrix * self.space.steps, low - offset, high - offset),
        )
        if solution.x is None:
            raise self._empty()
        point = np.rint(solution.x).astype(np.int64)[None, :]
        if not self.contains(point)[0]:
            raise self._empty()
        return point

    def _walk(self, start: Indices, n: int, rng: np.random.Generator) -> Indices:
        """Random lattice walk that stays inside: every kept point is inside; shape (m, d)."""
        first, last = np.array(self.first), np.array(self.last)
        walkers = start[rng.integers(len(start), size=max(64, n // 8))]
        kept = [walkers]
        for _ in range(24):
            width = np.maximum(1, ((last - first) * rng.uniform(0.02, 0.5)).astype(np.int64))
            move = rng.integers(-width, width + 1, size=walkers.shape)
            move *= rng.random(walkers.shape) < 0.6
            trial = np.clip(walkers + move, first, last)
            walkers = np.where(self.contains(trial)[:, None], trial, walkers)
            kept.append(walkers)
        return np.vstack(kept)

    def neighbours(self, index: Indices, reach: Sequence[int] = (1, 2, 4)) -> Indices:
        """Lattice neighbours of one point, shape (d,): one setting moved, or two moved together.

        Pairs are needed because settings act against each other: the good direction is often a
        diagonal, along which each single move alone is worse.
        """
        around = np.asarray(index) + _moves(len(index), tuple(reach))
        return around[self.contains(around)]

    def _empty(self) -> LimitError:
        limits = [*self.binding, *(c.describe() for c in self.couplings)]
        return LimitError(
            f"the limits leave no settings to try: {'; '.join(limits)}.",
            code="no-settings",
            hint="Relax one of these limits; together they exclude every step of the deck.",
        )


@lru_cache(maxsize=64)
def _moves(d: int, reach: tuple[int, ...]) -> Indices:
    """Steps of one setting of d, or of two together, shape (m, d)."""
    unit = np.eye(d, dtype=np.int64)
    moves = [s * r * unit[j] for j in range(d) for r in reach for s in (-1, 1)]
    moves += [
        r * (a * unit[i] + b * unit[j])
        for i in range(d)
        for j in range(i + 1, d)
        for r in {reach[0], reach[-1]}
        for a, b in ((1, 1), (1, -1), (-1, 1), (-1, -1))
    ]
    return np.array(moves)


def _unique_rows(index: Indices) -> Indices:
    """Distinct rows in order of first appearance."""
    _, where = np.unique(index, axis=0, return_index=True)
    return index[np.sort(where)]
