"""Uploads without JavaScript: a file is kept, understood, corrected in place and loaded once."""

from __future__ import annotations

import csv
import gzip
import html
import io
import json
import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from openpyxl import Workbook

from optimizer import History
from optimizer.service.admission.access import Person, digest
from optimizer.service.exchange.configuration import Configuration
from optimizer.service.pages.uploading.view import key_of
from optimizer.service.recording import kept_files
from optimizer.service.recording.kept_files import KeptFiles, safe_name
from tests.service.test_service import READ, RECORD, SITE, TOKENS, client_of, row
from tests.serving import SECONDS

HTML = {"Accept": "text/html"}
OTHER = "a-token-of-another-one"
PEOPLE = {**TOKENS, digest(OTHER): Person("lab", "record")}


@pytest.fixture(autouse=True)
def patient(monkeypatch):
    monkeypatch.setattr(
        "optimizer.service.pages.shared.waiting.PATIENCE", SECONDS
    )  # for busy machines


@pytest.fixture
def options(tmp_path) -> Configuration:
    (tmp_path / "site.toml").write_text(SITE, encoding="utf-8")
    return Configuration(str(tmp_path / "history"), str(tmp_path / "site.toml"), rate=0, planners=0)


@pytest.fixture
def client(options):
    with client_of(options, **HTML) as made:
        yield made


def text(*rows: dict, delimiter: str = ",") -> bytes:
    out = io.StringIO()
    writer = csv.DictWriter(out, list(rows[0]), delimiter=delimiter)
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue().encode()


def send(client, content: bytes, name: str = "march.csv"):
    """Upload a file; the page that shows what is understood."""
    token = re.search(r'name="form_token" value="([^"]+)"', client.get("/upload").text)[1]
    return client.post("/upload", data={"form_token": token}, files={"file": (name, content)})


def form(page) -> dict[str, str]:
    """The fields of the form of an upload with their values, as a browser would send them."""
    (found,) = re.findall(r'<form [^>]*class="upload"[^>]*>(.*?)</form>', page.text, re.S)
    fields = {}
    for tag in re.findall("<input [^>]*>", found):
        parts = dict(re.findall(r'([\w-]+)="([^"]*)"', tag))
        if parts.get("type") != "checkbox" or tag.rstrip(">").endswith("checked"):
            fields[parts["name"]] = html.unescape(parts.get("value", ""))
    for name, options in re.findall(
        r'<select[^>]* name="([^"]+)"[^>]*>(.*?)</select>', found, re.S
    ):
        listed = re.findall(r'<option value="([^"]*)"( selected)?>', options)
        fields[name] = html.unescape(next((v for v, on in listed if on), listed[0][0]))
    return fields


def press(client, page, button: str = "check", **changed: str):
    """Change fields of the form of an upload, and press a button."""
    fields = {**form(page), **changed}
    return client.post(f"{page.url.path.removesuffix('/check')}/{button}", data=fields)


def column(heading: str, is_: str, unit: str = "") -> dict[str, str]:
    return {f"is.{key_of(heading)}": is_, f"unit.{key_of(heading)}": unit}


def cell(page, number: int, heading: str) -> str:
    """The name of the field of one cell of a row that can be corrected."""
    found = re.search(
        rf'<legend>[^<]*, row {number}</legend>.*?<label>{re.escape(heading)}<input name="([^"]+)"',
        page.text, re.S,
    )  # fmt: skip
    return found[1]


def runs(options) -> list[dict]:
    history = History(options.history)
    return [] if history.version is None else history.at().runs().to_pylist()


def said(page) -> str:
    return " ".join(html.unescape(re.sub("<[^>]*>", " ", page.text)).split())


# ------------------------------------------------------------------ what is understood


