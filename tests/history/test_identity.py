"""Ids of runs: computed again in plain Python as the module says, and which rows are one run."""

from __future__ import annotations

import struct
from datetime import UTC, datetime

import numpy as np
import pyarrow as pa
import pytest

from optimizer.history.identity import (
    ADDED,
    CONFLICT,
    FORMER,
    KNOWN,
    Fingerprints,
    KnownRuns,
    hash_labels,
    hash_text,
    mix,
    number_codes,
    run_ids,
)
from optimizer.history.schema import schema_of
from optimizer.plant.settings import GRAVITY_TABLE
from optimizer.plant.site import Site

SCHEMA, MOD = schema_of(Site()), 1 << 64
NAMES, MATERIAL = GRAVITY_TABLE.names, ("feed_grade",)
ROW = {
    "line": "deck-1", "started_at": datetime(2026, 5, 4, 12, tzinfo=UTC), "feed_rate": 2.0,
    "end_raise": 2.5, "side_tilt": 2.2, "eccentric_speed": 450.0, "air": 40.0, "grade": 0.98,
    "recovery": 0.9, "deck_state": "even",
}  # fmt: skip


def batch(*changes):
    rows = [{name: {**ROW, **change}.get(name) for name in SCHEMA.names} for change in changes]
    return pa.RecordBatch.from_pylist(rows, SCHEMA)


# ------------------------------------------------------------------ in plain Python


def mixed(z):
    for shift, factor in ((30, 0xBF58476D1CE4E5B9), (27, 0x94D049BB133111EB)):
        z = (z ^ z >> shift) * factor % MOD
    return z ^ z >> 31


def hashed(text):
    data = text.encode()
    found = mixed(len(data) + 0xFF)
    for at in range(0, len(data), 8):
        found = mixed(found ^ int.from_bytes(data[at : at + 8], "little"))
    return found


def coded(number):
    """``mantissa * 128 + exponent + 64`` of a number in single precision, by its decimal text."""
    single = struct.unpack("f", struct.pack("f", number))[0]
    digits, exponent = f"{single:.5e}".split("e")
    return (int(digits.replace(".", "")) * 128 + int(exponent) + 64) % MOD


def identity(row):
    first = second = 0
    for name, value in row.items():
        if isinstance(value, datetime):
            code = int(value.timestamp()) * 10**6
        else:
            code = hashed(value) if isinstance(value, str) else coded(value)
        seed = hashed(name)
        each = mixed(code ^ seed)
        first, second = first + each, second + each * (mixed(seed) | 1)
    return mixed(first % MOD), mixed(second % MOD)


# ------------------------------------------------------------------ hashes


def test_the_finalizer_is_that_of_splitmix64():
    """Source: the first outputs of the published generator from seed 0 (Steele, Lea and Flood,
    OOPSLA 2014; values from memory)."""
    states = np.array([k * 0x9E3779B97F4A7C15 % MOD for k in (1, 2)], np.uint64)
    assert [int(z) for z in mix(states)] == [0xE220A8397B1DCDAF, 0x6E789E6AA1B965F4]


@pytest.mark.parametrize(
    "texts",
    [
        ["a", "deck-1", "deck-10", "a text of three words", "naïve 1", "12345678"],
        ["12345678", "abcdefgh"],
        ["x" * 16, "y" * 16],
        ["x" * 15 + "y", "x" * 9, "x" * 8],
        ["only one, of some length"],
    ],
)
def test_texts_are_hashed_by_words_of_eight_bytes(texts):
    assert [int(h) for h in hash_text(pa.array(texts))] == [hashed(text) for text in texts]
    assert hash_labels(pa.array(texts)).tolist() == hash_text(pa.array(texts)).tolist()
    part = pa.array(["before", *texts, "after"]).slice(1, len(texts))
    assert [int(h) for h in hash_text(part)] == [hashed(text) for text in texts]


def test_a_missing_text_is_zero_and_an_empty_one_is_not():
    assert hash_text(pa.array([None, "a"], pa.string())).tolist() == [0, hashed("a")]
    assert hash_text(pa.array([None, ""], pa.string())).tolist() == [0, hashed("")]
    assert hash_text(pa.array([None, "", "a"], pa.string()))[1] != 0
    assert hash_labels(pa.array([None, "a"], pa.string())).tolist() == [0, hashed("a")]


def test_numbers_are_coded_by_their_six_digits():
    numbers = [1.0, 2.5, 0.98, 450.0, 123456.0, 1234567.0, 9.999999, 0.0999999, 1e-30, 3e30,
               -2.5, -0.1, 7.0000001]  # fmt: skip
    assert [int(c) for c in number_codes(np.array(numbers))] == [coded(n) for n in numbers]
    same = number_codes(np.array([0.1, np.float64(np.float32(0.1)), 0.10000001]))
    assert len(set(same.tolist())) == 1
    assert len(set(number_codes(np.array([0.0, 1.0, 10.0, np.nan])).tolist())) >= 3


# ------------------------------------------------------------------ ids


