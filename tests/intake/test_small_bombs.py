"""Limits on what a file may decode to, with limits so small that a few bytes exceed them."""

from __future__ import annotations

import gzip
import io
import zipfile

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from optimizer.errors import InputError
from optimizer.intake.formats import parquet, unpacked
from optimizer.intake.formats.parquet import File, Limits, open_parquet, open_table
from optimizer.intake.formats.unpacked import Capped, check_gzip, check_workbook, counted
from optimizer.intake.reading.long_texts import MOST_BYTES

PLAIN = {"use_dictionary": False, "compression": "none"}
TABLE = pa.table({"air": [30.0, 40.0, 35.5], "n": [1, 2, 3], "note": ["a", None, "ccc"]})


def stream(table, **how):
    out = io.BytesIO()
    pq.write_table(table, out, **how)
    return out


def rows_of(source):
    """The cells of a log as text, row by row, and the number of each row."""
    cells, numbers = [], []
    for part in source.parts(frozenset()):
        chunk = part()
        numbers += chunk.rows.tolist()
        cells += list(zip(*(column.to_pylist() for column in chunk.text.columns), strict=True))
    return cells, numbers


def read(table, limits=None, **how):
    return rows_of(open_parquet(stream(table, **how), "log.parquet", limits or Limits()))


# ------------------------------------------------------------------ Parquet

CELLS = [("30", "1", "a"), ("40", "2", None), ("35.5", "3", "ccc")]


@pytest.mark.parametrize(
    "how", [{}, PLAIN, {"row_group_size": 2}, {"column_encoding": "DELTA_BYTE_ARRAY"}]
)
def test_rows_are_read_as_they_stand_in_every_encoding(how):
    table = TABLE
    if "column_encoding" in how:
        how = {**PLAIN, "column_encoding": {"note": how["column_encoding"]}}
    assert read(table, **how) == (CELLS, [1, 2, 3])


@pytest.mark.parametrize("small", [{"PIECE_BYTES": 64}, {"BATCH_ROWS": 2}, {"STEP_BYTES": 1}])
def test_the_size_of_the_pieces_changes_no_row(small, monkeypatch):
    for name, value in small.items():
        monkeypatch.setattr(parquet, name, value)
    many = pa.concat_tables([TABLE] * 7)
    for how in ({}, {**PLAIN, "column_encoding": {"note": "DELTA_BYTE_ARRAY"}}):
        assert read(many, **how) == (CELLS * 7, list(range(1, 22)))


def test_pieces_are_no_larger_than_their_limit(monkeypatch):
    """A row has two numbers of 8 bytes and a text of up to 3."""
    monkeypatch.setattr(parquet, "PIECE_BYTES", 80)
    file = File(stream(pa.concat_tables([TABLE] * 7)), "log.parquet")
    assert max(len(piece) for piece in file._pieces()) == 80 // (16 + 3)
    assert sum(len(piece) for piece in file.batches()) == 21


def test_rows_in_memory_are_read_as_those_of_a_file():
    assert rows_of(open_table(TABLE, "log")) == (CELLS, [1, 2, 3])


def test_nested_columns_are_left_out_and_named():
    nested = TABLE.append_column("parts", pa.array([[1], [2], []]))
    for source in (open_table(nested, "log"), open_parquet(stream(nested), "log")):
        assert source.headings == ("air", "n", "note")
        assert source.warnings == ("log: nested columns not read: 'parts'",)
        assert rows_of(source)[0] == CELLS
    assert open_table(TABLE, "log").warnings == ()


@pytest.mark.parametrize(
    ("limits", "said"),
    [
        (Limits(rows=2), "3 rows: at most 2 can be read"),
        (Limits(columns=2), "3 columns: at most 2 can be read"),
        (Limits(size=3 * 16), "more than 0 MiB"),
    ],
)
def test_a_file_beyond_a_limit_is_refused_and_one_at_it_is_not(limits, said):
    with pytest.raises(InputError, match=said) as refused:
        read(TABLE, limits)
    assert refused.value.code == "too-large"
    assert read(TABLE, Limits(rows=3, columns=3))[1] == [1, 2, 3]


def test_ten_numbers_of_eight_bytes_are_eighty_bytes():
    numbers = pa.table({"air": [30.0] * 10})
    assert len(read(numbers, Limits(size=80))[0]) == 10
    with pytest.raises(InputError, match="can be read from one Parquet file"):
        read(numbers, Limits(size=79))


@pytest.mark.parametrize("look", [0, 10**9], ids=["by look", "by counting"])
def test_a_text_that_many_rows_share_counts_for_each_of_them(look, monkeypatch):
    """100 rows of one text of 50 bytes decode to 5,000 bytes, though the file stores it once."""
    monkeypatch.setattr(parquet, "LOOK_ROWS", look)
    table = pa.table({"note": ["x" * 50] * 100})
    assert len(stream(table).getvalue()) < 2000
    assert len(read(table, Limits(size=6000))[0]) == 100
    with pytest.raises(InputError, match="can be read from one Parquet file"):
        read(table, Limits(size=4900))


