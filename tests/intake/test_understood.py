"""What a file is understood as before it is loaded, and loads of edited rows and chosen logs."""

from __future__ import annotations

import csv
import io
from typing import IO, Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from openpyxl import Workbook

from optimizer import History, Site
from optimizer.errors import InputError
from optimizer.intake.formats.logs import logs_in
from optimizer.intake.formats.understood import Meaning, understood_logs
from optimizer.intake.settling.load import LoadOptions, load_bytes
from optimizer.intake.settling.log_files import content_as_file
from optimizer.intake.settling.preview import Preview
from optimizer.intake.settling.preview import preview as preview_of_file
from optimizer.intake.settling.rejects import RejectsStore
from tests.history.runs import RUN
from tests.history.runs import run as row

SITE = Site.from_dict(
    {
        "material": {"moisture": {"unit": "%", "low": 0.0, "high": 20.0}},
        "columns": {"Deck": "line"},
    }
)


def preview(content: IO[bytes], history: History, site: Site, *, file: str, **more: Any) -> Preview:
    """The preview of an open file of this name."""
    return preview_of_file(content_as_file(file, content, named=True), history, site, **more)


def understood(content: IO[bytes], name: str, *how: Any, **more: Any):
    """What the logs of an open file are understood as."""

    def logs(*asked: Any):
        content.seek(0)
        return logs_in(content, name, *asked)

    return understood_logs(logs, *how, **more)


@pytest.fixture
def history(tmp_path):
    return History(tmp_path / "history")


def text(rows, delimiter=",") -> io.BytesIO:
    out = io.StringIO()
    writer = csv.writer(out, delimiter=delimiter, lineterminator="\n")
    writer.writerows(rows)
    return io.BytesIO(out.getvalue().encode())


def log(*rows) -> io.BytesIO:
    return text([list(RUN), *([*each.values()] for each in rows)])


def meanings(content, **more):
    (found,) = understood(content, "log.csv", SITE, **more)
    return {meaning.heading: meaning for meaning in found.meanings}


# ------------------------------------------------------------------ headings


def test_each_heading_has_a_meaning():
    heads = ["Deck", "Feed Rate [kg/h]", "END-RAISE", "side_tilt", "Eccentric speed", "air [psi]",
             "Grade %", "Recovery", "Moisture", "Operator", "note"]  # fmt: skip
    found = meanings(text([heads, ["A", 1500, 2.5, 1.5, 400, 30, 97, 0.9, 11, "x", ""]]))
    assert list(found) == heads
    expected = [
        Meaning("Deck", "line"),
        Meaning("Feed Rate [kg/h]", "feed_rate", "kg/h", "t/h"),
        Meaning("END-RAISE", "end_raise", None, "deg"),
        Meaning("Grade %", "grade", "%", ""),
        Meaning("Moisture", "moisture", None, "%"),
        Meaning("Operator", None),
        Meaning("note", "note"),
    ]
    for meaning in expected:
        assert found[meaning.heading] == meaning
    assert "psi" in found["air [psi]"].problem


def test_a_mapping_changes_the_meaning():
    heads = ["Deck", "Futterrate", "end_raise", "side_tilt", "eccentric_speed", "air", "Reinheit",
             "recovery", "grade"]  # fmt: skip
    content = text([heads, ["A", 1500, 2.5, 1.5, 400, 30, 97, 0.9, "?"]])
    (before,) = understood(content, "log.csv", SITE)
    assert before.missing == ("feed_rate",)
    mapping = {"Futterrate": "feed_rate [kg/h]", "Reinheit": "grade [%]", "grade": "ignore"}
    found = meanings(content, mapping=mapping)
    assert found["Futterrate"] == Meaning("Futterrate", "feed_rate", "kg/h", "t/h")
    assert found["Reinheit"] == Meaning("Reinheit", "grade", "%", "")
    assert found["grade"] == Meaning("grade", None)
    with pytest.raises(InputError, match="'Futterrate' is mapped to 'speed', which is not a field"):
        understood(content, "log.csv", SITE, {"Futterrate": "speed"})


