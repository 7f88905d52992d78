"""``report`` and ``demo`` of the library give the results of the commands."""

from __future__ import annotations

import json

import pytest

from optimizer import Brief, History, Site
from optimizer.comparison import ComparisonRequest, Prices
from optimizer.evidence import fitting
from optimizer.intake.settling.load import load_table
from optimizer.operations import reporting
from optimizer.operations.reporting import ReportFiles, report
from tests.operations.test_recording import BRIEF, RESULT


@pytest.fixture
def history(tmp_path, small_plans):
    """A history of four runs of each of two lines; small models keep the tests fast."""
    found = History(tmp_path / "history")
    rows = [
        {**RESULT, "line": line, "air": 34 + 4 * k, "recovery": 0.88 + k / 50}
        for line in "ab"
        for k in range(4)
    ]
    load_table(rows, found, Site())
    return found


def test_a_report_is_written_from_one_snapshot(history, tmp_path):
    snapshot = history.at()
    load_table([{**RESULT, "air": 50}], history, Site())
    files = ReportFiles(tmp_path / "r.html", (tmp_path / "s.csv", tmp_path / "s.html"))
    made = report(snapshot, Site(), Brief.from_dict(BRIEF), files)
    assert (made.plan.history_version, made.plan.runs_used, made.plan.line) == (0, 4, "a")
    assert all(path.stat().st_size for path in (made.report, *made.sheets))
    document = made.as_dict()
    assert (document["schema"], document["sheets"]) == (
        "highside.report/1",
        [str(path) for path in files.sheets],
    )


@pytest.mark.usefixtures("without_plots")
@pytest.mark.parametrize("compared", [False, True])
def test_lines_are_compared_on_request(history, tmp_path, monkeypatch, compared):
    seen = []
    plain = reporting.compare

    def watched(snapshot, site, brief, request, **how):
        seen.append((brief.line, snapshot.version, how["seed"]))
        return plain(snapshot, site, brief, request, **how)

    monkeypatch.setattr(reporting, "compare", watched)
    brief = Brief.from_dict(BRIEF)
    report(history.at(), Site(), brief, ReportFiles(tmp_path / "r.html"), compared=compared, seed=3)
    assert seen == ([(None, 0, 3)] if compared else [])
    # Neither line has enough runs for a comparison, and the page says so.
    page = (tmp_path / "r.html").read_text(encoding="utf-8")
    assert page.count("4 measured runs; 8 are needed") == (2 if compared else 0)


def test_the_demo_writes_its_plan_where_it_says(tmp_path, monkeypatch):
    # The tests of the command run the complete demo.
    from optimizer.operations import demo as module

    def without_plots(snapshot, site, brief, files, **how):
        plan = reporting.plan_of(reporting.situation_of(snapshot, site, brief, seed=how["seed"]))
        return reporting.WrittenReport(files.out, files.sheets, plan)

    monkeypatch.setattr(module, "report", without_plots)
    made = module.demo(tmp_path / "demo", seed=1)
    assert json.loads((tmp_path / "demo" / "plan.json").read_text()) == json.loads(
        json.dumps(made.plan.as_dict())
    )
    assert (made.plan.seed, made.history.version, made.load.rejected > 0) == (1, 0, True)


@pytest.mark.parametrize(("searched", "fits"), [(300, 1), (10, 2)])
def test_a_report_fits_a_line_once_when_plan_and_diagnosis_share_the_fit(
    season_table, small_plans, monkeypatch, searched, fits
):
    """With more set-points than a hyperparameter search uses, the diagnosis needs another fit."""
    fitted = []
    plain = fitting.fit_surrogate

    def counted(evidence, seed, exact=False):
        fitted.append(len(evidence.grade))
        return plain(evidence, seed, exact)

    for module in ("optimizer.planning.situation", "optimizer.evidence.line_model"):
        monkeypatch.setattr(f"{module}.fit_surrogate", counted)
    monkeypatch.setattr("optimizer.evidence.fitting.SEARCH_POINTS", searched)
    monkeypatch.setattr("optimizer.planning.stopping.FEW_RUNS", 0)  # no second stop check
    brief = Brief.from_dict({**BRIEF, "line": "deck-1"})
    found = reporting.review(reporting.situation_of(season_table, Site(), brief))
    assert found.diagnosis is not None
    assert fitted == [60] * fits


def test_options_of_the_comparison_reach_the_page(history, tmp_path, monkeypatch):
    seen = []
    monkeypatch.setattr(reporting, "compare", lambda *given, **_: seen.append(given[3]))
    request = ComparisonRequest(anonymous=True, prices=Prices(2400.0, 900.0))
    files = ReportFiles(tmp_path / "r.html")
    report(history.at(), Site(), Brief.from_dict(BRIEF), files, compared=request, seed=3)
    assert seen == [request]


def test_options_of_a_comparison_without_one_are_refused(run):
    code, _, err = run("report", "--price", "2400", "--hours", "900")
    assert code == 2
    assert "Add --compare" in err
    code, _, err = run("report", "--compare", "--price", "2400")
    assert code == 2
    assert "--price 2400 --hours 900" in err