def test_a_log_is_understood_first_and_loaded_after(client, options):
    page = send(client, text(row(1), row(2)))
    assert "2 rows read: 2 would be added , 0 already known, 0 rejected" in said(page)
    assert "2026-03-02T06:01:00Z" in page.text  # the first rows
    assert not runs(options)
    done = press(client, page, "load")
    assert done.url.path.endswith("/result")
    assert "2 rows read: 2 added" in said(done)
    assert {run["source"] for run in runs(options)} == {"march.csv"}
    trail = (options.folder / "audit.jsonl").read_text(encoding="utf-8").splitlines()
    told = json.loads(trail[-1])
    assert (told["did"], told["file"], told["added"]) == ("record", "march.csv", 2)


def test_a_second_press_loads_nothing_twice(client, options):
    page = send(client, text(row(1)))
    press(client, page, "load")
    version = History(options.history).version
    again = press(client, page, "load")
    assert "1 rows read: 1 added" in said(again)
    assert client.get(page.url.path).url.path.endswith("/result")
    press(client, page, "check")
    assert History(options.history).version == version


def test_odd_headings_are_mapped(client, options):
    names = {"feed_rate": "Futterrate", "grade": "Reinheit", "line": "Tisch"}
    rows = [
        {names.get(n, n): v for n, v in row(k, feed_rate=2000, grade=97).items()} for k in (1, 2)
    ]
    page = send(client, text(*rows, delimiter=";"))
    assert "has no column for feed rate, grade" in said(page)
    assert "does not say which line its runs are from" in said(page)
    assert "--map" not in page.text
    changed = {
        **column("Futterrate", "feed_rate", "kg/h"),
        **column("Reinheit", "grade", "%"),
        **column("Tisch", "line"),
    }
    page = press(client, page, **changed)
    assert "2 would be added" in said(page)
    assert form(page)[f"is.{key_of('Futterrate')}"] == "feed_rate"
    assert form(page)[f"unit.{key_of('Futterrate')}"] == "kg/h"
    press(client, page, "load")
    assert [(r["feed_rate"], r["grade"], r["line"]) for r in runs(options)] == [
        (2.0, 0.97, "deck-1")
    ] * 2


def test_a_wrong_unit_is_told_beside_its_field_and_stays_typed(client):
    page = press(client, send(client, text(row(1))), **column("air", "air", "psi"))
    field = re.search(rf'<input id="unit-{key_of("air")}"[^>]*>', page.text)[0]
    assert 'value="psi"' in field
    assert 'aria-invalid="true"' in field
    assert "psi" in said(page).partition("What each column is")[2].partition("How it is read")[0]
    page = press(client, page, **column("air", "air", ""))
    assert "1 would be added" in said(page)


def test_a_column_can_be_left_out_and_taken_back(client):
    rows = text({**row(1), "note": "x", "Grade %": 98.7})
    page = send(client, rows)
    assert "‘grade’, ‘Grade %’ all mean grade" in said(page)
    page = press(client, page, **column("Grade %", "ignore"))
    assert "1 would be added" in said(page)
    page = press(client, page, **column("Grade %", "as-headed", "%"))
    assert "all mean grade" in said(page)


@pytest.mark.parametrize("typed", [{"line": "deck-9"}, {"new_line": "deck-9"}])
def test_the_line_of_a_log_without_lines_is_chosen_or_named(client, options, typed):
    send(client, text(row(1, line="deck-9")), "old.csv")
    bare = {k: v for k, v in row(1).items() if k != "line"}
    page = send(client, text(bare))
    assert "Choose the line." in said(page)
    page = press(client, page, **typed)
    assert "deck-9" in page.text
    press(client, page, "load")
    assert [run["line"] for run in runs(options)] == ["deck-9"]


def test_a_name_of_a_line_that_is_too_long_is_refused_beside_its_field(client):
    page = press(client, send(client, text(row(1))), new_line="x" * 300)
    assert page.status_code == 422
    assert "A line has a name of at most 255 characters." in said(page)
    assert 'value="' + "x" * 300 in page.text


def test_the_order_of_dates_is_asked_where_the_file_does_not_tell(client, options):
    page = send(client, text(row(1, started_at="03/04/2025 10:00")))
    assert "The file does not tell which comes first: choose it." in said(page)
    page = press(client, page, date_order="day-first")
    assert "1 would be added" in said(page)
    press(client, page, "load")
    assert f"{runs(options)[0]['started_at']:%Y-%m-%d}" == "2025-04-03"


