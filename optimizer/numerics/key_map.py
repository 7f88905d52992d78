"""A map from 64-bit keys to 64-bit values in two arrays, with vectorized look-up."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Keys = NDArray[np.uint64]
    Mask = NDArray[np.bool_]


class KeyMap:
    """A growing map from 64-bit keys to 64-bit values with vectorized look-up.

    It uses open addressing with linear probing in two arrays, which are at most two thirds full. A
    small map grows fourfold, so that it is seldom rebuilt; a large map grows twofold, so that it
    takes 24 to 48 bytes for each key.
    """

    _LARGE = 1 << 22
    _MOVED_AT_ONCE = 1 << 18  # bounds the temporary memory that finding slots takes

    def __init__(self, capacity: int = 1 << 16) -> None:
        self._keys = np.zeros(capacity, np.uint64)  # 0 marks a free slot
        self._values = np.zeros(capacity, np.uint64)
        self._used = 0

    def get(self, keys: Keys) -> tuple[Mask, Keys]:
        """Whether each key is in the map, and its value; shapes (n,).

        The value of a key that is not in the map is arbitrary.
        """
        keys = np.maximum(keys, 1)
        at = self._find(keys)
        return self._keys[at] == keys, self._values[at]

    def claim(self, keys: Keys, values: Keys) -> Mask:
        """Adds keys that are not in the map, and tells which were added, shape (n,).

        Of equal keys, the first one is added.
        """
        self._make_room(len(keys))
        keys = np.maximum(keys, 1)
        added = np.zeros(len(keys), bool)
        # numpy keeps the last write to a slot: in reverse order, that is the first row.
        rows = np.arange(len(keys))[::-1]
        while len(rows):
            at = self._find(keys[rows])
            free = self._keys[at] == 0
            rows, at = rows[free], at[free]
            self._keys[at] = keys[rows]
            self._values[at] = rows.astype(np.uint64)
            won = self._values[at] == rows.astype(np.uint64)
            self._values[at[won]] = values[rows[won]]
            added[rows[won]] = True
            rows = rows[~won]
        self._used += int(added.sum())
        return added

    def _find(self, keys: Keys) -> NDArray[np.int64]:
        """Slot of each key, shape (n,); for a key that is not in the map, its free slot."""
        last = len(self._keys) - 1
        at = (keys & np.uint64(last)).astype(np.int64)
        rows = np.arange(len(keys))
        while len(rows):
            here = self._keys[at[rows]]
            rows = rows[(here != keys[rows]) & (here != 0)]
            at[rows] = (at[rows] + 1) & last
        return at

    def _make_room(self, n: int) -> None:
        """Grows the map, if needed, so that it can take n more keys."""
        wanted = 3 * (self._used + n) // 2
        size = len(self._keys)
        if wanted <= size:
            return
        while size < wanted:
            size *= 4 if size < self._LARGE else 2
        old_keys, old_values = self._keys, self._values
        self.__init__(size)  # type: ignore[misc]
        for start in range(0, len(old_keys), self._MOVED_AT_ONCE):
            part = slice(start, start + self._MOVED_AT_ONCE)
            held = old_keys[part] != 0
            self.claim(old_keys[part][held], old_values[part][held])
