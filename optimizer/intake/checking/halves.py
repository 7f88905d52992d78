"""Which rows of readings over time hold settings alone, and which hold results alone."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pyarrow.compute as pc

from optimizer.history.arrow import as_mask
from optimizer.intake.checking.fields import NEEDED, Fields

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Mask = NDArray[np.bool_]


def halves(fields: Fields) -> tuple[Mask, Mask]:
    """Rows of readings over time that hold settings alone, and those that hold results alone, each
    a mask of shape (n,); none in a log of runs."""
    if not fields.log.timed:
        return np.zeros(fields.n, bool), np.zeros(fields.n, bool)
    settings = _any_filled(fields, fields.site.setting_names)
    results = _any_filled(fields, NEEDED)
    return settings & ~results, results & ~settings


def _any_filled(fields: Fields, names: Sequence[str]) -> Mask:
    rows, filled = np.arange(fields.n), np.zeros(fields.n, bool)
    for name in filter(fields.has, names):
        filled |= as_mask(pc.not_equal(fields.cells(name, rows), ""))
    return filled
