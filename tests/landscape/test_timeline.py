"""What happened to a line, by date, from the events and loads of its history."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from optimizer import Site, batches, correct, issue, record, reinstate, skip_trial, withdraw
from optimizer.history.upkeep import restore
from optimizer.intake.settling.load import load_table
from optimizer.landscape import timeline
from tests.operations.test_batches import (  # noqa: F401
    BRIEF,
    ONE,
    RESULT,
    TWO,
    history,
    no_plans,
    rows,
)

SITE = Site()


def said(history, line="a"):  # noqa: F811
    own = [each.issued for each in batches(history, SITE).batches if each.issued.line == line]
    return [(each.what, each.said) for each in timeline(history.at(), line, own)]


def test_batches_changes_loads_and_restores_are_told(history, no_plans):  # noqa: F811
    load_table(rows("b"), history, SITE)
    issue(history, SITE, BRIEF)
    record(history, SITE, RESULT, trial=ONE)
    skip_trial(history, TWO, "wet")
    run = history.at().runs(SITE, ["a"])["run_id"][0].as_py()
    correct(history, SITE, run, {"grade": 0.971}, reason="misread")
    withdraw(history, SITE, run, reason="mixed up")
    reinstate(history, SITE, run, reason="it was right")
    found = said(history)
    changed = [what for what, _ in found if what not in ("closed", "loaded")]
    assert changed == ["issued", "corrected", "withdrawn", "reinstated"]
    assert ("issued", "Batch a-1 was issued with 2 trials.") in found
    assert ("closed", "Batch a-1 was closed.") in found
    assert ("corrected", f"Run {run} was corrected: misread") in found
    loaded = [sentence for what, sentence in found if what == "loaded"]
    assert loaded == ["Version 0 added 4 runs.", "Version 3 added 1 run."]
    assert [what for what, _ in said(history, "b")] == ["loaded"]
    latest = history.at().version
    restore(history, latest - 1, SITE)
    assert ("restored", f"Version {latest - 1} was restored.") in said(history)


def test_the_document_tells_the_clock_of_the_plant(history, no_plans):  # noqa: F811
    site = Site.from_dict({"site": {"time_zone": "Asia/Tokyo"}})
    (found,) = [e for e in timeline(history.at(), "a", ()) if e.what == "loaded"][:1]
    document = found.as_dict(site.time_zone)
    assert document["at"].startswith(f"{found.at:%Y-%m-%dT%H:%M}")
    assert document["clock"] == f"{found.at.astimezone(ZoneInfo('Asia/Tokyo')):%Y-%m-%dT%H:%M}"
    assert (document["run_id"], document["batch"]) == (None, None)
