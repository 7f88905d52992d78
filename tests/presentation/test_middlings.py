"""Middlings on the report, on the sheet and in its CSV: shown and asked for only where kept."""

from __future__ import annotations

import copy
import csv
import io

import pypdfium2
import pytest

from optimizer import History, Site
from optimizer.operations.recording import record
from optimizer.presentation.page import report_html
from optimizer.presentation.pages import sheet_html
from optimizer.presentation.sheet import make_sheet
from optimizer.presentation.sheet_csv import sheet_csv
from optimizer.presentation.sheet_pdf import sheet_pdf
from tests.presentation.report_case import documents, parse, season_review, text_of

SHARE = {"mean": 0.0812, "low": 0.0613, "high": 0.1014}
GRADE = {"mean": 0.8615, "low": 0.8216, "high": 0.8917}
BLANKS = ["middlings_share [%]", "middlings_grade [%]"]


@pytest.fixture
def kept():
    """The documents of the season, with middlings in the plan."""
    whole = copy.deepcopy(documents(season_review()))
    for settings in (whole["plan"]["run_now"], *whole["plan"]["recommendations"]):
        settings["middlings"] = {"share": SHARE, "grade": GRADE}
    return whole


def printed(sheet):
    with pypdfium2.PdfDocument(sheet_pdf(sheet)) as document:
        return " ".join(page.get_textpage().get_text_range() for page in document)


def test_the_report_shows_them_with_their_intervals(kept):
    page = report_html(kept["plan"], kept["landscape"])
    shown = text_of(parse(page).find(".//*[@id='answer']"))
    assert "Middlings, share of the feed8.1 % 90 %" in shown or "of the feed8.1 % 6.1" in shown
    assert "Grade of the middlings86.2 %" in shown
    assert "10.1" in shown
    season = documents(season_review())
    assert "iddlings" not in report_html(season["plan"], season["landscape"])


def test_the_sheet_asks_for_them(kept):
    today = kept["landscape"]["today"]
    sheet = make_sheet(kept["plan"], today)
    trials = len(sheet.trials)
    for text in (sheet_html(sheet), printed(sheet)):
        assert text.count("Middlings, share of the feed") == trials
        assert "Weigh the middlings over those minutes" in text
    plain = season_review().sheet()
    assert "iddlings" not in sheet_html(plain) + printed(plain)
    price_alone = documents(season_review())["plan"]
    price_alone["goal"]["prices"] = {"product": 4.0, "middlings": 2.0}
    assert make_sheet(price_alone, today).middlings


def test_a_filled_sheet_is_read_with_its_middlings(kept, tmp_path):
    text = sheet_csv(kept["plan"])
    rows = list(csv.DictReader(io.StringIO(text)))
    assert [name for name in rows[0] if "middlings" in name] == BLANKS
    assert "middlings" not in sheet_csv(documents(season_review())["plan"])
    first = {**rows[0], **dict(zip(BLANKS, ("8.4", "86"), strict=True))}
    first |= {"grade [%]": "98.6", "recovery [%]": "91"}
    out = io.StringIO()
    writer = csv.DictWriter(out, list(first))
    writer.writeheader()
    writer.writerows([first, rows[1]])
    (tmp_path / "sheet.csv").write_text(out.getvalue())
    history = History(tmp_path / "history")
    report = record(history, Site(), tmp_path / "sheet.csv").load
    assert (report.added, report.rejected) == (1, 0)
    (run,) = history.at().runs().to_pylist()
    assert (run["middlings_share"], run["middlings_grade"]) == pytest.approx((0.084, 0.86))


def test_a_row_with_nothing_but_middlings_is_not_taken_for_a_trial_that_was_not_run(kept, tmp_path):
    rows = list(csv.DictReader(io.StringIO(sheet_csv(kept["plan"]))))
    rows[0][BLANKS[0]] = "8.4"
    out = io.StringIO()
    writer = csv.DictWriter(out, list(rows[0]))
    writer.writeheader()
    writer.writerows(rows[:1])
    (tmp_path / "sheet.csv").write_text(out.getvalue())
    history = History(tmp_path / "history")
    report = record(history, Site(), tmp_path / "sheet.csv").load
    assert (report.added, report.rejected) == (0, 1)
    assert "grade" in {reject["field"] for reject in report.rejects}