def test_a_long_text_counts_as_it_is_cut():
    table = pa.table({"note": ["x" * (3 * MOST_BYTES)] * 4})
    (cell, *_), numbers = read(table)
    assert numbers == [1, 2, 3, 4]
    assert cell[0].endswith(f"({3 * MOST_BYTES} characters)")


def test_columns_of_texts_that_are_far_too_long_are_refused_by_name(monkeypatch):
    monkeypatch.setattr(parquet, "LARGE_TEXTS", 1000)
    monkeypatch.setattr(parquet, "MOST_BYTES", 100)
    long = pa.table({"air": [1.0], "note": ["x" * 2000]})
    with pytest.raises(InputError, match=r"in the texts of column 'note'"):
        read(long, **PLAIN)
    many = pa.table({"note": ["y" * 50] * 40})
    assert len(read(many, **PLAIN)[0]) == 40


def test_two_columns_of_one_name_and_damage_are_refused():
    twice = pa.table([pa.array([1.0]), pa.array([2.0])], names=["air", "air"])
    with pytest.raises(InputError, match="two columns are named 'air'"):
        read(twice)
    with pytest.raises(InputError, match=r"log.parquet is a damaged Parquet file"):
        open_parquet(io.BytesIO(b"PAR1 and no more"), "log.parquet")


# ------------------------------------------------------------------ packed files


def test_a_capped_stream_gives_as_many_bytes_as_it_may():
    capped = Capped(io.BytesIO(b"abcdef"), "log.csv", 4)
    assert capped.read(4) == b"abcd"
    with pytest.raises(InputError, match=r"log.csv unpacks to more than 0 MiB"):
        capped.read(1)
    assert capped.seek(0) == 0
    assert capped.read(3) == b"abc"


def packed(size):
    return io.BytesIO(gzip.compress(b"x" * size))


def test_a_packed_file_is_refused_where_it_truly_unpacks_to_too_much(monkeypatch):
    monkeypatch.setattr(unpacked, "MOST_TEXT", 1000)
    with pytest.raises(InputError, match="unpacks to more than"):
        check_gzip(packed(1001), "log.csv.gz")
    for fine in (packed(1000), io.BytesIO(packed(900).getvalue()[:-4] + b"\xff" * 4)):
        check_gzip(fine, "log.csv.gz")
        assert fine.tell() == 0


def book(sheet, name="xl/worksheets/sheet1.xml"):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(name, sheet)
    return zipfile.ZipFile(out)


ROW = b"<row><c>1</c></row>"


@pytest.mark.parametrize(
    ("limits", "sheet", "name", "fine"),
    [
        ({"MOST_BOOK": 190}, ROW * 10, "xl/worksheets/sheet1.xml", True),
        ({"MOST_BOOK": 189}, ROW * 10, "xl/worksheets/sheet1.xml", False),
        ({"MOST_BOOK": 189}, ROW * 10, "xl/media/picture.png", True),
        ({"MOST_BOOK": 189}, ROW * 10, "xl/sharedStrings.xml", False),
        # Up to the end of a row stand 13 bytes and 3 tags.
        ({"MOST_STRETCH": 13}, ROW * 10, "xl/worksheets/sheet1.xml", True),
        ({"MOST_STRETCH": 12}, ROW * 10, "xl/worksheets/sheet1.xml", False),
        ({"MOST_TAGS": 3}, ROW * 10, "xl/worksheets/sheet1.xml", True),
        ({"MOST_TAGS": 2}, ROW * 10, "xl/worksheets/sheet1.xml", False),
        ({"MOST_TAGS": 3, "_AT_ONCE": 5}, ROW * 10, "xl/worksheets/sheet1.xml", True),
        ({"MOST_TAGS": 20, "_AT_ONCE": 64}, b"<c/>" * 40, "xl/worksheets/sheet1.xml", False),
    ],
)
def test_a_workbook_is_refused_for_its_size_or_an_endless_row(
    limits, sheet, name, fine, monkeypatch
):
    for key, value in limits.items():
        monkeypatch.setattr(unpacked, key, value)
    if fine:
        check_workbook(book(sheet, name), "log.xlsx")
        return
    with pytest.raises(InputError, match=r"log.xlsx (unpacks|has a row)"):
        check_workbook(book(sheet, name), "log.xlsx")


def test_cells_are_counted_with_the_end_of_each_row(monkeypatch):
    monkeypatch.setattr(unpacked, "MOST_CELLS", 7)
    rows = [["a", "b"], ["c"], ["d"]]
    assert list(counted(rows, "log.xlsx")) == rows
    with pytest.raises(InputError, match="more than 7 cells"):
        list(counted([*rows, []], "log.xlsx"))