def ids_of(*changes):
    return run_ids(Fingerprints(batch(*changes), NAMES, MATERIAL).identity).to_pylist()


def test_an_id_can_be_computed_again_from_what_the_module_says():
    first, second = identity(ROW)
    assert ids_of({}) == [f"{first:016x}{second:016x}"]
    other = {**ROW, "grade": 0.97, "line": "deck-10"}
    first, second = identity(other)
    assert ids_of({}, other)[1] == f"{first:016x}{second:016x}"


def test_an_empty_cell_contributes_nothing():
    first, second = identity({k: v for k, v in ROW.items() if k != "recovery"})
    assert ids_of({"recovery": None}, {})[0] == f"{first:016x}{second:016x}"


def test_material_tells_only_undated_runs_apart():
    dated = ids_of({}, {"feed_grade": 0.9}, {"material": "washed"})
    assert len(set(dated)) == 1
    undated = ids_of(*({"started_at": None, **more} for more in (
        {}, {"feed_grade": 0.9}, {"material": "washed"})))  # fmt: skip
    assert len(set(undated)) == 3
    row = {k: v for k, v in ROW.items() if k != "started_at"} | {"feed_grade": 0.9}
    first, second = identity(row)
    assert undated[1] == f"{first:016x}{second:016x}"


def test_content_holds_more_than_identity():
    changes = [{}, {"feed_grade": 0.9}, {"material": "washed"}, {"air": 41.0}]
    found = Fingerprints(batch(*changes, {}), NAMES, MATERIAL)
    assert len(set(found.content.tolist())) == 4
    assert found.content[0] == found.content[-1]
    assert [int(h) for h in found.lines] == [hashed("deck-1")] * 5


# ------------------------------------------------------------------ which rows are one run


def verdicts(known, *changes, learned=()):
    """Verdicts on rows, by what is known; the rows themselves become known."""
    if learned:
        known.learn(iter([known.identify(batch(*learned)).runs]))
    return known.admit(known.identify(batch(*changes))).tolist()


def runs():
    return KnownRuns(NAMES, MATERIAL)


def test_equal_rows_are_one_run_and_others_are_added():
    known = runs()
    assert verdicts(known, {}, {}, {"air": 41.0}) == [ADDED, KNOWN, ADDED]
    assert verdicts(known, {"air": 41.0}, {"air": 42.0}) == [KNOWN, ADDED]
    assert verdicts(runs(), {}, {"air": 41.0}, learned=[{}]) == [KNOWN, ADDED]


def test_an_id_is_of_one_content_in_its_line():
    known, one = runs(), {"run_id": "r1"}
    assert verdicts(known, one, one) == [ADDED, KNOWN]
    assert verdicts(known, {**one, "air": 41.0}) == [CONFLICT]
    assert verdicts(known, {**one, "line": "deck-2"}) == [ADDED]
    assert verdicts(known, {"run_id": "r2"}) == [ADDED]  # equal content with another id


def test_a_row_without_an_id_is_the_run_of_equal_content():
    assert verdicts(runs(), {}, learned=[{"run_id": "r1"}]) == [KNOWN]
    assert verdicts(runs(), {"run_id": "r1"}, learned=[{}]) == [KNOWN]
    assert verdicts(runs(), {}, {"run_id": "r1"}) == [KNOWN, ADDED]


def test_a_dated_row_that_differs_in_its_material_alone_is_a_conflict():
    assert verdicts(runs(), {"feed_grade": 0.9}, learned=[{}]) == [CONFLICT]


def former(*changes):
    known = runs()
    known.learn_former(known.identify(batch(*changes)).runs)
    return known


def test_what_a_run_was_before_a_correction_is_neither_new_nor_in_conflict():
    known = former({"run_id": "r1"})
    now = {"run_id": "r1", "air": 41.0}
    assert verdicts(known, {"run_id": "r1"}, learned=[now]) == [FORMER]
    assert verdicts(known, {}, now, {"run_id": "r1", "air": 42.0}) == [FORMER, KNOWN, CONFLICT]
    assert verdicts(known, {"run_id": "r9"}) == [ADDED]


def test_a_former_run_without_an_id_is_known_by_its_content():
    known = former({})
    (first,) = run_ids(Fingerprints(batch({}), NAMES, MATERIAL).identity).to_pylist()
    corrected = {"run_id": first, "air": 41.0}
    assert verdicts(known, {}, {"run_id": "r9"}, learned=[corrected]) == [FORMER, FORMER]
    assert verdicts(known, {"air": 41.0}) == [KNOWN]


def test_a_former_value_that_another_run_has_now_is_present_for_rows_without_an_id():
    known = former({"run_id": "r1"})
    now = [{"run_id": "r1", "air": 41.0}, {"run_id": "r2"}]
    assert verdicts(known, {}, {"run_id": "r1"}, learned=now) == [KNOWN, FORMER]


def test_a_value_corrected_back_is_a_present_run():
    assert verdicts(former({"run_id": "r1"}), {"run_id": "r1"}, learned=[{"run_id": "r1"}]) == [
        KNOWN
    ]
