"""The trial sheet filled in with a spreadsheet program, saved as it saves, and recorded.

The program is LibreOffice of Debian, which reads the sheet, and writes numbers, dates and times as
a country shows them: with its decimal mark, its delimiter and its order of the date.
"""

from __future__ import annotations

import csv
import io
import subprocess
from datetime import UTC, datetime
from pathlib import Path

import openpyxl
import pytest

from optimizer import History, Site
from optimizer.intake.settling.load import load_trial_sheet
from optimizer.presentation.sheet_csv import sheet_csv
from tests.programs import SOFFICE, needs_libreoffice
from tests.serving import SECONDS

SETTINGS = {"feed_rate": 1.8, "end_raise": 2.4, "side_tilt": 2.1, "eccentric_speed": 435, "air": 36}
UNITS = {"feed_rate": "t/h", "end_raise": "deg", "side_tilt": "deg", "eccentric_speed": "rpm",
         "air": "turn"}  # fmt: skip
PLAN = {
    "line": "deck-1", "history_version": 3, "seed": 0, "material": {}, "units": UNITS,
    "recommendations": [
        {"rank": k, "order": k, "settings": {**SETTINGS, "air": 35 + k}} for k in (1, 2, 3)
    ],
}  # fmt: skip
STARTS = [datetime(2026, 3, 4, 6, 30), datetime(2026, 3, 4, 15, 5), None]
READINGS = [(98.7, 93.1, 1200), (97.25, 94, 1450), (None, None, None)]


def converted(path: Path, to: str, *options: str) -> Path:
    """A file as the spreadsheet program writes it in another format."""
    home = path.parent / "home"
    where = path.parent / "saved"
    subprocess.run(
        [SOFFICE, f"-env:UserInstallation={home.as_uri()}", "--headless", *options,
         "--convert-to", to, "--outdir", where, path],
        check=True, timeout=SECONDS, capture_output=True,
    )  # fmt: skip
    return where / f"{path.stem}.{to.partition(':')[0]}"


@needs_libreoffice
@pytest.mark.parametrize(
    # The decimal mark, date and time of each country: Unicode CLDR, short formats; from memory.
    ("country", "delimiter", "number", "date", "order"),
    [
        ("en-US", 44, "[$-409]0.00", "[$-409]m/d/yy h:mm AM/PM", "month-first"),
        ("de-DE", 59, "[$-407]0.00", "[$-407]dd.mm.yyyy hh:mm", "day-first"),
        ("es-CO", 59, "[$-240A]0.00", "[$-240A]d/mm/yyyy h:mm AM/PM", "day-first"),
        ("sv-SE", 9, "[$-41D]0.00", "[$-41D]yyyy-mm-dd hh:mm", None),
    ],
)
def test_a_sheet_that_a_spreadsheet_saved_is_read_as_it_was_filled_in(
    tmp_path, country, delimiter, number, date, order
):
    sheet = tmp_path / "sheet.csv"
    sheet.write_bytes(sheet_csv(PLAN, "deck-1-7").encode())
    book_file = converted(sheet, "xlsx", "--infilter=CSV:44,34,76,1,,1033,false,true")
    book = openpyxl.load_workbook(book_file)
    rows = book.active
    headings = [cell.value for cell in rows[1]]
    columns = {name: headings.index(name) + 1 for name in headings}
    for k, (start, (grade, recovery, count)) in enumerate(zip(STARTS, READINGS, strict=True), 2):
        filled = {"started_at": (start, date), "grade [%]": (grade, number),
                  "recovery [%]": (recovery, number), "grade_count": (count, "0")}  # fmt: skip
        for name, (value, form) in filled.items():
            rows.cell(k, columns[name], value).number_format = form
        for name in ("feed_rate [t/h]", "end_raise [deg]", "side_tilt [deg]"):
            rows.cell(k, columns[name]).number_format = number
    book.save(book_file)
    form = f"csv:Text - txt - csv (StarCalc):{delimiter},34,76,1,,0,false,true,false"
    saved = converted(book_file, form)
    text = saved.read_text(encoding="utf-8")
    assert ("98,7" if delimiter != 44 else "98.7") in text, country
    site = Site.from_dict({"site": {"date_order": order}} if order else {})
    history = History(tmp_path / "history", clock=lambda: datetime(2026, 3, 9, tzinfo=UTC))
    report = load_trial_sheet(saved, history, site)
    assert (report.added, report.rejects) == (2, ())
    first, second = history.at().runs().sort_by("run_id").to_pylist()
    assert [first["run_id"], second["run_id"]] == ["deck-1-7.1", "deck-1-7.2"]
    assert [run["started_at"].replace(tzinfo=None) for run in (first, second)] == STARTS[:2]
    assert [first["grade"], first["recovery"]] == pytest.approx([0.987, 0.931], rel=1e-12)
    assert [second["grade"], second["recovery"]] == pytest.approx([0.9725, 0.94], rel=1e-12)
    assert [first["grade_count"], second["grade_count"]] == [1200, 1450]
    assert {name: first[name] for name in SETTINGS} == SETTINGS


@pytest.mark.parametrize("made", ["02. Apr", "2-Apr", "Apr 24", "02.04.2026", "2026-04-02"])
def test_a_number_that_a_spreadsheet_turned_into_a_date_is_named(tmp_path, made):
    rows = list(csv.reader(io.StringIO(sheet_csv(PLAN, "deck-1-7"))))
    at = next(k for k, name in enumerate(rows[0]) if name.startswith("end_raise"))
    rows[1][at] = made
    for name, value in (("grade [%]", "98.7"), ("recovery [%]", "93.1")):
        rows[1][rows[0].index(name)] = value
    with (tmp_path / "sheet.csv").open("w", newline="") as file:
        csv.writer(file, delimiter=";").writerows(rows)
    report = load_trial_sheet(tmp_path / "sheet.csv", History(tmp_path / "history"), Site())
    assert report.added == 0
    (reject,) = report.rejects
    assert (reject["row"], reject["field"]) == (2, "end_raise")
    assert "is a date, which a spreadsheet may have made of a number" in reject["reason"]