def test_what_a_log_lacks_or_has_twice_is_told():
    heads = ["Feed rate", "feed_rate [kg/h]", "air"]
    (found,) = understood(text([heads, [1, 2, 3]]), "log.csv", SITE)
    assert found.missing == ("end_raise", "side_tilt", "eccentric_speed", "grade", "recovery")
    assert found.doubled == (("feed_rate", ("Feed rate", "feed_rate [kg/h]")),)
    assert not found.names_lines


def test_first_rows_are_as_written_and_numbered_as_in_the_file():
    content = text([["season 1"], [*RUN], *([k, *[*RUN.values()][1:]] for k in range(9))])
    (found,) = understood(content, "log.csv", SITE)
    assert [one.number for one in found.first] == [3, 4, 5, 6, 7]
    assert found.first[0].cells == tuple(map(str, [0, *[*RUN.values()][1:]]))


def test_each_sheet_of_a_workbook_and_a_parquet_file_are_understood():
    book, out = Workbook(), io.BytesIO()
    sheet = book.active
    sheet.title = "March"
    other = book.create_sheet("April")
    for each, air in ((sheet, 30), (other, 31)):
        each.append([*RUN])
        each.append([*row(air=air).values()])
    book.create_sheet("Notes").append(["nothing", "here"])
    book.save(out)
    found = understood(out, "book.xlsx", SITE)
    assert [one.log for one in found] == ["book.xlsx/March", "book.xlsx/April"]
    assert [one.first[0].cells[6] for one in found] == ["30", "31"]
    table = io.BytesIO()
    pq.write_table(pa.Table.from_pylist([row()]), table)
    (found,) = understood(table, "log.parquet", SITE)
    assert [meaning.field for meaning in found.meanings] == [*RUN]
    assert found.first[0].number == 1


@pytest.mark.parametrize("content", [b"", b"PK\x03\x04 damaged", b"\xd0\xcf\x11\xe0 old"])
def test_a_broken_file_is_refused(history, content):
    try:
        (found,) = understood(io.BytesIO(content), "log.csv", SITE)
        problem = found.problem
    except InputError as error:
        problem = error.message
    assert "log.csv" in problem
    seen = preview(io.BytesIO(content), history, SITE, file="log.csv")
    assert seen.report.unreadable == ("log.csv",)


def test_every_row_that_a_preview_tells_of_is_returned(history):
    content = log(row(air=29), row(air="high"), row(grade=97), row(grade=0.98, line="B"))
    content = io.BytesIO(content.getvalue() + b"A,2025-03-01,2.0\n")
    found = preview(content, history, SITE, file="log.csv")
    (shown,) = found.logs
    assert found.report.added == 2
    assert {r["row"] for r in found.report.rejects} == {3, 4, 6}
    assert {one.number for one in shown.asked} == {3, 4, 6}
    by_number = {one.number: one for one in shown.asked}
    assert by_number[3].cells[6] == "high"
    assert by_number[6].cells[:4] == ("A", "2025-03-01", "2.0", "")
    assert history.version is None  # nothing was stored


def test_a_preview_tells_of_dates_that_mean_two_days(history):
    assert preview(log(row(started_at="03/04/2025")), history, SITE, file="a").two_days
    assert not preview(log(row(started_at="soon")), history, SITE, file="a").two_days


def test_sheets_whose_headings_nobody_knows_are_understood_so_that_they_can_be_mapped(history):
    book, out = Workbook(), io.BytesIO()
    book.active.append(["nothing", "here"])
    sheet = book.create_sheet("Runs")
    odd = {f"x {name}": name for name in RUN}
    sheet.append([*odd])
    sheet.append([*row().values()])
    book.save(out)
    found = preview(out, history, SITE, file="b.xlsx")
    assert found.report.unreadable == ("b.xlsx",)
    assert [one.log for one in found.logs] == ["b.xlsx/Sheet", "b.xlsx/Runs"]
    assert [meaning.heading for meaning in found.logs[1].meanings] == [*odd]
    mapped = preview(out, history, SITE, file="b.xlsx", options=LoadOptions(mapping=odd))
    assert mapped.report.added == 1
    assert [one.log for one in mapped.logs] == ["b.xlsx/Runs"]


