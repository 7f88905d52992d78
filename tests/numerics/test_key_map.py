"""The map from keys to values: as a dictionary, whatever its size and the order of its slots."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from optimizer.numerics.key_map import KeyMap


def of(*numbers: int) -> np.ndarray:
    return np.array(numbers, np.uint64)


@given(st.lists(st.lists(st.integers(0, 40), max_size=30), max_size=12))
def test_a_map_agrees_with_a_dictionary(batches):
    kept: dict[int, int] = {}
    fast = KeyMap(4)
    for k, batch in enumerate(batches):
        keys = np.array([key * 8 + 1 for key in batch], np.uint64)  # few hash slots: collisions
        values = np.arange(len(batch), dtype=np.uint64) + np.uint64(1000 * k)
        added = fast.claim(keys, values)
        for key, value, new in zip(keys.tolist(), values.tolist(), added.tolist(), strict=True):
            assert new == (key not in kept)
            kept.setdefault(key, value)
        found, got = fast.get(np.array(list(kept), np.uint64))
        assert found.all()
        assert got.tolist() == list(kept.values())
        assert not fast.get(np.array([4], np.uint64))[0].any()


def test_keys_that_want_the_last_slot_go_on_at_the_first():
    """7, 15 and 23 all want slot 7 of 8."""
    fast = KeyMap(8)
    assert fast.claim(of(7, 15, 23), of(70, 150, 230)).all()
    assert fast._keys.tolist() == [15, 23, 0, 0, 0, 0, 0, 7]
    found, values = fast.get(of(23, 7, 15, 31))
    assert found.tolist() == [True, True, True, False]
    assert values[:3].tolist() == [230, 70, 150]


def test_zero_which_marks_a_free_slot_is_a_key_too():
    fast = KeyMap(4)
    assert not fast.get(of(0))[0].any()
    assert fast.claim(of(0), of(9)).all()
    found, values = fast.get(of(0))
    assert (found.all(), values.tolist()) == (True, [9])


@pytest.mark.parametrize(
    ("large", "number", "size"),
    [(1 << 22, 2, 4), (1 << 22, 3, 4), (1 << 22, 4, 16), (1 << 22, 11, 16), (8, 7, 16), (4, 4, 8)],
)
def test_a_map_grows_only_where_it_would_be_more_than_two_thirds_full(
    monkeypatch, large, number, size
):
    """Three halves of the keys, rounded down, must fit: 4 keys want 6 slots, 11 keys want 16; a
    small map of 4 grows to 16 and a large one to 8."""
    monkeypatch.setattr(KeyMap, "_LARGE", large)
    fast = KeyMap(4)
    keys = np.arange(1, number + 1, dtype=np.uint64)
    fast.claim(keys[:1], keys[:1])
    fast.claim(keys[1:], keys[1:])
    assert len(fast._keys) == size


def test_a_map_counts_only_keys_that_are_new():
    fast = KeyMap(16)
    for _ in range(20):
        fast.claim(of(1, 2), of(10, 20))
    assert len(fast._keys) == 16


def test_a_map_that_grows_keeps_all_it_holds_however_much_it_moves_at_once(monkeypatch):
    monkeypatch.setattr(KeyMap, "_MOVED_AT_ONCE", 3)
    fast = KeyMap(16)
    keys = np.arange(8, 18, dtype=np.uint64)  # one of them in slot 0
    fast.claim(keys, keys + 100)
    assert fast.claim(of(99, 98), of(1, 2)).all()
    assert len(fast._keys) == 64
    assert fast._used == 12
    found, values = fast.get(keys)
    assert found.all()
    assert values.tolist() == (keys + 100).tolist()
