"""The text that ``load`` prints about rejected rows."""

from __future__ import annotations

import pytest

from cli.show.load import load


def reject(row: int, value: str, reason: str, file: str = "a.csv", field: str = "air") -> dict:
    return {"file": file, "row": row, "field": field, "value": value, "reason": reason}


def shown(rejects: list[dict], rejected: int | None = None) -> str:
    tally = {"file": "a.csv", "read": 0, "added": 0, "already_known": 0, "rejected": 0}
    document = {
        "read": 9, "added": 0, "already_known": 0, "files": [tally], "rejects": rejects,
        "rejected": len(rejects) if rejected is None else rejected, "rejects_file": "r.csv",
    }  # fmt: skip
    return " ".join(load(document).split())


def test_rows_with_equal_faults_are_printed_once():
    text = shown([reject(row, "odd", "air 'odd' is not a number") for row in (2, 3, 4, 9, 11, 12)])
    assert "- a.csv rows 2-4, 9, 11-12, air 'odd': air 'odd' is not a number" in text
    assert text.count("is not a number") == 1
    assert "more." not in text


def test_rows_that_differ_only_in_the_value_are_printed_once():
    said = "could be per cent: write the heading as 'grade [%]' or the number as"
    text = shown(
        [reject(k + 2, f"97.{k}", f"grade 97.{k} {said} 0.97{k}", field="grade") for k in range(3)]
    )
    assert f"a.csv rows 2-4, grade '97.0' and 2 others: grade 97.0 {said} 0.970" in text


@pytest.mark.parametrize(
    "other", [{"file": "b.csv"}, {"field": "grade"}, {"reason": "air is missing", "value": ""}]
)
def test_different_faults_fields_and_files_are_printed_separately(other):
    first = reject(2, "odd", "air 'odd' is not a number")
    text = shown([first, {**first, "row": 3, **other}])
    assert text.count("row 2") == text.count("row 3") == 1


def test_rows_not_printed_are_counted():
    many = [reject(2 * k, "odd", "air 'odd' is not a number") for k in range(1, 501)]
    text = shown(many, rejected=20_000)
    assert "rows 2, 4, 6, 8, 10 and 495 more, air 'odd'" in text
    assert "... and 19500 more." in text
    apart = [reject(k, "", f"fault {'abcdefghijk'[k]}") for k in range(1, 11)]
    assert "fault i" in shown(apart)
    assert "fault j" not in shown(apart)
    assert "... and 2 more." in shown(apart)