# ------------------------------------------------------------------ edited rows


def edited(history, content, edits, **more):
    options = LoadOptions(edits={("log.csv", n): cells for n, cells in edits.items()}, **more)
    return load_bytes(content, history, SITE, file="log.csv", options=options)


def cells(**values):
    return [str(value) for value in row(**values).values()]


def test_edited_rows_are_loaded_as_edited_and_others_as_they_stand(history):
    content = log(row(air=29), row(air="high"), row(air=31, grade=97), row(air=33))
    report = edited(history, content, {3: cells(air=30), 4: cells(air=31, grade="96 %")})
    assert (report.added, report.rejected) == (4, 0)
    runs = history.at().runs().sort_by("source_row").to_pylist()
    assert [(r["source_row"], r["air"], r["grade"]) for r in runs] == [
        (2, 29.0, 0.97), (3, 30.0, 0.97), (4, 31.0, 0.96), (5, 33.0, 0.97)
    ]  # fmt: skip


def test_a_row_that_is_edited_wrongly_is_rejected_as_edited(history):
    report = edited(history, log(row(air="high"), row()), {2: cells(air="low")})
    (reject,) = report.rejects
    assert (reject["row"], reject["value"]) == (2, "low")


def test_a_row_of_another_width_can_be_edited(history):
    content = io.BytesIO(log(row(air=29)).getvalue() + b"A,2025-03-01,2.0\n" + b"B,2,3,4,5,6\n")
    report = edited(history, content, {3: cells(air=30)})
    assert (report.added, report.rejected) == (2, 1)
    assert report.rejects[0]["row"] == 4


def test_edits_of_another_log_change_nothing(history):
    options = LoadOptions(edits={("other.csv", 2): cells(air=30)})
    report = load_bytes(log(row(air="high")), history, SITE, file="log.csv", options=options)
    assert report.rejects[0]["value"] == "high"


def test_numbers_of_a_log_with_decimal_commas_are_edited_in_its_notation(history):
    heads = [*RUN]
    lines = [heads, [str(v).replace(".", ",") for v in row(air=29).values()],
             [str(v).replace(".", ",") for v in row(air="high").values()]]  # fmt: skip
    new = [str(value).replace(".", ",") for value in row(air="30,5").values()]
    report = edited(history, text(lines, ";"), {3: new})
    assert report.added == 2
    assert sorted(history.at().runs()["air"].to_pylist()) == [29.0, 30.5]


def test_edited_rows_of_the_file_of_rejected_rows_leave_it(history):
    load_bytes(log(row(air="high"), row(grade=97)), history, SITE, file="march.csv")
    store = RejectsStore(history.rejects_folder)
    content = io.BytesIO(store.csv.read_bytes())
    found = preview(content, history, SITE, file="log.csv")
    (shown,) = found.logs
    assert shown.is_rejects_file
    assert [one.place for one in shown.asked] == [("march.csv", 2), ("march.csv", 3)]
    first = shown.asked[0]
    new = ["", "", "", "", "", *cells(air=30)]  # the place stays, whatever is written there
    report = edited(history, content, {first.number: new})
    assert (report.added, report.rejected) == (1, 1)
    assert [reject["row"] for reject in store.read().to_pylist()] == [3]


# ------------------------------------------------------------------ chosen logs


def test_only_the_chosen_logs_are_loaded(history):
    book, out = Workbook(), io.BytesIO()
    book.active.title = "March"
    for title, air in (("March", 30), ("April", 31), ("May", 32)):
        sheet = book[title] if title in book.sheetnames else book.create_sheet(title)
        sheet.append([*RUN])
        sheet.append([*row(air=air).values()])
    book.save(out)
    options = LoadOptions(logs=("b.xlsx/April", "b.xlsx/May"))
    report = load_bytes(out, history, SITE, file="b.xlsx", options=options)
    assert [tally.file for tally in report.files] == ["b.xlsx/April", "b.xlsx/May"]
    assert history.at().runs()["air"].to_pylist() == [31.0, 32.0]
