"""Columns of a run table as arrays."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import numpy as np

from optimizer.plant.gates import at_gates, gates_among

if TYPE_CHECKING:
    import pyarrow as pa
    from numpy.typing import NDArray

    from optimizer.plant.settings import SettingSpace

    Floats = NDArray[np.float64]


def column_reader(runs: pa.Table) -> Any:
    """A function from a column's name to its values, shape (n,), NaN where a value is missing."""

    def column(name: str) -> Floats:
        if name not in runs.column_names:
            return np.full(runs.num_rows, np.nan)
        values = runs[name].cast("float64").to_numpy()
        return np.asarray(values, dtype=float)

    return column


def settings_of(runs: pa.Table, space: SettingSpace) -> Floats:
    """The settings of n runs as a deck with the settings of ``space`` would have them, (n, d).

    Runs of other lines may have another number of gates. One value for the whole setting holds for
    all gates; a deck without gates takes their mean; between two numbers of gates the values are
    interpolated linearly along the deck (``plant.gates.at_gates``). NaN where a value is missing.
    """
    column = column_reader(runs)
    found = {setting.name: column(setting.name) for setting in space.settings}
    own = {s.name for s in space.settings if s.gate_of is None}
    for whole, here in _wholes(space).items():
        gates = gates_among(runs.column_names, whole)
        stored = [whole, *(() if {*gates} & own else gates)]
        if stored == list(here):
            continue
        values = np.column_stack([column(name) for name in stored])
        at = _at(values[:, 0], values[:, 1:], len(here))
        found |= {name: at[:, k] for k, name in enumerate(here)}
    return np.column_stack([found[name] for name in space.names])


def _wholes(space: SettingSpace) -> dict[str, tuple[str, ...]]:
    """The names by which a space has each setting as a whole: its gates, or itself."""
    own = {s.name: (s.name,) for s in space.settings if s.gate_of is None}
    return {**own, **{w: tuple(space.names[j] for j in at) for w, at in space.gates.items()}}


def _at(one: Floats, gates: Floats, count: int) -> Floats:
    """Values at ``count`` gates, (n, count), of n runs with one value, (n,), or gates, (n, m)."""
    found = np.repeat(one[:, None], count, axis=1)
    filled = np.sum(~np.isnan(gates), axis=1)
    for number in np.unique(filled[filled > 0]):
        rows = filled == number
        found[rows] = at_gates(gates[rows, :number], count)
    return found


def codes_of(runs: pa.Table, name: str) -> NDArray[np.int64]:
    """A number for each distinct text of a column, shape (n,); -1 where a text is missing."""
    if name not in runs.column_names or not runs.num_rows:
        return np.full(runs.num_rows, -1)
    texts = np.array([text or "" for text in runs[name].to_pylist()])
    found, which = np.unique(texts, return_inverse=True)
    return np.where(texts == "", -1, which - int(found[0] == ""))


def start_times(runs: pa.Table) -> NDArray[np.datetime64]:
    """The start of each run in UTC, shape (n,), NaT where it is unknown."""
    moments = runs["started_at"].cast("timestamp[us]").to_numpy()
    return np.asarray(moments, dtype="datetime64[us]")


def moment64(moment: datetime) -> np.datetime64:
    """A point in time as a number of microseconds since 1970 in UTC."""
    return np.datetime64(moment.astimezone(UTC).replace(tzinfo=None), "us")
