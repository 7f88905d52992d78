"""The part of the lattice of settings that limits and couplings allow."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from optimizer.errors import LimitError
from optimizer.numerics.lattice_climb import distinct_in_order
from optimizer.numerics.low_discrepancy import even_points

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]
from optimizer.plant.gates import names_on
from optimizer.plant.profiles import moves, profiles_of
from optimizer.plant.settings import SLACK, Setting, SettingSpace
from optimizer.text.setting_names import setting_words


@dataclass(frozen=True)
class Coupling:
    """A linear limit between settings: ``at_least <= sum(terms * values) <= at_most``.

    Args:
        terms: factor of each setting; the whole of a setting with gates stands for their mean.
        at_most, at_least: ends of the limit.
        words: the limit as a person would write it; empty for the formula.
    """

    terms: Mapping[str, float]
    at_most: float = np.inf
    at_least: float = -np.inf
    words: str = ""

    @classmethod
    def taper(cls, before: Setting, after: Setting) -> Coupling:
        """The limit of the difference between two neighboring gates."""
        most = float(before.max_taper or 0.0)
        both = f"{setting_words(before.name)} and {setting_words(after.name)}"
        return cls(
            {before.name: -1.0, after.name: 1.0},
            most,
            -most,
            f"{both} at most {most:g} {before.unit} apart",
        )

    def on(self, space: SettingSpace) -> Coupling:
        """This limit with the mean of its gates in place of a setting that has gates.

        Raises:
            InputError: when there is no such setting.
        """
        if all(name in space.names for name in self.terms):
            return self
        terms = dict.fromkeys(space.names, 0.0)
        for name, factor in self.terms.items():
            names = names_on(space, name, "couplings.terms")
            for each in names:
                terms[each] += factor / len(names)
        return replace(
            self, terms={k: v for k, v in terms.items() if v}, words=self.words or self.describe()
        )

    def describe(self) -> str:
        """The limit as a person would write it."""
        if self.words:
            return self.words
        total = " + ".join(f"{c:g}·{name}" for name, c in self.terms.items())
        left = f"{self.at_least:g} ≤ " if np.isfinite(self.at_least) else ""
        right = f" ≤ {self.at_most:g}" if np.isfinite(self.at_most) else ""
        return f"{left}{total}{right}"


@dataclass(frozen=True)
class Region:
    """The lattice points that may be tried: a box of indices, restricted by couplings.

    Args:
        space: the settings.
        first, last: lowest and highest index of each setting, shape (d,).
        couplings: linear limits on the values of settings.
        binding: descriptions of the limits that narrowed the box, for the message when it is empty.
    """

    space: SettingSpace
    first: tuple[int, ...]
    last: tuple[int, ...]
    couplings: tuple[Coupling, ...] = ()
    binding: tuple[str, ...] = field(default=(), compare=False)

    @classmethod
    def whole(cls, space: SettingSpace, couplings: Iterable[Coupling] = ()) -> Region:
        """The region of the whole space, restricted only by couplings, and by how far neighboring
        gates may differ."""
        gates = [space.settings[j] for columns in space.gates.values() for j in columns]
        tapers = [
            Coupling.taper(before, after)
            for before, after in pairwise(gates)
            if before.gate_of == after.gate_of and before.max_taper is not None
        ]
        couplings = (*(coupling.on(space) for coupling in couplings), *tapers)
        return cls(space, (0,) * len(space.names), tuple(s.top for s in space.settings), couplings)

    def narrow(self, name: str, low: float, high: float, why: str, where: str = "") -> Region:
        """This region with one setting restricted to ``[low, high]``.

        Args:
            name: name of the setting.
            low, high: ends of the range that stays allowed.
            why: the limit as a person would write it, for messages.
            where: path of the limit in the brief, for errors.

        Raises:
            LimitError: when no level is left; the message names the limits that exclude all levels.
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
                where=where,
            )
        return replace(
            self,
            first=(*self.first[:j], first, *self.first[j + 1 :]),
            last=(*self.last[:j], last, *self.last[j + 1 :]),
            binding=(*self.binding, why),
        )

    @cached_property
    def _rows(self) -> tuple[Floats, Floats, Floats]:
        """Couplings as a matrix over values, with lower and upper ends; shapes (c, d), (c,),
        (c,)."""
        names = self.space.names
        matrix = np.array([[c.terms.get(n, 0.0) for n in names] for c in self.couplings])
        low = np.array([c.at_least for c in self.couplings])
        high = np.array([c.at_most for c in self.couplings])
        return matrix.reshape(len(self.couplings), len(names)), low, high

    def contains(self, index: Indices) -> NDArray[np.bool_]:
        """Whether each lattice point, shape (n, d), is inside the region; shape (n,)."""
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

        Points of an even sequence that violate a coupling are dropped. Where couplings allow too
        small a part of the box, a random walk from one point, found by integer programming, adds
        points.

        Raises:
            LimitError: when couplings and limits together allow no point.
        """
        if self.size <= 4 * n:
            grids = [np.arange(a, b + 1) for a, b in zip(self.first, self.last, strict=True)]
            every = np.stack(np.meshgrid(*grids, indexing="ij"), axis=-1).reshape(
                -1, len(self.first)
            )
            inside = every[self.contains(every)]
            if not len(inside):
                raise self._empty()
            return inside[np.sort(rng.permutation(len(inside))[:n])]
        profiles = profiles_of(self.space)
        draws = even_points(2 * n, len(profiles.directions), rng)
        index = profiles.spread(draws, np.array(self.first), np.array(self.last))
        found = distinct_in_order(index[self.contains(index)])
        if len(found) < n // 4:
            start = found if len(found) else self._one_point()
            found = distinct_in_order(np.vstack([found, self._walk(start, n, rng)]))
        return found[:n]

    def _one_point(self) -> Indices:
        """One lattice point of the region, found by integer linear programming; shape (1, d)."""
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
        """Points of random walks on the lattice, all inside the region; shape (m, d)."""
        first, last = np.array(self.first), np.array(self.last)
        walkers = start[rng.integers(len(start), size=max(64, n // 8))]
        kept = [walkers]
        for _ in range(24):
            width = np.maximum(1, ((last - first) * rng.uniform(0.02, 0.5)).astype(np.int64))
            move = rng.integers(-width, width + 1, size=walkers.shape)
            move *= rng.random(walkers.shape) < 0.6
            # Gates walk together: a profile of gates that walk apart would be ragged.
            move = move[:, profiles_of(self.space).levels]
            trial = np.clip(walkers + move, first, last)
            walkers = np.where(self.contains(trial)[:, None], trial, walkers)
            kept.append(walkers)
        return np.vstack(kept)

    def neighbors(self, index: Indices, reach: Sequence[int] = (1, 2, 4)) -> Indices:
        """Lattice neighbors of one point, shape (d,): one setting moved, or two moved together.

        Moves of pairs are needed because settings counteract each other: often the score improves
        only when both settings of a pair move. Gates move together, as level, taper or bow; a gate
        whose range ends stays there while the others move on.
        """
        around = np.asarray(index) + moves(self.space, tuple(reach))
        gated = profiles_of(self.space).gated
        if gated:
            around[:, gated] = np.clip(
                around[:, gated], np.array(self.first)[gated], np.array(self.last)[gated]
            )
        return around[self.contains(around)]

    def _empty(self) -> LimitError:
        limits = [*self.binding, *(c.describe() for c in self.couplings)]
        return LimitError(
            f"the limits leave no settings to try: {'; '.join(limits)}.",
            code="no-settings",
            hint="Relax one of these limits; together they exclude every step of the deck.",
        )