def test_times_of_day_take_the_date_that_is_chosen(client, options):
    page = send(client, text(row(1, started_at="08:30")), "sheet.csv")
    assert "0 would be added" in said(page)
    page = press(client, page, sheet_date="no day")
    assert page.status_code == 422
    assert "The date 'no day' is not a date. Write it like 2026-03-02." in said(page)
    page = press(client, page, sheet_date="2026-03-02")
    assert "1 would be added" in said(page)
    assert form(page)["sheet_date"] == "2026-03-02"
    press(client, page, "load")
    assert f"{runs(options)[0]['started_at']:%Y-%m-%d %H:%M}" == "2026-03-02 08:30"


def test_a_date_and_a_time_of_day_are_joined(client, options):
    odd = row(1, **{"Turno del": "02/03/2026", "Reloj": "08:30"})
    del odd["started_at"]
    page = send(client, text(odd))
    chosen = {**column("Turno del", "date"), **column("Reloj", "started_at")}
    page = press(client, page, date_order="day-first", **chosen)
    assert form(page)[f"is.{key_of('Turno del')}"] == "date"
    assert "Date beside a time of day" in page.text
    press(client, page, "load")
    assert f"{runs(options)[0]['started_at']:%Y-%m-%d %H:%M}" == "2026-03-02 08:30"


def test_readings_over_time_become_runs(client, options):
    readings = [row(k, run_id="", started_at=f"2026-03-02T06:{k:02d}:00Z") for k in range(8)]
    page = send(client, text(*readings))
    assert "choose ‘readings over time’ below" in said(page)
    page = press(client, page, samples="yes")
    assert "8 of which make 1 run." in said(page)
    press(client, page, "load")
    assert [run["samples"] for run in runs(options)] == [8]


def test_a_workbook_is_read_sheet_by_sheet(client, options):
    book, out = Workbook(), io.BytesIO()
    book.active.title = "Notes"
    book.active.append(["nothing"])
    for title, k in (("March", 1), ("April", 2)):
        sheet = book.create_sheet(title)
        sheet.append([*row(k)])
        sheet.append([*row(k).values()])
    book.save(out)
    page = send(client, out.getvalue(), "book.xlsx")
    assert "book.xlsx/Notes has no headings of a log and was not read" in said(page)
    assert "2 would be added" in said(page)
    march, april = (f"log.{key_of(f'book.xlsx/{name}')}" for name in ("March", "April"))
    fields = form(page)
    assert fields.pop(march) == "yes"
    refused = client.post(f"{page.url.path}/check", data={**fields, april: "no"})
    assert "Choose at least one." in said(refused)
    done = client.post(f"{page.url.path}/load", data=fields)
    assert "1 rows read: 1 added" in said(done)
    assert [run["run_id"] for run in runs(options)] == ["r2"]


def test_a_workbook_whose_headings_nobody_knows_is_mapped(client, options):
    book, out = Workbook(), io.BytesIO()
    book.active.append(["nothing", "here"])
    odd = {f"x {name}": name for name in row(1)}
    sheet = book.create_sheet("Runs")
    sheet.append([*odd])
    sheet.append([*row(1).values()])
    book.save(out)
    page = send(client, out.getvalue(), "b.xlsx")
    assert "b.xlsx/Runs has no column for feed rate" in said(page)
    fields = {k: v for k, v in form(page).items() if k != f"log.{key_of('b.xlsx/Sheet')}"}
    for heading, name in odd.items():
        fields |= column(heading, name)
    done = client.post(f"{page.url.path}/load", data=fields)
    assert "1 rows read: 1 added" in said(done)
    assert [run["run_id"] for run in runs(options)] == ["r1"]


