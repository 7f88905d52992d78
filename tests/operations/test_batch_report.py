"""The report lists the issued batches of its line, from the same record as ``batch``."""

from __future__ import annotations

import re

from optimizer import Brief, Site, batches, issue, record, skip_trial
from optimizer.intake.settling.load import load_table
from optimizer.operations import reporting
from optimizer.operations.reporting import ReportFiles
from tests.operations.test_batches import (  # noqa: F401
    BRIEF,
    FIELDS,
    ONE,
    RESULT,
    TWO,
    history,
    no_plans,
    rows,
)


def page_of(history, folder, brief=BRIEF, version=None):  # noqa: F811
    files = ReportFiles(folder / "report.html")
    reporting.report(history.at(version), Site(), brief, files)
    return files.out.read_text()


def test_the_campaign_lists_the_batches_of_the_line(history, no_plans, tmp_path, monkeypatch):  # noqa: F811
    monkeypatch.setattr(reporting, "diagnosis_of", lambda *of: None)
    load_table(rows("b"), history, Site())
    issue(history, Site(), BRIEF)
    record(history, Site(), RESULT, trial=ONE)
    skip_trial(history, TWO, "wet")
    issue(history, Site(), BRIEF)
    page = page_of(history, tmp_path)
    (first, second) = [each.as_dict() for each in batches(history, Site()).lessons]
    for k, lesson in enumerate((first, second)):
        for path in ("done", "failed", "minutes", "met", "material_t"):
            value = re.search(rf'value="([^"]*)" data-from="landscape:batches\.{k}\.{path}"', page)
            assert float(value[1]) == lesson[path]
    shown = f'data-kind="sigmas">{first["surprise"]["grade"]:.1f}<'
    assert f'data-from="landscape:batches.0.surprise.grade" {shown}' in page
    assert '<th scope="row">a-1</th><td>2026-05-04</td>' in page
    assert '<th scope="row">a-2</th><td>open</td>' in page
    assert "Issued and not measured yet: a-2.1, a-2.2." in page
    other = Brief.from_dict({**FIELDS, "line": "b"})
    for brief, version in ((other, None), (BRIEF, 1)):
        page = page_of(history, tmp_path, brief, version)
        assert "Issued batches" not in page
        assert "Issued and not" not in page
