"""Long workbooks: no row is lost or moved where one batch of rows ends and the next begins."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Mapping
from pathlib import Path

import pytest

from optimizer.history.history import History
from optimizer.intake.formats.workbook import BATCH_ROWS
from optimizer.intake.settling.load import LoadOptions, load_bytes

HEADINGS = (
    "feed_rate", "end_raise", "side_tilt", "eccentric_speed", "air", "grade", "recovery",
    "grade_count",
)  # fmt: skip
# The parts of a workbook that a reader needs: ECMA-376, part 1, sections 12, 18.2 and 18.3.
MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
RELATIONS = "http://schemas.openxmlformats.org/package/2006/relationships"
OF_DOCUMENT = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
TYPES = "http://schemas.openxmlformats.org/package/2006/content-types"
KIND = "application/vnd.openxmlformats-officedocument.spreadsheetml"


def workbook(sheets: Mapping[str, str]) -> bytes:
    """A workbook from the XML rows of its sheets; openpyxl would take seconds for long sheets."""
    numbered = list(enumerate(sheets.items(), 1))
    parts = {
        "[Content_Types].xml": f'<Types xmlns="{TYPES}"><Override PartName="/xl/workbook.xml" '
        f'ContentType="{KIND}.sheet.main+xml"/>'
        + "".join(
            f'<Override PartName="/xl/s{k}.xml" ContentType="{KIND}.worksheet+xml"/>'
            for k, _ in numbered
        )
        + "</Types>",
        "_rels/.rels": f'<Relationships xmlns="{RELATIONS}"><Relationship Id="r1" '
        f'Type="{OF_DOCUMENT}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
        "xl/workbook.xml": f'<workbook xmlns="{MAIN}" xmlns:r="{OF_DOCUMENT}"><sheets>'
        + "".join(
            f'<sheet name="{title}" sheetId="{k}" r:id="r{k}"/>' for k, (title, _) in numbered
        )
        + "</sheets></workbook>",
        "xl/_rels/workbook.xml.rels": f'<Relationships xmlns="{RELATIONS}">'
        + "".join(
            f'<Relationship Id="r{k}" Type="{OF_DOCUMENT}/worksheet" Target="s{k}.xml"/>'
            for k, _ in numbered
        )
        + "</Relationships>",
    }
    for k, (_, rows) in numbered:
        # The stated size of a sheet may be wrong, and here it is.
        parts[f"xl/s{k}.xml"] = (
            f'<worksheet xmlns="{MAIN}"><dimension ref="A1"/><sheetData>{rows}</sheetData>'
            "</worksheet>"
        )
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    return out.getvalue()


def text_cell(text: str) -> str:
    return f'<c t="inlineStr"><is><t>{text}</t></is></c>'


def season(runs: int, wrong: set[int]) -> str:
    """XML rows of a sheet: headings, then runs whose particle count equals their row number; the
    rows in ``wrong`` have no number for air."""
    rows = [f"<row>{''.join(map(text_cell, HEADINGS))}</row>"]
    for row in range(2, runs + 2):
        air = text_cell("high") if row in wrong else "<c><v>30</v></c>"
        before = "<c><v>2</v></c><c><v>2.5</v></c><c><v>1.5</v></c><c><v>400</v></c>"
        after = f"<c><v>0.97</v></c><c><v>0.9</v></c><c><v>{row}</v></c>"
        rows.append(f"<row>{before}{air}{after}</row>")
    return "".join(rows)


def check(tmp_path: Path, sheets: dict[str, tuple[int, set[int]]]) -> None:
    """Load a workbook of such sheets and assert that every row keeps its row number."""
    content = workbook({title: season(*rows) for title, rows in sheets.items()})
    faults = {(f"book.xlsx/{title}", row) for title, (_, rows) in sheets.items() for row in rows}
    history = History(tmp_path / "history")
    report = load_bytes(content, history, file="book.xlsx", options=LoadOptions(line="A"))
    assert [tally.read for tally in report.files] == [runs for runs, _ in sheets.values()]
    assert {(r["file"], r["row"]) for r in report.rejects} == faults
    runs = history.at().runs()
    assert runs["grade_count"].to_pylist() == runs["source_row"].to_pylist()
    # Runs that differ only in their sheet are one run.
    known = len(set(runs["source_row"].to_pylist()))
    assert report.added == known
    assert report.added + report.already_known + len(faults) == report.read


def test_sheets_about_as_long_as_a_batch_keep_every_row(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("optimizer.intake.formats.workbook.BATCH_ROWS", 16)
    # Rows 2, 17 (the first batch boundary) and the last row are faulty.
    check(tmp_path, {f"s{n}": (n, {2, 17, n + 1} & set(range(n + 2))) for n in range(1, 52)})


def test_long_sheets_keep_every_row(tmp_path: Path) -> None:
    wrong = {2, BATCH_ROWS + 1, BATCH_ROWS + 2, 2 * BATCH_ROWS + 2, 20_001}
    sheets = {f"s{n}": (n, {n, n + 1}) for n in (8191, 8192, 8193, 8194)}
    check(tmp_path, {"season": (20_000, wrong), **sheets})