def test_parquet_and_packed_text_are_read(client, options):
    table = io.BytesIO()
    pq.write_table(pa.Table.from_pylist([row(1)]), table)
    press(client, send(client, table.getvalue(), "a.parquet"), "load")
    press(client, send(client, gzip.compress(text(row(2))), "b.csv.gz"), "load")
    assert {(run["run_id"], run["source"]) for run in runs(options)} == {
        ("r1", "a.parquet"), ("r2", "b.csv.gz"),
    }  # fmt: skip


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (b"PK\x03\x04 damaged", "damaged workbook or archive"),
        (b"\xd0\xcf\x11\xe0 old", "old .xls format"),
        (b"PAR1 damaged", "Not read:"),
        (bytes(range(256)) * 8, "Not read:"),
    ],
)
def test_a_broken_file_is_told_and_cannot_be_loaded(client, options, content, expected):
    page = send(client, content)
    assert expected in said(page)
    done = press(client, page, "load")
    assert not done.url.path.endswith("/result")
    assert "Nothing was loaded , since no row of the file could be used." in said(done)
    assert not runs(options)


def test_an_empty_file_and_none_are_refused_where_they_are_chosen(client, options):
    page = send(client, b"")
    assert page.status_code == 422
    assert "'march.csv' is empty." in said(page)
    assert 'aria-invalid="true"' in page.text
    page = send(client, b"", "")
    assert (page.status_code, "Choose a file first." in said(page)) == (422, True)
    assert not list(KeptFiles(options.folder / "uploads").all())


def test_a_log_of_headings_alone_has_no_row(client):
    page = send(client, text(row(1)).splitlines()[0] + b"\n")
    assert "march.csv has headings and no rows" in said(page)
    assert not press(client, page, "load").url.path.endswith("/result")


def test_a_log_of_which_no_row_can_be_used_is_not_loaded_and_can_be_mended(client, options):
    page = press(client, send(client, text(row(1, grade=97), row(2, grade=98))), "load")
    assert "Nothing was loaded" in said(page)
    assert "0 rejected rows" in said(client.get("/runs"))
    page = press(client, page, "load", **column("grade", "grade", "%"))
    assert "2 added" in said(page)


# ------------------------------------------------------------------ corrections


def test_rejected_rows_are_corrected_in_place(client, options):
    page = send(client, text(row(1), row(2, air="high"), row(3, grade=97), row(4, grade=99)))
    assert "3 rejected" in said(page)
    air, grade = cell(page, 3, "air"), cell(page, 4, "grade")
    assert re.search(rf'name="{re.escape(air)}" value="high" aria-invalid="true"', page.text)
    page = press(client, page, **{air: "38", grade: "9.7"})
    assert "2 would be added , 0 already known, 2 rejected" in said(page)
    assert form(page)[grade] == "9.7"  # what was typed is kept
    page = client.get(page.url.path)  # also after a refresh
    page = press(client, page, **{grade: "0.97"})
    assert "Corrected here: 2 rows" in said(page)
    done = press(client, page, "load")
    assert "3 added , 0 already known, 1 rejected" in said(done)
    assert {(r["run_id"], r["air"], r["grade"]) for r in runs(options)} == {
        ("r1", 37.0, 0.987), ("r2", 38.0, 0.987), ("r3", 37.0, 0.97)
    }  # fmt: skip
    trail = (options.folder / "audit.jsonl").read_text(encoding="utf-8").splitlines()
    assert json.loads(trail[-1])["edited"] == 2


def test_a_correction_can_be_taken_back(client):
    page = send(client, text(row(1), row(2, air="high")))
    name = cell(page, 3, "air")
    page = press(client, page, **{name: "38"})
    assert "2 would be added" in said(page)
    undo = "undo." + name.removeprefix("c.").rpartition(".")[0]
    page = press(client, page, **{undo: "yes"})
    assert "1 would be added" in said(page)
    assert form(page)[name] == "high"


def test_a_correction_counts_when_load_is_pressed_at_once(client, options):
    page = send(client, text(row(1, air="high")))
    done = press(client, page, "load", **{cell(page, 2, "air"): "38"})
    assert "1 added" in said(done)
    assert runs(options)[0]["air"] == 38.0


