"""Reads tests from a table of weighed and assayed streams, which has one row for each stream."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Protocol

import numpy as np

from optimizer.errors import InputError, nearest
from optimizer.measurement.balancing.streams import relative_errors
from optimizer.measurement.counting import counted_se
from optimizer.measurement.propagation import FloatArray


class StreamTable(Protocol):
    """Columns by name: a data frame, or a dictionary of sequences."""

    def __iter__(self) -> Any:
        """Iterate over the names of the columns."""

    def __getitem__(self, name: str, /) -> Any:
        """The cells of a column."""


FEED, PRODUCT, REJECT = "feed", "product", "reject"
MIDDLINGS = "middlings"
"""The stream that is a product of its own unless it is returned to the feed."""
NUMBERS = ("mass", "mass_rate", "assay", "mass_se", "assay_se", "count")
NEEDED = ("test_id", "stream", "assay")
# Far below the resolution of any scale or assay; division by a smaller number overflows.
SMALLEST_NUMBER = 1e-30


def _nothing() -> FloatArray:
    return np.empty(0)


@dataclass(frozen=True)
class StreamTest:
    """One test of s streams: feed, product and further outlets, in this order.

    Attributes:
        test_id: id of the test.
        names: names of the streams, s texts.
        mass, assay: measured values, shape (s,); NaN where not measured.
        mass_se, assay_se: standard errors, shape (s,); NaN where not stated. A count states the
            standard error of its assay.
        grade_count, feed_grade_count: particles counted for the assays of product and feed; NaN
            when none were counted.
        returned: names of the streams that go back to the feed and stay in the balance, since the
            feed was sampled after they had joined it.
        notes: assumptions that were made.
        fault: why the rows are not a valid test; empty if they are.
    """

    test_id: str
    names: tuple[str, ...] = ()
    mass: FloatArray = field(default_factory=_nothing)
    mass_se: FloatArray = field(default_factory=_nothing)
    assay: FloatArray = field(default_factory=_nothing)
    assay_se: FloatArray = field(default_factory=_nothing)
    grade_count: float = float("nan")
    feed_grade_count: float = float("nan")
    returned: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    fault: str = ""

    @property
    def states_no_error(self) -> bool:
        """Whether no measurement states an error."""
        return bool(np.isnan(self.mass_se).all() and np.isnan(self.assay_se).all())

    def with_relative_errors(
        self, mass_relative: float | None, assay_relative: float | None
    ) -> StreamTest:
        """Copies the test with relative errors for measurements that state no error."""
        none = math.nan
        mass, assay = relative_errors(
            self.mass, self.assay, mass_relative or none, assay_relative or none
        )
        return replace(
            self,
            mass_se=np.where(np.isnan(self.mass_se), mass, self.mass_se),
            assay_se=np.where(np.isnan(self.assay_se), assay, self.assay_se),
        )


def read_tests(
    table: StreamTable, returned: Collection[str], sampled_after_return: bool = False
) -> list[StreamTest]:
    """The tests of a table, in the order of their first rows; faulty tests have a ``fault``.

    Args:
        table: the table of streams.
        returned: names of the streams that go back to the feed.
        sampled_after_return: whether the feed was sampled after they had joined it.

    Raises:
        InputError: a column is missing, a cell is text instead of a number, a name is empty, or
            feed or product is named as returned.
    """
    names = [str(name) for name in table]
    for name in NEEDED:
        if name not in names:
            raise InputError(
                f"the table of streams has no column '{name}'.",
                code="balance-column",
                hint=nearest(name, names),
            )
    if not {FEED, PRODUCT}.isdisjoint(returned):
        raise InputError(
            "feed and product cannot be returned to the feed.", code="balance-returned"
        )
    columns = {name: _numbers(table, name, name in names) for name in NUMBERS}
    ids, streams = _words(table, "test_id"), [name.lower() for name in _words(table, "stream")]
    rows_of: dict[str, list[int]] = {}
    for row, test_id in enumerate(ids):
        rows_of.setdefault(test_id, []).append(row)
    tests = []
    for test_id, rows in rows_of.items():
        part = {name: values[rows] for name, values in columns.items()}
        try:
            named = [streams[i] for i in rows]
            tests.append(_test(test_id, named, part, returned, sampled_after_return))
        except InputError as error:
            tests.append(StreamTest(test_id, fault=str(error)))
    return tests


def _numbers(table: StreamTable, name: str, present: bool) -> FloatArray:
    if not present:
        return np.full(len(list(table["stream"])), np.nan)
    return np.array([_number(cell, name, row) for row, cell in enumerate(table[name], 1)])


def _number(cell: Any, name: str, row: int) -> float:
    if _empty(cell):
        return math.nan
    try:
        number = float(cell)
    except (TypeError, ValueError):
        number = math.inf
    if math.isinf(number):
        raise InputError(
            f"row {row} of the table: {name} is '{cell}', not a number.",
            code="balance-number",
            hint="Leave the cell empty when nothing was measured.",
        )
    return 0.0 if abs(number) < SMALLEST_NUMBER else number


def _empty(cell: Any) -> bool:
    # Comparing texts covers None, NaN and the missing values of every kind of table.
    return str(cell).strip().lower() in {"", "none", "nan", "<na>", "nat"}


def _words(table: StreamTable, name: str) -> list[str]:
    words = [str(cell).strip() for cell in table[name]]
    for row, word in enumerate(words, 1):
        if _empty(word):
            raise InputError(f"row {row} of the table has no {name}.", code="balance-name")
    return words


def _test(
    test_id: str,
    streams: list[str],
    part: dict[str, FloatArray],
    returned: Collection[str],
    sampled_after_return: bool,
) -> StreamTest:
    """One test: feed, product, and the other outlets that its rows name or imply.

    Raises:
        InputError: the rows are not a valid test.
    """
    twice = [name for name in streams if streams.count(name) > 1]
    if twice:
        raise InputError(f"stream '{twice[0]}' has more than one row.", code="balance-stream")
    if PRODUCT not in streams:
        raise InputError(
            "no row is the product.", code="balance-stream", hint=nearest(PRODUCT, streams)
        )
    if np.isfinite(part["mass"]).any() and np.isfinite(part["mass_rate"]).any():
        raise InputError("both mass and mass_rate are filled.", code="balance-mass")
    if np.any(part["count"] < 1):
        raise InputError("a count is below one particle.", code="balance-count")
    mass = np.where(np.isnan(part["mass"]), part["mass_rate"], part["mass"])
    with np.errstate(invalid="ignore"):
        binomial = counted_se(part["assay"], part["count"])
    assay_se = np.where(np.isnan(part["assay_se"]), binomial, part["assay_se"])
    back = [name for name in streams if name in returned]
    names, order = _in_order(streams, back, sampled_after_return)
    feed_count, product_count = _pick(
        np.where(np.isnan(part["assay"]), np.nan, part["count"]), order
    )[:2].tolist()
    return StreamTest(
        test_id,
        names,
        mass=_pick(mass, order),
        mass_se=_pick(part["mass_se"], order),
        assay=_pick(part["assay"], order),
        assay_se=_pick(assay_se, order),
        grade_count=product_count,
        feed_grade_count=feed_count,
        returned=tuple(back) if sampled_after_return else (),
        notes=tuple(_note(name, sampled_after_return) for name in back),
    )


def _note(returned: str, sampled_after_return: bool) -> str:
    if sampled_after_return:
        return (
            f"{returned} goes back to the feed, which was sampled after it had joined: the figures "
            "are those of the fresh feed, in steady state"
        )
    return f"{returned} goes back to the feed and leaves the balance"


def _in_order(
    streams: list[str], returned: Collection[str], kept: bool
) -> tuple[tuple[str, ...], list[int | None]]:
    """Names with feed and product first, and the row of each; None where it has no row.

    Returned streams come last where they are kept in the balance.
    """
    others = [name for name in streams if name not in {FEED, PRODUCT, *returned}]
    names = (FEED, PRODUCT, *(others or [REJECT]), *(returned if kept else ()))
    return names, [streams.index(name) if name in streams else None for name in names]


def _pick(values: FloatArray, order: Sequence[int | None]) -> FloatArray:
    return np.array([np.nan if i is None else values[i] for i in order])
