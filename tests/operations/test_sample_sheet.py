"""The sheet of weights and assays: what is filled in is balanced, what is not is waited for."""

from __future__ import annotations

import csv
from datetime import UTC, datetime

import pypdfium2
import pytest

from optimizer import InputError, Site
from optimizer.measurement import count_for_grade
from optimizer.operations.balancing.balance import balance
from optimizer.operations.balancing.sheet import write_sample_sheets

SITE = Site.from_dict(
    {
        "site": {"name": "dry mill", "mass": "lb"},
        "material": {"moisture": {"unit": "%", "low": 8, "high": 14}},
        "measurement": {
            "weighing_error": "0.5 %", "assay_error": "1 %", "grade_difference": "1 %",
            "streams": ["feed", "product", "middlings", "reject"], "returned": ["middlings"],
            "feed_sampled": "after_return",
        },
    }
)  # fmt: skip
DAY = datetime(2026, 3, 2, 10, tzinfo=UTC)
FILLED = {
    "feed": ("120", "85"), "product": ("88", "98"),
    "middlings": ("20", "60"), "reject": ("12", "30"),
}  # fmt: skip


def written(folder, *names, **options):
    paths = [folder / name for name in names]
    made = write_sample_sheets(paths, SITE, line="deck-1", clock=lambda: DAY, **options)
    return made, paths


def test_a_sheet_that_is_filled_in_is_balanced_as_the_site_says(tmp_path):
    made, (path,) = written(tmp_path, "samples.csv", tests=2)
    rows = list(csv.DictReader(path.read_text(encoding="utf-8-sig").splitlines()))
    assert [row["stream"] for row in rows] == [*FILLED, *FILLED]
    assert made.tests == ("deck-1-2026-03-02-1", "deck-1-2026-03-02-2")
    for row in rows[:4]:
        row["mass [lb]"], row["assay [%]"] = FILLED[row["stream"]]
    rows[0] |= {"air [turn]": "40", "moisture [%]": "11.2"}
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    found = balance(path, tmp_path / "log.csv", site=SITE)
    (test,) = found.streams.results
    assert found.as_dict()["not_filled_in"] == ["deck-1-2026-03-02-2"]
    assert test.recovery == pytest.approx(88 * 0.98 / (88 * 0.98 + 12 * 0.30), abs=0.002)
    assert 0.0 < test.recovery_se < 0.02
    (run,) = csv.DictReader((tmp_path / "log.csv").read_text().splitlines())
    assert (run["line"], run["air [turn]"], run["moisture [%]"]) == ("deck-1", "40", "11.2")
    told = balance(path, tmp_path / "log.csv", site=SITE, assay_error=0.05)
    assert told.streams.results[0].recovery_se > test.recovery_se
    before = balance(path, tmp_path / "log.csv", site=SITE, feed_sampled="before_return")
    assert before.streams.results[0].missing_mass == pytest.approx(20.0)


def test_a_sheet_without_an_entry_is_refused_with_what_to_fill_in(tmp_path):
    _, (path,) = written(tmp_path, "samples.csv")
    with pytest.raises(InputError, match="no row has a mass") as refused:
        balance(path, tmp_path / "log.csv")
    assert "98.7%" in refused.value.hint


def test_page_and_pdf_say_what_to_write_and_how_much_to_count(tmp_path):
    made, (page, pdf) = written(tmp_path, "samples.html", "samples.pdf", purity=0.98)
    with pypdfium2.PdfDocument(pdf) as document:
        text = " ".join(" ".join(p.get_textpage().get_text_range().split()) for p in document)
        assert len(document) == 1
    html = page.read_text(encoding="utf-8")
    count = count_for_grade(0.98, 0.01)
    for shown in (text, html):
        assert all(test in shown for test in made.tests)
        assert "middlings (back to the feed)" in shown
        assert "feed after middlings has joined it" in shown
        assert f"{count.count:,} particles" in shown
        assert "Local codes and site procedures come first" in shown
        assert "moisture" in shown


@pytest.mark.parametrize(("name", "paper"), [("sheet.txt", "a4"), ("sheet.pdf", "a3")])
def test_an_unknown_form_is_refused_and_nothing_written(tmp_path, name, paper):
    with pytest.raises(InputError, match="expected"):
        written(tmp_path, name, paper=paper)
    assert not list(tmp_path.iterdir())