def test_two_people_correct_rows_of_one_upload_without_undoing_each_other(client):
    page = send(client, text(row(1, air="high"), row(2, air="low")))
    first, second = cell(page, 2, "air"), cell(page, 3, "air")
    press(client, page, **{first: "38"})
    both = press(client, page, **{second: "39"})  # a page from before the first correction
    assert "2 would be added" in said(both)


def test_a_row_of_another_width_is_corrected(client, options):
    content = text(row(1)) + b"r2,deck-1,2026-03-02T07:00:00Z,2,2.4,2,450,37,0,987,0.9\n"
    page = send(client, content)
    assert "Cells beyond the headings" in said(page)
    new = {cell(page, 3, "grade"): "0.987", cell(page, 3, "recovery"): "0.9"}
    press(client, page, "load", **new)
    assert {(r["run_id"], r["recovery"]) for r in runs(options)} == {("r1", 0.931), ("r2", 0.9)}


def test_a_row_that_is_hard_to_believe_can_be_corrected_or_loaded(client, options):
    rows = [row(1, grade=0.85, feed_grade=0.95), row(2, grade=0.85, feed_grade=0.95)]
    page = send(client, text(*rows))
    assert "Hard to believe: 2" in said(page)
    done = press(client, page, "load", **{cell(page, 2, "grade"): "0.985"})
    assert "2 added" in said(done)
    assert "Hard to believe: 1" in said(done)
    assert '<a href="/runs/r2?line=deck-1">Run r2</a>' in done.text


def test_a_log_of_the_same_name_with_a_corrected_row_is_asked_about(client):
    rows = [row(k, run_id="", started_at=f"2026-03-0{k} 06:00") for k in range(1, 6)]
    press(client, send(client, text(*rows)), "load")
    again = [*rows[:-1], {**rows[-1], "started_at": "2026-03-05 07:00"}]
    page = send(client, text(*again))
    assert "was loaded from this row of a log of the same name" in said(page)
    assert "--correct" not in page.text
    assert "of the same name" not in said(send(client, text(*again), "april.csv"))
    assert "of the same name" in said(press(client, page, "load"))


def test_rejected_rows_of_a_load_are_corrected_afterwards(client, options):
    names = {"feed_rate": "Futterrate"}
    given = (row(1, air="high"), row(2, air="high"), row(3))
    rows = [{names.get(n, n): v for n, v in each.items()} for each in given]
    page = press(client, send(client, text(*rows)), "load", **column("Futterrate", "feed_rate"))
    assert "2 rejected rows" in said(page)
    april = text(row(8), row(9, air="low"))  # in a file of the same name
    other = press(client, send(client, april), "load")
    assert "1 rejected row" in said(other)
    token = re.search(r'name="form_token" value="([^"]+)"', page.text)[1]
    address = page.url.path.replace("/result", "/rejects")
    again = client.post(address, data={"form_token": token})
    assert "2 rows read: 0 would be added" in said(again)  # not that of the other file
    assert "march.csv, row 2" in said(again)
    done = press(client, again, "load", **{cell(again, 2, "air"): "38"})
    assert "1 added , 0 already known, 1 rejected" in said(done)
    assert "2 rejected rows" in said(client.get("/runs"))  # row 3, and that of the other file
    everything = client.post("/uploads/rejected", data={"form_token": token})
    assert "2 rows read: 0 would be added" in said(everything)


def test_there_is_nothing_to_correct_where_no_row_is_rejected(client):
    page = press(client, send(client, text(row(1))), "load")
    token = re.search(r'name="form_token" value="([^"]+)"', client.get("/upload").text)[1]
    address = page.url.path.replace("/result", "/rejects")
    for path in (address, "/uploads/rejected"):
        refused = client.post(path, data={"form_token": token})
        assert (refused.status_code, "no row of it is rejected any more" in refused.text) == (
            409, True,
        )  # fmt: skip


