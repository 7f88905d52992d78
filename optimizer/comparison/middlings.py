"""Middlings of a line that are kept as a product: at its settings now, and at its better ones."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimizer.evidence.middlings import ExpectedMiddlings, fit_middlings

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.evidence.record import Evidence

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]


@dataclass(frozen=True)
class LineMiddlings:
    """The middlings of a line.

    Attributes:
        now: at the settings of recent practice.
        better: at the better settings; None where no settings are sure enough of the grade.
        gain: draws of their share of the feed at the better settings less that now, shape (draws,);
            None without better settings.
    """

    now: ExpectedMiddlings
    better: ExpectedMiddlings | None
    gain: Floats | None


def middlings_of(
    evidence: Evidence, now: Indices, better: Indices | None, draws: int, seed: int
) -> LineMiddlings | None:
    """The middlings of a line, as its runs tell of them.

    Args:
        evidence: evidence of the line.
        now, better: lattice indices of the settings, shape (d,); ``better`` may be None.
        draws: number of draws of the gain.
        seed: seed of all random numbers.

    Returns:
        None where too few runs tell of middlings.
    """
    found = fit_middlings(evidence, seed)
    if found is None:
        return None
    if better is None or np.array_equal(now, better):
        (here,) = found.expected(evidence.inputs_today(now[None, :]))
        same = better is not None
        return LineMiddlings(here, here if same else None, np.zeros(draws) if same else None)
    both = evidence.inputs_today(np.vstack([now, better]))
    share = found.share.draws(both, np.random.default_rng(seed).standard_normal((draws, 2)))
    here, there = found.expected(both)
    return LineMiddlings(here, there, share[:, 1] - share[:, 0])
