"""The runs that a line learns from: its own and, while these are few, runs of other lines.

Borrowed runs carry the number of their line, and the surrogate estimates how closely the lines
agree.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from optimizer.evidence.columns import settings_of
from optimizer.plant.settings import SettingSpace
from optimizer.plant.site import Site
from optimizer.text.sentences import sentence

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# A line with fewer set-points than FEWEST_OWN also learns from other lines; a line with more has
# little to gain. At most MOST_BORROWED runs of other lines are taken, evenly over time, because the
# cost of the exact model is cubic in the number of set-points.
FEWEST_OWN, MOST_BORROWED, FEWEST_OF_OTHER = 40, 150, 8
RUNS_TO_COUNT = 2000


def runs_to_learn_from(
    runs: pa.Table, line: str | None, site: Site, warnings: list[str]
) -> tuple[pa.Table, Floats]:
    """The runs that a line learns from: runs borrowed from other lines first, then its own runs.

    Returns:
        The runs, and the number of each run's line, shape (n,): 0 for the line itself, 1 and up for
        the other lines.
    """
    if not runs.num_rows or line is None:
        return runs.slice(0, 0), np.zeros(0)
    is_own = pc.fill_null(pc.equal(runs["line"], line), False)
    if pc.all(is_own).as_py():
        return runs, np.zeros(runs.num_rows)
    own, rest = runs.filter(is_own), runs.filter(pc.invert(is_own))
    space = site.space_of(line)
    if knows_enough(own, space):
        return own, np.zeros(own.num_rows)
    rest = rest.filter(pc.and_(rest["grade"].is_valid(), rest["recovery"].is_valid()))
    others = {
        name: rest.filter(pc.equal(rest["line"], name))
        for name in pc.unique(rest["line"]).to_pylist()
        if _alike(site.settings_of(name).whole, site.settings_of(line).whole)
    }
    others = {name: t for name, t in others.items() if t.num_rows >= FEWEST_OF_OTHER}
    if not others:
        return own, np.zeros(own.num_rows)
    each = MOST_BORROWED // len(others)
    borrowed = [t.take(pa.array(_evenly(t.num_rows, each))) for t in others.values()]
    counts = [t.num_rows for t in borrowed]
    warnings.append(
        sentence("borrowed", line=line, own=own.num_rows, runs=sum(counts), others=list(others))
    )
    number = np.repeat(np.array([*range(1, len(counts) + 1), 0.0]), [*counts, own.num_rows])
    return pa.concat_tables([*borrowed, own]), number


def knows_enough(own: pa.Table, space: SettingSpace) -> bool:
    """Whether a line has enough set-points of its own, judged by a sample of its runs."""
    if not own.num_rows:
        return False
    some = own.take(pa.array(_evenly(own.num_rows, RUNS_TO_COUNT)))
    return len(np.unique(settings_of(some, space), axis=0)) >= FEWEST_OWN


def _evenly(n: int, most: int) -> NDArray[np.int64]:
    """At most ``most`` evenly spaced positions out of n."""
    return np.unique(np.linspace(0, n - 1, min(n, most)).astype(np.int64))


def _alike(one: SettingSpace, other: SettingSpace) -> bool:
    """Whether two lines have the same settings in the same units, whatever their gates."""
    return [(s.name, s.unit) for s in one.settings] == [(s.name, s.unit) for s in other.settings]
