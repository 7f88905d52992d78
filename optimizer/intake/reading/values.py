"""From cells to numbers; whole columns are converted at once.

Plain numbers are recognized character by character and cast together. Only the other cells are
matched with patterns: a unit in the cell, a thousands mark, a mark for a missing value. A cell that
can be read in two ways is read in the way that other cells of its column prove (``1,500`` beside
``12,750.5``). Where no cell proves one, the cell is rejected with both readings; it is never
guessed.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from optimizer.history.arrow import as_mask, matches, one_array, placed, plain
from optimizer.intake.reading.source import Decimal

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Mask = NDArray[np.bool_]
    Floats = NDArray[np.float64]

# Marks that spreadsheets and scripts write where a value is missing.
ABSENT = ("", "na", "n/a", "#n/a", "nan", "null", "none", "nil", "-", "--")

COMMA_GROUPS, POINT_GROUPS, COMMA_DECIMAL, POINT_DECIMAL = 1, 2, 4, 8
"""Flags for what the cells of a column prove: which mark groups thousands, and which is the decimal
mark."""

_PLAIN = r"^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?$"
_COMMA = r"^[+-]?(\d+,\d*|,\d+)([eE][+-]?\d{1,3})?$"
_INFINITE = r"(?i)^[+-]?inf(inity)?$"
# A number in any notation, followed by a unit. Spaces that group digits have several widths.
_SPACES = r" \x{a0}\x{2009}\x{202f}'’"
_PARTS = (
    rf"^(?P<number>[+-]?\d*(?:[.,{_SPACES}]?\d+)*[.,]?(?:[eE][+-]?\d{{1,3}})?)"
    r"\s*(?P<unit>(?:[A-Za-z\x{b5}\x{3bc}°º%‰].*|1/min)?)$"
)
_COMMA_GROUPED = r"^[+-]?[1-9]\d{0,2}(,\d{3}){2,}$|^[+-]?[1-9]\d{0,2}(,\d{3})+\.\d*$"
_POINT_GROUPED = r"^[+-]?[1-9]\d{0,2}(\.\d{3}){2,}$|^[+-]?[1-9]\d{0,2}(\.\d{3})+,\d*$"
_SPACE_GROUPED = rf"^[+-]?[1-9]\d{{0,2}}([{_SPACES}]\d{{3}})+([.,]\d*)?$"
_EITHER = {",": r"^[+-]?[1-9]\d{0,2},\d{3}$", ".": r"^[+-]?[1-9]\d{0,2}\.\d{3}$"}

NO_COMMA = (
    "'{value}' has a decimal comma, which a comma-separated log cannot have (write a decimal "
    "point, or separate the columns with semicolons)"
)
TWO_WAYS = (
    "'{value}' can be read with a decimal mark or with a thousands mark (write no "
    "thousands mark, and decimals with a point)"
)
NO_NUMBER = "'{value}' is not a number"
A_DATE = (
    "'{value}' is a date, which a spreadsheet may have made of a number such as 2.4 (type the "
    "number again in a column of texts or numbers)"
)
_MONTH = (
    "(?i:jan|ene|gen|feb|fev|fév|mar|mär|mrz|apr|abr|avr|mai|may|mag|jun|giu|jul|lug|aug|ago|sep"
    "|set|oct|okt|ott|out|nov|dec|dez|dic|déc)"
)
_DATE = (
    rf"^\d{{1,2}}[.\- /]+{_MONTH}\.?([ \-]\d{{2,4}})?$|^{_MONTH}\.?[ \-]\d{{1,2}}$"
    r"|^\d{1,2}[./-]\d{1,2}[./-](\d{2}|\d{4})$|^\d{4}-\d{2}-\d{2}( 00:00(:00)?)?$"
)


@dataclass
class Numbers:
    """A column as numbers, shape (n,).

    Args:
        values: the numbers, NaN where the cell is empty or faulty.
        units: unit that each cell states, null where it states none; None when no cell states a
            unit.
        faults: masks of unreadable cells with reasons, in which ``{value}`` stands for the cell.
        unsure: mask of cells that other cells of the column may decide.
        proof: what the column proves so far, a sum of the flags above.
        settled: number of cells that were read in the way that other cells prove.
    """

    values: Floats
    units: pa.Array | None = None
    faults: list[tuple[Mask, str]] = field(default_factory=list)
    unsure: Mask | None = None
    proof: int = 0
    settled: int = 0

    @property
    def percent(self) -> Mask | None:
        """Mask of cells with a per cent sign, or None when no cell has one."""
        return None if self.units is None else as_mask(pc.equal(self.units, "%"))


def as_text(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """A column of any type as text; whole floating-point numbers are written without ``.0``.

    A column of whole numbers with gaps is often stored as floating point, and run 17 must not
    become '17.0'.
    """
    column = plain(column)
    if pa.types.is_string(column.type):
        return column
    if pa.types.is_floating(column.type):
        text = column.cast(pa.float64()).cast(pa.string())
        return pc.replace_substring_regex(text, r"\.0$", "")
    try:
        return column.cast(pa.string())
    except (pa.ArrowNotImplementedError, pa.ArrowInvalid):
        if pa.types.is_timestamp(column.type):  # the time zone database lacks its zone
            return column.cast(pa.timestamp(column.type.unit, "UTC")).cast(pa.string())
        texts = [None if v is None else str(v) for v in column.to_pylist()]
        return pa.chunked_array([pa.array(texts, pa.string())])


def is_number(kind: pa.DataType) -> bool:
    """Whether a column type holds numbers."""
    return bool(
        pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_decimal(kind)
    )


def numbers(
    column: pa.ChunkedArray, decimal: Decimal, proof: int | None = 0, *, units: bool = False
) -> Numbers:
    """The cells of one column as numbers.

    Args:
        column: the cells, of any type.
        decimal: how the log writes numbers.
        proof: what the whole column proves. None while that is not known; cells that it could
            decide are then unsure.
        units: whether a cell may state any unit; otherwise it may only have a per cent sign.
    """
    column = plain(column)
    if is_number(column.type):
        return Numbers(_floats(column.cast(pa.float64(), safe=False)))
    text = one_array(as_text(column))
    good, values = _plain_numbers(text, "," if decimal == "comma" else ".")
    odd = np.flatnonzero(~good & np.asarray(text.is_valid()))
    if not len(odd):
        return Numbers(values)
    read = _odd_numbers(pc.utf8_trim_whitespace(text.take(pa.array(odd))), decimal, proof, units)
    values[odd] = read.values
    read.values = values
    read.faults = [(_whole(mask, odd, good), reason) for mask, reason in read.faults if mask.any()]
    if read.unsure is not None:
        read.unsure = _whole(read.unsure, odd, good)
    if read.units is not None:
        read.units = placed(read.units, _whole(np.ones(len(odd), bool), odd, good))
    return read


def _whole(mask: Mask, odd: NDArray[np.int64], column: Mask) -> Mask:
    """A mask over the whole column, from a mask over its odd cells."""
    wide = np.zeros(len(column), bool)
    wide[odd] = mask
    return wide


# Codes of the characters of a plain number, which are summed over a cell: at most one decimal mark,
# otherwise digits.
_DIGIT, _MARK, _OTHER = 0, 1, 2


def _plain_numbers(text: pa.Array, mark: str) -> tuple[Mask, Floats]:
    """Mask of cells of digits with at most one decimal mark, and their values, else NaN; (n,).

    It checks the buffer of the column character by character, which is several times as fast as a
    pattern.
    """
    n = len(text)
    _, offset_buffer, data = text.buffers()
    if n == 0 or data is None or data.size == 0:
        return np.zeros(n, bool), np.full(n, np.nan)
    offsets = np.frombuffer(offset_buffer, np.int32)[text.offset : text.offset + n + 1]
    signs = np.frombuffer(data, np.uint8)[offsets[0] : offsets[-1]]
    starts = offsets - offsets[0]
    kinds = np.full(256, _OTHER, np.uint8)
    kinds[ord("0") : ord("9") + 1] = _DIGIT
    kinds[ord(mark)] = _MARK
    kind = kinds[signs]
    if mark != ".":
        signs = np.where(kind == _MARK, np.uint8(ord(".")), signs)
    pointed = pa.StringArray.from_buffers(n, pa.py_buffer(starts), pa.py_buffer(signs))
    good = np.diff(starts) > 0
    good[np.searchsorted(starts, np.flatnonzero(kind == _OTHER), side="right") - 1] = False
    try:
        values = _masked_cast(pointed, good)
    except pa.ArrowInvalid:  # two decimal marks in a cell, or only a mark
        sums = np.concatenate([[0], np.cumsum(kind, dtype=np.int64)])
        found = np.diff(sums[starts])
        good = (found <= _MARK) & (np.diff(starts) > found)
        values = _masked_cast(pointed, good)
    return good, values


def _masked_cast(text: pa.Array, mask: Mask) -> Floats:
    """Numbers of the cells in a mask, NaN elsewhere, shape (n,)."""
    return _floats(pc.if_else(pa.array(mask), text, None).cast(pa.float64())).copy()


def _floats(column: pa.ChunkedArray | pa.Array) -> Floats:
    return np.asarray(column.to_numpy(zero_copy_only=False), dtype=np.float64)


def _pointed(text: pa.Array) -> pa.Array:
    return pc.replace_substring(text, ",", ".")


def _odd_numbers(text: pa.Array, decimal: Decimal, proof: int | None, units: bool) -> Numbers:
    """Numbers of the cells that are not plain numbers, shape (n,)."""
    absent = as_mask(pc.is_in(pc.utf8_lower(text), pa.array(ABSENT)))
    infinite = matches(text, _INFINITE)
    parts = pc.extract_regex(pc.replace_substring(text, "−", "-"), _PARTS)
    number = pc.fill_null(pc.struct_field(parts, ["number"]), "")
    unit = pc.utf8_trim_whitespace(pc.fill_null(pc.struct_field(parts, ["unit"]), ""))
    if not units:
        number = pc.if_else(pc.is_in(unit, pa.array(["", "%"])), number, "")
    forms = _Forms(number, decimal)
    forms.settle(proof)
    dates = matches(text, _DATE)
    taken = forms.readable & ~absent & ~infinite & ~dates
    values = np.where(infinite, np.inf, forms.values(taken))
    values[infinite & matches(text, "^-")] = -np.inf
    said = taken & as_mask(pc.not_equal(unit, ""))
    unsure = forms.unsure & ~absent
    refused = forms.refused & ~absent
    left = ~(taken | absent | infinite | unsure | refused | forms.two_ways)
    faults = [
        (refused, NO_COMMA),
        (forms.two_ways, TWO_WAYS),
        (dates, A_DATE),
        (left & ~dates, NO_NUMBER),
    ]
    return Numbers(
        values,
        pc.if_else(pa.array(said), unit, None) if said.any() else None,
        faults,
        unsure if unsure.any() else None,
        forms.proof,
        forms.settled,
    )


class _Forms:
    """The notations of the numbers in cells; each notation is a mask, shape (n,).

    Args:
        number: the cells without their units.
        decimal: how the log writes numbers.
    """

    def __init__(self, number: pa.Array, decimal: Decimal) -> None:
        self.number, self.decimal = number, decimal
        self.groups = {",": matches(number, _COMMA_GROUPED), ".": matches(number, _POINT_GROUPED)}
        self.spaced = matches(number, _SPACE_GROUPED)
        self.point, self.comma = matches(number, _PLAIN), matches(number, _COMMA)
        # The mark that may group thousands: the point in a log with decimal commas, else the comma.
        self.mark = "." if decimal == "comma" else ","
        self.either = matches(number, _EITHER[self.mark])
        self.unsure = self.two_ways = np.zeros(len(number), bool)
        self.settled = 0
        points = as_mask(pc.match_substring(number, "."))
        self.proof = sum(
            flag
            for flag, mask in (
                (COMMA_GROUPS, self.groups[","]),
                (POINT_GROUPS, self.groups["."]),
                (COMMA_DECIMAL, self.comma & ~matches(number, _EITHER[","])),
                (POINT_DECIMAL, self.point & points & ~matches(number, _EITHER["."])),
            )
            if mask.any()
        )

    def settle(self, proof: int | None) -> None:
        """Decide cells that can be read in two ways by what the column proves."""
        grouped, decimal = (
            (COMMA_GROUPS, COMMA_DECIMAL) if self.mark == "," else (POINT_GROUPS, POINT_DECIMAL)
        )
        found = (proof or 0) & (grouped | decimal)
        if proof is None:
            self.unsure = self.either
        elif found == grouped:
            self.groups[self.mark] = self.groups[self.mark] | self.either
        elif found != decimal or self.decimal == "never":
            self.two_ways = self.either
        if proof is not None and not self.two_ways.any():
            self.settled = int(self.either.sum())
        elsewhere = self.either & ~self.groups[self.mark] if found == decimal else False
        self.point = self.point & (~self.either | elsewhere)
        self.comma = self.comma & (~self.either | elsewhere)

    @property
    def refused(self) -> Mask:
        """Cells with a decimal comma in a log that cannot have one."""
        decimal_comma = self.comma | (
            self.groups["."] & as_mask(pc.match_substring(self.number, ","))
        )
        return decimal_comma if self.decimal == "never" else np.zeros(len(self.number), bool)

    @property
    def readable(self) -> Mask:
        """Cells that can be read as a number in exactly one way."""
        known = self.point | self.comma | self.spaced | self.groups[","] | self.groups["."]
        return np.asarray(known & ~self.refused & ~self.unsure & ~self.two_ways, dtype=bool)

    def values(self, wanted: Mask) -> Floats:
        """Numbers of the cells in a mask, NaN elsewhere."""
        text = pc.if_else(pa.array(wanted), self.number, None)
        for mark, mask in self.groups.items():
            text = pc.if_else(pa.array(mask), pc.replace_substring(text, mark, ""), text)
        text = pc.replace_substring_regex(text, f"[{_SPACES}]", "")
        return _floats(_pointed(text).cast(pa.float64())).copy()


def both_numbers(cells: pa.Array) -> pa.Array:
    """The two numbers that cells such as ``1,500 kg/h`` can mean.

    >>> both_numbers(pa.array(["1,500", "2.000 kg/h"])).to_pylist()
    ['1.500 or 1500', '2.000 or 2000']
    """
    number = pc.struct_field(pc.extract_regex(cells, _PARTS), ["number"])
    whole = pc.replace_substring_regex(number, "[.,]", "")
    return pc.binary_join_element_wise(_pointed(number), whole, " or ")