def test_the_corrected_file_of_rejected_rows_is_loaded(client):
    press(client, send(client, text(row(1, air="high"), row(2))), "load")
    content = client.get("/rejected.csv").content
    rejected = list(csv.DictReader(io.StringIO(content.decode("utf-8-sig"))))
    mended = text(*({**each, "air": "38"} for each in rejected))
    page = send(client, mended, "rejected.csv")
    assert "1 would be added" in said(page)
    assert "row_shape" not in page.text
    press(client, page, "load")
    assert "0 rejected rows" in said(client.get("/runs"))


# ------------------------------------------------------------------ who, where, for how long


def test_files_of_equal_names_are_kept_apart(options):
    with client_of(options, PEOPLE, **HTML) as mill, client_of(options, PEOPLE, **HTML) as lab:
        for person, token in ((mill, RECORD), (lab, OTHER)):
            person.post("/sign-in", data={"token": token})
        one, other = send(mill, text(row(1))), send(lab, text(row(2), row(3)))
        assert one.url.path != other.url.path
        listed = said(lab.get("/upload"))
        assert listed.count("march.csv") == 2
        assert " mill " in listed
        assert " lab " in listed
        # A second person goes on with what the first one began.
        taken = lab.get(one.url.path)
        press(lab, taken, "load")
        assert [run["run_id"] for run in runs(options)] == ["r1"]
        assert "Not loaded yet" in said(mill.get(other.url.path))


def test_an_upload_outlives_a_restart(client, options):
    page = send(client, text(row(1), row(2, air="high")))
    name = cell(page, 3, "air")
    page = press(client, page, **{name: "low"})
    with client_of(options, **HTML) as after:
        again = after.get(page.url.path)
        assert form(again)[name] == "low"
        press(after, again, "load", **{name: "38"})
    assert len(runs(options)) == 2


def test_a_reader_sees_no_upload(options):
    with client_of(options, TOKENS, **HTML) as client:
        client.post("/sign-in", data={"token": READ})
        token = re.search(r'name="form_token" value="([^"]+)"', client.get("/runs").text)[1]
        answers = [
            client.get("/upload"),
            client.post("/upload", data={"form_token": token}, files={"file": ("a.csv", b"a")}),
            client.post("/uploads/rejected", data={"form_token": token}),
            client.get(f"/uploads/{'0' * 16}"),
            client.post(f"/uploads/{'0' * 16}/load", data={"form_token": token}),
        ]
        assert [answer.status_code for answer in answers] == [403] * 5
        assert "Add a log" not in client.get("/runs").text


def test_a_form_of_another_page_is_refused(client, options):
    page = send(client, text(row(1)))
    for button in ("check", "load", "remove", "rejects"):
        refused = client.post(f"{page.url.path}/{button}", data={"form_token": "0" * 64})
        assert refused.status_code == 403
    assert client.post("/upload", data={"form_token": "0"}, files={"file": b"a"}).status_code == 403
    assert not runs(options)


@pytest.mark.parametrize("upload", ["0" * 16, "%2e%2e", "x", "../../history", "A" * 16])
def test_an_unknown_upload_is_not_found(client, upload):
    for path in (f"/uploads/{upload}", f"/uploads/{upload}/result"):
        assert client.get(path).status_code in (404, 405)


def test_an_upload_can_be_removed(client, options):
    page = send(client, text(row(1)))
    token = form(page)["form_token"]
    after = client.post(f"{page.url.path}/remove", data={"form_token": token})
    assert "march.csv" not in after.text
    assert client.get(page.url.path).status_code == 404
    assert not list((options.folder / "uploads").iterdir())


