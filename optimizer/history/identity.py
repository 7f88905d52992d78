"""Which rows are the same run: a run id made from a run's content, and the set of known runs.

A run's id has 128 bits and is computed from the content of the run, never from the file that
contained it. The id is stable across versions and platforms: every step is integer arithmetic, or
a correctly rounded floating-point operation on exact powers of ten.

This is the function, so that anyone can compute an id again. A number is rounded to single
precision and then to six significant digits, so that logs in single precision, in per cent and in
fractions agree; the code of the number is ``mantissa * 128 + exponent + 64``. The code of a time is
its microseconds since 1970. The code of a text is a hash of its words of eight bytes. Each code is
xored with a seed made from the column's name and goes through the finalizer of the splitmix64
generator [Steele2014]_. An empty cell contributes nothing, so a material column that a site
declares later changes no id. The first half of the id is the sum over the columns. The second half
is the sum over the columns, each weighted by an odd number made from the column's name.

.. [Steele2014] G. L. Steele, D. Lea, C. H. Flood, "Fast splittable pseudorandom number
   generators", OOPSLA 2014, section 5 (the finalizer with David Stafford's constants, mix13).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from optimizer.history.schema import NO_GATES, alike_gates_as_one
from optimizer.numerics.key_map import KeyMap
from optimizer.plant.run_columns import NOT_IDENTITY

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Keys = NDArray[np.uint64]
    Mask = NDArray[np.bool_]

SIGNIFICANT_DIGITS = 6
_MANTISSA = 10 ** (SIGNIFICANT_DIGITS - 1)
# Powers of ten that bound every number in single precision. Exact comparison with them gives the
# decimal exponent without a logarithm, the last bit of which differs between platforms.
_LOWEST, _HIGHEST = -46, 40
_POWERS = np.array([float(f"1e{k}") for k in range(_LOWEST, _HIGHEST + 1)])
# Factors by which a number is multiplied and divided to bring its significant digits before the
# decimal point, for each exponent from one below the lowest; one of the two factors is always 1.
_SHIFTS = SIGNIFICANT_DIGITS - 1 - np.arange(_LOWEST - 1, _HIGHEST + 1)
_UP = _POWERS[np.clip(_SHIFTS, 0, _HIGHEST) - _LOWEST]
_DOWN = _POWERS[np.clip(-_SHIFTS, 0, _HIGHEST) - _LOWEST]

_MULTIPLY_1 = np.uint64(0xBF58476D1CE4E5B9)
_MULTIPLY_2 = np.uint64(0x94D049BB133111EB)
_S30, _S27, _S31 = np.uint64(30), np.uint64(27), np.uint64(31)
# Keeps the hash of an empty text different from 0, which stands for a missing text.
_TEXT = np.uint64(0xFF)
# Masks that keep the first n bytes of a little-endian word.
_FIRST_BYTES = np.array([(1 << (8 * n)) - 1 for n in range(9)], dtype=np.uint64)

CORE = ("line", "started_at", "grade", "recovery", "grade_se", "recovery_se", "grade_count")
"""Columns that determine the id, besides the settings and the deck state."""

ADDED, KNOWN, CONFLICT, FORMER = 0, 1, 2, 3
"""Verdicts on a row: a new run, a known run, a known id with other content, a known run as it was
before it was corrected or withdrawn."""


def mix(codes: Keys) -> Keys:
    """Applies the finalizer of splitmix64 to each element; the shape stays the same."""
    z = codes ^ (codes >> _S30)
    z *= _MULTIPLY_1
    z ^= z >> _S27
    z *= _MULTIPLY_2
    z ^= z >> _S31
    return z


def hash_text(column: pa.Array) -> Keys:
    """64-bit hashes of a text column, shape (n,); 0 where null."""
    column = column.cast(pa.string())
    n = len(column)
    _, offset_buffer, data = column.buffers()
    if n == 0 or data is None or data.size == 0:
        empty = mix(np.full(n, _TEXT))
        return np.where(np.asarray(column.is_null()), np.uint64(0), empty)
    offsets = np.frombuffer(offset_buffer, np.int32)[column.offset : column.offset + n + 1]
    used = np.frombuffer(data, np.uint8)[: int(offsets[-1])]
    padded = np.concatenate([used, np.zeros(8, np.uint8)])
    words = np.ndarray((len(padded) - 7,), "<u8", padded, strides=(1,))
    start, left = offsets[:-1].astype(np.int64), np.diff(offsets).astype(np.int64)
    hashed = mix(left.astype(np.uint64) + _TEXT)
    if left[0] % 8 == 0 and column.null_count == 0 and (left == left[0]).all():
        # All texts have one length, as run ids do: their words form a matrix.
        even = np.frombuffer(used[offsets[0] :].tobytes(), "<u8").reshape(n, -1)
        for word in even.T:
            hashed = mix(hashed ^ word)
        return hashed
    rows: NDArray[np.int64] | slice = slice(None)
    while len(start) and (longest := left.max()) > 0:
        word = words[start]
        if left.min() < 8:
            word &= _FIRST_BYTES[np.clip(left, 0, 8)]
        hashed[rows] = mix(hashed[rows] ^ word)
        start, left = start + 8, left - 8
        if longest > 8:
            keep = np.flatnonzero(left > 0)
            rows = keep if isinstance(rows, slice) else rows[keep]
            start, left = start[keep], left[keep]
        else:
            break
    return (
        np.where(np.asarray(column.is_null()), np.uint64(0), hashed)
        if column.null_count
        else hashed
    )


def hash_labels(column: pa.Array) -> Keys:
    """64-bit hashes of a text column with few distinct texts, shape (n,); equal to ``hash_text``.

    Each distinct text is hashed once.
    """
    coded = column.dictionary_encode(null_encoding="encode")
    return hash_text(coded.dictionary)[coded.indices.to_numpy()]


def number_codes(values: NDArray[np.float64]) -> Keys:
    """Codes of numbers rounded to six significant digits, shape (n,).

    Numbers that agree after rounding have equal codes.
    """
    with np.errstate(over="ignore"):
        single = values.astype(np.float32).astype(np.float64)
    place = np.searchsorted(_POWERS, np.abs(single), side="right")
    exponent = place - 1 + _LOWEST
    scaled = single * _UP[place] / _DOWN[place]
    if not np.isfinite(scaled).all():
        scaled = np.nan_to_num(scaled)
    mantissa = np.rint(scaled).astype(np.int64)
    carried = np.abs(mantissa) >= 10 * _MANTISSA
    if carried.any():  # 9.999999 rounds to 10, which has one more digit
        mantissa[carried] //= 10
        exponent = exponent + carried
    return np.asarray(mantissa * 128 + exponent + 64).view(np.uint64)


def _codes(column: pa.Array) -> tuple[Keys, Mask | None]:
    """Codes of one column, shape (n,), and which cells are filled (None for all)."""
    filled = None if column.null_count == 0 else np.asarray(column.is_valid())
    if pa.types.is_string(column.type):
        return hash_labels(column), filled
    if pa.types.is_floating(column.type):
        return number_codes(column.to_numpy(zero_copy_only=False)), filled
    whole = pc.fill_null(column.cast(pa.int64()), 0)
    return whole.to_numpy(zero_copy_only=False).view(np.uint64), filled


@cache
def _seed(name: str) -> tuple[np.uint64, np.uint64]:
    """Seed and odd weight of a column, made from its name."""
    seed = hash_text(pa.array([name]))
    return seed[0], mix(seed)[0] | np.uint64(1)


class _Sum:
    """Running sums over columns: the plain sum and the weighted sum of each run, shape (n,)."""

    def __init__(self, n: int) -> None:
        self.first = np.zeros(n, np.uint64)
        self.second = np.zeros(n, np.uint64)

    def add(self, name: str, column: pa.Array, hashes: Keys | None = None) -> None:
        """Adds a column; ``hashes`` are the hashes of its texts, if they are already known."""
        if column.null_count == len(column):
            return
        codes, filled = _codes(column) if hashes is None else (hashes, None)
        seed, weight = _seed(name)
        mixed = mix(codes ^ seed)
        if filled is not None:
            mixed *= filled
        self.first += mixed
        self.second += mixed * weight


class Fingerprints:
    """Hashes of the identity and of the content of each run in a batch.

    The material's label and the material variables always belong to the content. They belong to
    the identity only for a run without a date. Two dated runs that differ only in a material
    variable are one run with a disputed value; two undated ones may be different runs. Columns of
    `NOT_IDENTITY` belong to the content only: they do not say which run a row is. A run with all
    gates of a setting alike has the id that it would have with one value for all, so that a log
    from before a deck had gates is recognized.

    Args:
        runs: a batch in the run table's schema.
        settings, material: names of settings and of material variables.
        gates: for each setting that has gates on some line, the columns of these.

    Attributes:
        identity: two 64-bit words for each run, shape (n, 2).
        content: one 64-bit word for each run, shape (n,); runs of equal content have equal words.
        lines: hashes of the names of the lines, shape (n,).
    """

    def __init__(
        self,
        runs: pa.RecordBatch,
        settings: Sequence[str],
        material: Sequence[str],
        gates: Mapping[str, Sequence[str]] = NO_GATES,
    ) -> None:
        runs = alike_gates_as_one(runs, gates)
        core, extra, errors = _Sum(len(runs)), _Sum(len(runs)), _Sum(len(runs))
        names = set(runs.schema.names)
        self.lines = hash_labels(runs.column("line"))
        core.add("line", runs.column("line"), self.lines)
        for name in names.intersection((*CORE[1:], "deck_state", *settings)):
            core.add(name, runs.column(name))
        for name in names.intersection(("material", *material)):
            extra.add(name, runs.column(name))
        for name in names.intersection(NOT_IDENTITY):
            errors.add(name, runs.column(name))
        undated = np.asarray(runs.column("started_at").is_null())
        self.identity = np.column_stack(
            [mix(core.first + extra.first * undated), mix(core.second + extra.second * undated)]
        )
        self.content = mix(core.first + extra.first + errors.first)


def run_ids(identity: Keys) -> pa.Array:
    """Run ids as texts of 32 hexadecimal digits, shape (n,), from identities, shape (n, 2)."""
    text = identity.astype(">u8").tobytes().hex().encode()
    offsets = np.arange(0, len(text) + 1, 32, dtype=np.int32)
    return pa.StringArray.from_buffers(len(identity), pa.py_buffer(offsets), pa.py_buffer(text))


class _Contents:
    """A set of content hashes, which is indexed only when it is first searched."""

    def __init__(self) -> None:
        self._waiting: list[Keys] = []
        self._map: KeyMap | None = None

    def add(self, content: Keys) -> None:
        if len(content):
            self._waiting.append(content)

    def contains(self, content: Keys) -> Mask:
        if self._map is None and not self._waiting:
            return np.zeros(len(content), bool)
        self._map = self._map or KeyMap()
        for keys in self._waiting:
            self._map.claim(keys, keys)
        self._waiting.clear()
        return self._map.get(content)[0]


@dataclass(frozen=True)
class Identified:
    """A batch of runs, each with its id.

    Args:
        runs: the n runs, in the run table's schema.
        derived: whether a run's id was made from its content, shape (n,).
        keys: a hash of each run's line and id, shape (n,).
        content: a hash of each run's content, as in ``Fingerprints``, shape (n,).
    """

    runs: pa.RecordBatch
    derived: Mask
    keys: Keys
    content: Keys


class FormerContents:
    """What runs were before they were corrected or withdrawn; the rules are those of ``KnownRuns``.

    Args:
        runs: n runs with former values, in the run table's schema.
        prints: their hashes.

    Attributes:
        derived: hashes of line and id of those runs whose id was made from their content.
    """

    def __init__(self, runs: pa.RecordBatch, prints: Fingerprints) -> None:
        keys, content = _id_keys(runs, prints.lines), prints.content
        own = np.asarray(pc.equal(run_ids(prints.identity), runs.column("run_id")))
        self.derived = np.unique(keys[own])
        derived = np.isin(keys, self.derived)
        number = np.arange(len(runs), dtype=np.uint64)
        self._by_run, self._by_content, self._by_derived = KeyMap(), KeyMap(), KeyMap()
        self._by_run.claim(mix(keys ^ mix(content)), number)
        self._by_content.claim(content, number)
        self._by_derived.claim(content[derived], number[derived])

    def find(self, batch: Identified) -> NDArray[np.int64]:
        """The number of the former run that each row of a batch is, -1 for none, shape (n,)."""
        found = np.full(len(batch.keys), -1)
        for known, keys, rows in (
            (self._by_content, batch.content, batch.derived),
            (self._by_derived, batch.content, ~batch.derived),
            (self._by_run, mix(batch.keys ^ mix(batch.content)), np.ones(len(found), bool)),
        ):
            held, number = known.get(keys)
            found = np.where(held & rows, number.astype(np.int64), found)
        return found


class KnownRuns:
    """The runs that the history has or that this load has added, as hashes.

    Two rows with the same line and run id and with equal content are the same run. If at least one
    of two rows came without an id, equal content makes them the same run.

    Attributes:
        former: what corrected and withdrawn runs were; None when there are none.
    """

    def __init__(
        self,
        settings: Sequence[str],
        material: Sequence[str],
        gates: Mapping[str, Sequence[str]] = NO_GATES,
    ) -> None:
        self._names = (settings, material, gates)
        self._content_of = KeyMap()
        self._given, self._derived = _Contents(), _Contents()
        self.former: FormerContents | None = None

    def learn_former(self, runs: pa.RecordBatch) -> None:
        """Records former values of corrected and withdrawn runs; to be called before ``learn``."""
        self.former = FormerContents(runs, Fingerprints(runs, *self._names))

    def identify(self, runs: pa.RecordBatch) -> Identified:
        """Gives an id to each run of a batch that came without one."""
        prints = Fingerprints(runs, *self._names)
        given = runs.column("run_id")
        derived = np.asarray(given.is_null())
        if derived.any():
            place = runs.schema.get_field_index("run_id")
            ids = pc.coalesce(given, run_ids(prints.identity))
            runs = runs.set_column(place, runs.schema.field(place), ids)
        return Identified(runs, derived, _id_keys(runs, prints.lines), prints.content)

    def learn(self, batches: Iterator[pa.RecordBatch]) -> None:
        """Records runs of the history as known."""
        for batch in batches:
            prints = Fingerprints(batch, *self._names)
            derived = np.asarray(pc.equal(run_ids(prints.identity), batch.column("run_id")))
            keys = _id_keys(batch, prints.lines)
            self._content_of.claim(keys, prints.content)
            self._given.add(prints.content[~derived])
            if self.former is not None:  # a corrected run came without an id, yet keeps its first
                derived = derived | np.isin(keys, self.former.derived)
            self._derived.add(prints.content[derived])

    def admit(self, batch: Identified) -> NDArray[np.int8]:
        """Verdict on each row, shape (n,); rows that are added become known.

        Rows that came with an id go first, so that within a batch an equal row without an id is
        always the duplicate.
        """
        ids, content, derived = batch.keys, batch.content, batch.derived
        verdict = np.full(len(ids), KNOWN, np.int8)
        former = self._former_only(batch)
        verdict[former] = FORMER
        for group, own, other in (
            (~derived, self._given, self._derived),
            (derived, self._derived, self._given),
        ):
            rows = np.flatnonzero(group & ~former)
            if len(rows) == 0:
                continue
            rows = rows[~other.contains(content[rows])]
            added = self._content_of.claim(ids[rows], content[rows])
            own.add(content[rows[added]])
            verdict[rows[added]] = ADDED
            rest = rows[~added]
            disputed = self._content_of.get(ids[rest])[1] != content[rest]
            verdict[rest[disputed]] = CONFLICT
        return verdict

    def _former_only(self, batch: Identified) -> Mask:
        """Which rows are former values of a run and are no present run, shape (n,)."""
        if self.former is None:
            return np.zeros(len(batch.keys), bool)
        former = self.former.find(batch) >= 0
        held, content = self._content_of.get(batch.keys)
        now = held & (content == batch.content)
        now |= self._derived.contains(batch.content)
        now |= batch.derived & self._given.contains(batch.content)
        return np.asarray(former & ~now)


def _id_keys(runs: pa.RecordBatch, lines: Keys) -> Keys:
    """A hash of each run's line and id, shape (n,)."""
    return mix(hash_text(runs.column("run_id")) ^ mix(lines))
