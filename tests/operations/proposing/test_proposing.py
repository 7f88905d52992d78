"""A site file proposed from logs: each log of the corpus then loads as far as its rows can."""

from __future__ import annotations

import contextlib

import pytest

from optimizer import History, Site, load_logs, propose_site
from optimizer.errors import InputError
from tests.intake.test_corpus import CASES, log_of


@pytest.mark.parametrize("case", CASES, ids=[case["name"] for case in CASES])
def test_the_corpus_loads_whole_with_its_proposed_site(case, tmp_path):
    """No row is lost that loads without a site file, and nothing else is rejected than there."""
    path = log_of(case, tmp_path)
    how = {"line": case.get("line"), "mapping": case.get("map")}
    how["site"] = case.get("site", {}).get("site")
    if not case["added"]:
        with contextlib.suppress(InputError):  # a log of which no row can be a run may be refused
            propose_site(path, **how)
        return
    proposal = propose_site(path, **how)
    file = tmp_path / "site.toml"
    file.write_text(proposal.draft.text, encoding="utf-8")
    history = History(tmp_path / "history")
    samples = case.get("samples", False)
    report = load_logs(path, history, Site.read(file), samples=samples, line=case.get("line"))
    allowed = {row for row, _, _ in case.get("rejects", [])}
    assert {r["row"] for r in report.rejects if r["row"]} <= allowed, report.rejects
    assert report.rejected <= case["rejected"]
    assert report.added + report.already_known >= case["added"] + case["already_known"]
    if not samples:
        assert proposal.rejected == report.rejected
        assert proposal.added == report.added + report.already_known


def test_a_number_below_zero_is_a_slip_and_makes_no_range(tmp_path):
    heading = "line,started_at,feed_rate,end_raise,side_tilt,eccentric_speed,air,grade,recovery\n"
    rows = [f"a,2025-03-0{k}T08:00Z,{f},3,2.5,460,40,0.98,0.9\n" for k, f in ((1, 2), (2, -2.4))]
    path = tmp_path / "log.csv"
    path.write_text(heading + "".join(rows) + "a,2025-03-03T08:00Z,3,-1,2.5,460,40,0.98,0.9\n")
    proposal = propose_site(path)
    low = {each.name: each.low for each in proposal.draft.settings}
    assert (low["feed_rate"], low["end_raise"]) == (2.0, -1.0)
    assert (proposal.added, proposal.rejected) == (2, 1)