# The bidirectional override is U+202E of the Unicode Standard, the attack is "Trojan Source" of
# Boucher and Anderson (2021): a name that shows as something else than it is.
@pytest.mark.parametrize(
    ("name", "kept"),
    [
        ("../../etc/passwd", "passwd"),
        ("C:\\logs\\march.csv", "march.csv"),
        ("..", "upload"),
        ("\x1b[2Jmarch\n.csv", "[2Jmarch.csv"),
        ("march\u202evsc.exe", "marchvsc.exe"),
        ("Ma\u0308rz.csv", "März.csv"),
        (".hidden", "hidden"),
        ("a:b*c?.csv", "a_b_c_.csv"),
        ("x" * 300 + ".csv.gz", "x" * 197 + ".gz"),
        ("é" * 300 + ".csv", "é" * 98 + ".csv"),
        ("<script>alert(1)</script>.csv", "script_.csv"),
        ("", "upload"),
    ],
)
def test_hostile_names_are_made_safe(name, kept):
    assert safe_name(name) == kept
    assert len(safe_name(name).encode()) <= 200


def test_hostile_content_is_escaped_and_does_no_harm(client, options):
    attack = '"><script>alert(1)</script>\x1b[2J'
    content = text({**row(1, grade=attack), "note": "=1+1\nx", attack: attack})
    page = send(client, content, f"{attack}.csv")
    assert "<script>alert" not in page.text
    assert "\x1b" not in page.text
    name = cell(page, 2, "grade")
    done = press(client, page, "load", **{name: "0.98"})
    assert "1 added" in said(done)
    assert "<script>alert" not in done.text
    assert runs(options)[0]["note"] == "=1+1\nx"  # a cell that nobody changed keeps its line end


def test_too_old_and_too_many_uploads_are_removed(tmp_path, monkeypatch):
    files = KeptFiles(tmp_path / "uploads")
    first, second = (files.add(io.BytesIO(b"x" * 40), "a.csv", None) for _ in range(2))
    monkeypatch.setattr(kept_files, "MOST_BYTES", 90)
    third = files.add(io.BytesIO(b"x" * 50), "b.csv", "mill")
    assert [kept.id for kept in files.all()] == [third.id, second.id]
    assert not first.folder.exists()
    stored = json.loads((second.folder / "upload.json").read_text(encoding="utf-8"))
    stored["at"] = (datetime.now(UTC) - timedelta(days=31)).isoformat()
    (second.folder / "upload.json").write_text(json.dumps(stored), encoding="utf-8")
    monkeypatch.setattr(kept_files, "MOST_BYTES", 1000)
    fourth = files.add(io.BytesIO(b"x"), "c.csv", None)
    assert [kept.id for kept in files.all()] == [fourth.id, third.id]
    huge = files.add(io.BytesIO(b"x" * 2000), "d.csv", None)  # the newest stays, however large
    assert [kept.id for kept in files.all()] == [huge.id]


def test_a_damaged_upload_is_told(client, options):
    page = send(client, text(row(1)))
    path = Path(options.folder) / page.url.path[1:] / "upload.json"
    path.write_text("{", encoding="utf-8")
    answer = client.get(page.url.path)
    assert answer.status_code == 503
    assert "Remove its folder, and upload the file again." in said(answer)


# ------------------------------------------------------------------ size


def test_many_rejected_rows_make_a_bounded_page(client):
    content = text(*(row(k, air="high") for k in range(600)))
    page = send(client, content)
    assert "600 rejected" in said(page)
    assert page.text.count("<details") == 200
    assert "The first 200 are shown" in said(page)


def test_a_long_check_is_a_page_that_looks_again(client, monkeypatch):
    monkeypatch.setattr("optimizer.service.pages.shared.waiting.PATIENCE", 0.0)
    page = send(client, text(row(1)))
    assert "Checking" in said(page)
    again = f'<meta http-equiv="refresh" content="2; url={page.url.path}">'
    assert f"<noscript>{again}</noscript>" in page.text
    monkeypatch.setattr("optimizer.service.pages.shared.waiting.PATIENCE", SECONDS)
    assert "1 would be added" in said(client.get(page.url.path))


def test_a_form_with_too_many_fields_is_refused(client):
    page = send(client, text(row(1)))
    fields = {**form(page), **{f"x{k}": "" for k in range(30_001)}}
    refused = client.post(f"{page.url.path}/check", data=fields)
    assert refused.status_code == 422
    assert "at most 30000 fields" in refused.text
