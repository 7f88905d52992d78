"""What restoring a version would change, against what it does change."""

from __future__ import annotations

import random

import pytest

from optimizer.errors import InputError
from optimizer.history.history import History
from optimizer.history.schema import schema_of
from optimizer.history.upkeep import restore
from optimizer.intake.settling.load import load_table
from optimizer.operations.corrections import correct, reinstate, withdraw
from optimizer.operations.versions import first_version, what_restoring_changes
from optimizer.plant.site import Site
from tests.history.issued import issued, said
from tests.history.test_version_log import load, row

SITE = Site()


def runs(history: History) -> dict[tuple[str, str], dict]:
    return {(run["line"], run["run_id"]): run for run in history.at().runs().to_pylist()}


def places(table) -> set[tuple[str, str]]:
    return {(run["line"], run["run_id"]) for run in table.to_pylist()}


@pytest.mark.parametrize("seed", range(4))
def test_what_is_said_beforehand_is_what_happens(tmp_path, seed):
    draw = random.Random(seed)
    history = History(tmp_path)
    load(history, *(row(k) for k in range(6)), row(1, line="deck-2"))
    for k in range(10, 16):
        deed = draw.choice(["load", "correct", "withdraw", "reinstate", "site"])
        known = [name for line, name in runs(history) if line == "deck-1"]
        try:
            if deed == "load":
                load(history, row(k))
            elif deed == "site":  # a column that earlier versions lack
                plant = Site.from_dict({"material": {"moisture": {"low": 0, "high": 20}}}, "site")
                load_table([row(k, moisture=11)], history, plant)
            elif deed == "reinstate":
                reinstate(history, SITE, draw.choice(["r0", "r3"]), reason="x", line="deck-1")
            else:
                act = withdraw if deed == "withdraw" else correct
                more = ({"air": 20 + k},) if deed == "correct" else ()
                act(history, SITE, draw.choice(known), *more, reason="x", line="deck-1")
        except InputError:  # such as a run that is not withdrawn
            continue
    version = draw.randrange(history.version)
    told, before = what_restoring_changes(history, version), runs(history)
    assert (told.version, told.latest) == (version, history.version)
    restore(history, version, SITE)
    after = runs(history)
    assert places(told.gone) == before.keys() - after.keys()
    assert places(told.back) == after.keys() - before.keys()
    common = before.keys() & after.keys()
    differs = {place for place in common if filled(before[place]) != filled(after[place])}
    assert places(told.changed) == differs
    again = what_restoring_changes(history, version)
    assert again.nothing or set(again.events_gone) == {"restored"}


def filled(run: dict) -> dict:
    return {name: value for name, value in run.items() if value is not None}


def test_a_value_that_was_not_there_before_is_a_change(tmp_path):
    history = History(tmp_path)
    load(history, *(row(k) for k in range(4)))
    moist = Site.from_dict({"material": {"moisture": {"low": 0, "high": 20}}}, "site")
    correct(history, SITE, "r1", {"grade_count": 400}, reason="x")  # a column without values
    correct(history, moist, "r2", {"moisture": 11}, reason="x")  # a column that is new
    told = what_restoring_changes(history, 0)
    assert places(told.changed) == {("deck-1", "r1"), ("deck-1", "r2")}
    assert not len(told.gone)
    assert not len(told.back)


def test_batches_and_events_that_would_go_are_named(tmp_path):
    history = History(tmp_path)
    load(history, *(row(k) for k in range(6)))
    before = history.version
    history.note([issued("deck-1")], before, schema_of(SITE))
    history.note([said("skipped", "deck-1-1.1", reason="x")], before + 1, schema_of(SITE))
    told = what_restoring_changes(history, before)
    assert (told.batches_gone, told.batches_back) == (("deck-1-1",), ())
    assert dict(told.events_gone) == {"issued": 1, "skipped": 1}
    assert not told.nothing
    restore(history, before, SITE)
    assert what_restoring_changes(history, before + 1).batches_back == told.batches_gone


def test_the_version_of_a_run_is_that_of_its_load(tmp_path):
    history = History(tmp_path)
    for k in range(7):
        load(history, row(k))
    withdraw(history, SITE, "r3", reason="x")
    reinstate(history, SITE, "r3", reason="y")
    correct(history, SITE, "r5", {"air": 30}, reason="z")
    for k in range(7):
        assert first_version(history, "deck-1", f"r{k}", history.version) == k


def test_a_version_that_is_not_there_is_refused(tmp_path):
    history = History(tmp_path)
    load(history, row(1))
    with pytest.raises(InputError, match="has no version 5"):
        what_restoring_changes(history, 5)
