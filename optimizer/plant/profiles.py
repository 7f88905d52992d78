"""Gates in turn as a profile: their level, their taper, their bow, and what is left.

Neighboring gates act alike, so the settings of N gates are described by how much they let through
together and by how that differs along the deck. Of the N gates of a setting, at values x_1 ... x_N
from the feed end, the inputs of a model are

    level      mean of x_k
    taper      mean of x_k P_1(k), above 0 where the feed end gets more than the discharge end
    bow        mean of x_k P_2(k), above 0 where the middle gets more than both ends
    the rest   mean of x_k P_j(k), j = 3 ... N - 1

with the orthogonal polynomials P_j on N equal steps (Gram; Press et al., Numerical Recipes, 3rd
edition, section 4.6), scaled so that the mean of P_j(k)^2 is 1. The squares of taper, bow and rest
then sum to the mean square of x_k - level, for any N. The map is one to one: no setting of the
gates is lost, and N gates that are set alike have no taper, bow or rest. A space without gates is
left as it is.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from optimizer.plant.settings import Setting, SettingSpace

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]

SHAPES = ("level", "taper", "bow")
"""Names of the parts of a profile that a plan moves as a whole, in the order of their degree."""
# Decimal places of level and contrasts: equal gates have contrasts of exactly 0.
_PLACES = 12
# Widest taper and bow of the points where searches start, over the range that is allowed. Profiles
# beyond them are reached by climbing.
WIDEST = 0.1
# Replaces a largest taper of 0 where it divides.
TINY = 1e-12
# Input of a contrast where all gates are alike: the middle, as for a setting.
_MIDDLE = 0.5


@lru_cache(maxsize=32)
def _polynomials(count: int) -> tuple[tuple[float, ...], ...]:
    """The polynomials of degree 0 to N - 1 on N gates, each of mean square 1."""
    powers = np.vander(np.linspace(-1.0, 1.0, count), increasing=True)
    found = np.linalg.qr(powers)[0].T * np.sqrt(count)
    # A positive taper is more at the feed end, a positive bow more in the middle.
    signs = np.where(np.arange(count) == 2, found[:, count // 2], found[:, 0])
    return tuple(map(tuple, (found * np.sign(signs)[:, None]).tolist()))


def polynomials(count: int) -> Floats:
    """The polynomials of degree 0 to N - 1 on N gates, each of mean square 1; shape (N, N).

    >>> (polynomials(4) * 5**0.5).round(6)[1].tolist()
    [3.0, 1.0, -1.0, -3.0]
    """
    return np.array(_polynomials(count))


@dataclass(frozen=True)
class Gates:
    """The gates of one setting.

    Args:
        name: the setting that they make up together.
        columns: their columns among the settings, from the feed end.
        low, high: lowest and highest value of any of them.
    """

    name: str
    columns: tuple[int, ...]
    low: float
    high: float

    @property
    def span(self) -> float:
        """Width of the range."""
        return self.high - self.low

    def profile(self, values: Floats) -> Floats:
        """Level, taper, bow and rest of values of the gates, shape (n, N), in their unit."""
        parts = np.asarray(values, dtype=float) @ polynomials(len(self.columns)).T
        return np.round(parts / len(self.columns), _PLACES)


@dataclass(frozen=True)
class Profiles:
    """The inputs of a model for a space of settings: each setting, and each profile of gates.

    There are as many inputs as settings; level, taper, bow and rest stand in the columns of their
    gates, in this order.

    Args:
        space: the settings of a line.
    """

    space: SettingSpace

    @cached_property
    def gates(self) -> tuple[Gates, ...]:
        """The settings with several gates."""
        settings, found = self.space.settings, self.space.gates
        return tuple(
            Gates(name, at, min(settings[j].low for j in at), max(settings[j].high for j in at))
            for name, at in found.items()
        )

    @cached_property
    def degrees(self) -> tuple[int, ...]:
        """Degree of the polynomial of each input, 0 for a setting of its own and for a level."""
        found = [0] * len(self.space.names)
        for each in self.gates:
            for degree, column in enumerate(each.columns):
                found[column] = degree
        return tuple(found)

    @cached_property
    def levels(self) -> tuple[int, ...]:
        """For each input, the column of its level; its own column where it is no contrast."""
        found = list(range(len(self.space.names)))
        for each in self.gates:
            for column in each.columns:
                found[column] = each.columns[0]
        return tuple(found)

    @cached_property
    def contrasts(self) -> tuple[tuple[int, int, int], ...]:
        """For each input that is a contrast: its column, the column of its level, its degree."""
        found = zip(range(len(self.levels)), self.levels, self.degrees, strict=True)
        return tuple(each for each in found if each[2])

    @cached_property
    def names(self) -> tuple[str, ...]:
        """Names of the inputs.

        >>> from optimizer.plant.settings import GRAVITY_TABLE
        >>> Profiles(SettingSpace(GRAVITY_TABLE.settings[4:]).with_gates("air", 4)).names
        ('air', 'air_taper', 'air_bow', 'air_rest_3')
        """
        found = list(self.space.names)
        for each in self.gates:
            for degree, column in enumerate(each.columns):
                shape = SHAPES[degree] if degree < len(SHAPES) else f"rest_{degree}"
                found[column] = f"{each.name}_{shape}" if degree else each.name
        return tuple(found)

    @cached_property
    def whole(self) -> int:
        """Number of settings, where all gates of a setting count as one."""
        return sum(degree == 0 for degree in self.degrees)

    @cached_property
    def low(self) -> Floats:
        """Value of each input at 0 in unit coordinates, shape (d,); contrasts are 0 at 1/2."""
        found = self.space.low.copy()
        for each in self.gates:
            found[list(each.columns)] = -_MIDDLE * each.span
            found[each.columns[0]] = each.low
        return found

    @cached_property
    def span(self) -> Floats:
        """Change of the value of each input over one unit, shape (d,)."""
        found = self.space.span.copy()
        for each in self.gates:
            found[list(each.columns)] = each.span
        return found

    @cached_property
    def told_by(self) -> Floats:
        """What one unit of each input is as people are told of it, shape (d,): of a setting and a
        level 1; of a taper how much more the first gate gets than the last one; of a bow how much
        more the middle gets than the ends.

        >>> from optimizer.plant.settings import GRAVITY_TABLE
        >>> Profiles(GRAVITY_TABLE.with_gates("air", 4)).told_by.round(2).tolist()
        [1.0, 1.0, 1.0, 1.0, 1.0, 2.68, 2.0, 1.0]
        """
        found = np.ones(len(self.levels))
        for each in self.gates:
            shapes = polynomials(len(each.columns))
            middle = len(shapes) // 2
            for degree, column in tuple(enumerate(each.columns))[1 : len(SHAPES)]:
                row = shapes[degree]
                found[column] = row[0] - row[-1] if degree == 1 else row[middle] - row[0]
        return found

    def setting(self, column: int) -> Setting:
        """An input as a setting: itself, or the level or a contrast of gates."""
        own = self.space.settings[column]
        low, span = float(self.low[column]), float(self.span[column])
        if own.gate_of is None:
            return own
        return Setting(self.names[column], own.unit, low, low + span, own.step, own.max_change)

    def values(self, values: Floats) -> Floats:
        """Values of the settings, shape (n, d), with those of a profile in place of its gates, in
        their unit; shape (n, d)."""
        found = np.array(values, dtype=float)
        for each in self.gates:
            columns = list(each.columns)
            found[:, columns] = each.profile(found[:, columns])
        return found

    def inputs(self, values: Floats) -> Floats:
        """Values of the settings, shape (n, d), as inputs in unit coordinates, shape (n, d)."""
        found = (self.values(values) - self.low) / self.span
        found[:, self.gated] = np.round(found[:, self.gated], _PLACES)
        return found

    @cached_property
    def directions(self) -> tuple[tuple[int, int], ...]:
        """What a search moves, q in number: each setting of its own, and of the gates of a setting
        the level, the taper and the bow; each as the column of its level, and its degree."""
        found = zip(self.levels, self.degrees, strict=True)
        return tuple((level, degree) for level, degree in found if degree < len(SHAPES))

    @cached_property
    def shapes(self) -> Floats:
        """How much each direction moves each setting, shape (q, d), of mean square 1 over the
        settings that it moves."""
        found = np.zeros((len(self.directions), len(self.levels)))
        gates = {each.columns[0]: list(each.columns) for each in self.gates}
        for row, (column, degree) in zip(found, self.directions, strict=True):
            columns = gates.get(column, [column])
            row[columns] = polynomials(len(columns))[degree]
        return found

    def spread(self, draws: Floats, first: Indices, last: Indices) -> Indices:
        """Lattice points of even draws: levels over their whole range, tapers and bows modest.

        Args:
            draws: even draws in [0, 1), shape (n, q), one column for each direction.
            first, last: lowest and highest index of each setting, shape (d,).

        Returns:
            shape (n, d). A gate whose range a profile would leave is set to the end of its range.
        """
        degrees = np.array([degree for _, degree in self.directions])
        index = np.empty((len(draws), len(first)), dtype=np.int64)
        index[:] = first + np.floor(draws[:, degrees == 0][:, self._whole] * (last - first + 1))
        low, high = (self.space.values(end)[0] for end in (first, last))
        for each in self.gates:
            at, columns = each.columns[0], list(each.columns)
            mine = [k for k, (column, degree) in enumerate(self.directions) if column == at]
            level, contrasts = draws[:, mine[0], None], mine[1:]
            bottom, top = low[columns].min(), high[columns].max()
            # The cube leaves half of the contrasts within an eighth of the widest.
            size = WIDEST * (top - bottom) * (2.0 * draws[:, contrasts] - 1.0) ** 3
            values = np.tile(self.space.low, (len(draws), 1))
            profile = self._held(columns, size @ self.shapes[contrasts][:, columns])
            values[:, columns] = bottom + level * (top - bottom) + profile
            index[:, columns] = self.space.nearest_index(values)[:, columns]
        return np.clip(index, first, last)

    @cached_property
    def told(self) -> list[int]:
        """Columns of the inputs that people are told of: all but the rest beyond the bow."""
        return [column for column, degree in enumerate(self.degrees) if degree < len(SHAPES)]

    @cached_property
    def gated(self) -> list[int]:
        """Columns of all gates."""
        return [column for each in self.gates for column in each.columns]

    @cached_property
    def _whole(self) -> list[int]:
        """For each column, the number of its setting, all gates of a setting counted as one."""
        numbers = {level: k for k, level in enumerate(dict.fromkeys(self.levels))}
        return [numbers[level] for level in self.levels]

    def _held(self, columns: list[int], profile: Floats) -> Floats:
        """Differences from the level, shape (n, N), made smaller where neighbors would differ by
        more than the gates allow."""
        most = [self.space.settings[c].max_taper for c in columns[1:]]
        limit = np.array([np.inf if m is None else m for m in most])
        between = np.abs(np.diff(profile, axis=1))
        over = np.max(between / np.maximum(limit, TINY), axis=1)
        return profile / np.maximum(over, 1.0)[:, None]


@lru_cache(maxsize=64)
def moves(space: SettingSpace, reach: tuple[int, ...]) -> Indices:
    """Steps of one setting, or of two together, on the lattice; shape (m, d).

    Of gates the level moves like a setting of its own, the taper alone and with the level, and the
    bow alone. No gate moves for itself: a search would make ragged profiles for gains too small to
    be real.

    Args:
        space: the settings.
        reach: lengths of the steps; the shortest and the longest are used for two together.
    """
    profiles = profiles_of(space)
    # A contrast moves its outermost gate by a whole step.
    unit = profiles.shapes / np.abs(profiles.shapes).max(axis=1, keepdims=True)
    degrees = [degree for _, degree in profiles.directions]
    found = [np.rint(s * r * row) for row in unit for r in reach for s in (-1, 1)]
    for i, j in combinations(range(len(unit)), 2):
        same = profiles.directions[i][0] == profiles.directions[j][0]
        if degrees[i] == degrees[j] == 0 or (same and degrees[i] + degrees[j] == 1):
            found += [
                np.rint(r * (a * unit[i] + b * unit[j]))
                for r in {reach[0], reach[-1]}
                for a, b in ((1, 1), (1, -1), (-1, 1), (-1, -1))
            ]
    return np.array(found).astype(np.int64)


@lru_cache(maxsize=32)
def profiles_of(space: SettingSpace) -> Profiles:
    """The profiles of a space, made once."""
    return Profiles(space)
