"""Column headings: every kind of table uses the same parser of name and unit."""

from __future__ import annotations

import pytest

from optimizer import InputError, Site
from optimizer.comparison.density_fractions import read_fractions
from optimizer.intake.reading.columns import Headings
from optimizer.operations.balancing.stream_log import balance_file
from optimizer.operations.recording import complete_rows
from optimizer.text.headings import bind_fields, name_key, split_unit

SPELLINGS = ["feed_rate [kg/h]", "Feed Rate (kg/h)", "feed-rate[kg/h]", " FEED  RATE [ kg/h ] "]


@pytest.mark.parametrize("heading", SPELLINGS)
def test_a_field_is_known_in_any_spelling(heading):
    name, unit = split_unit(heading)
    assert (name_key(name), unit) == (name_key("feed_rate"), "kg/h")
    assert bind_fields([heading], ["feed_rate"], [], "file") == (
        ["feed_rate"],
        {"feed_rate": "kg/h"},
    )
    (column,) = Headings(Site()).bind([heading, "air"], None).columns["feed_rate"]
    assert column.unit == "kg/h"
    (row,) = complete_rows([{heading: 2000}], Site())
    assert "feed_rate" not in row, "the row has the setting under its own heading"


def test_a_column_that_is_no_field_keeps_its_heading():
    assert bind_fields(["Shift [h]", "air"], ["air"], ["air"], "file")[0] == ["Shift [h]", "air"]


def test_two_columns_of_one_field_are_refused():
    with pytest.raises(InputError, match="two columns are 'air'"):
        bind_fields(["Air", "air [%]"], ["air"], [], "file")


def test_stream_files_and_density_fractions_accept_the_headings_of_logs(tmp_path):
    streams = tmp_path / "streams.csv"
    streams.write_text("TestId,Stream,MASS[kg],Assay(%)\nT,feed,,90\nT,product,90,98\n", "utf-8")
    (test,) = balance_file(streams).results
    assert test.grade == pytest.approx(0.98)
    classes = tmp_path / "classes.csv"
    classes.write_text(
        "Line,Density-Low [g/cm3],densityHigh (g/cm3),Mass Product,mass.reject\na,1,2,3,4\n",
        "utf-8",
    )
    assert read_fractions(classes).unit == "g/cm3"


def test_a_column_that_the_balance_fills_is_refused_in_any_spelling(tmp_path):
    """Copied into the log, ``Grade %`` and the ``grade`` of the balance would be one field."""
    path = tmp_path / "streams.csv"
    path.write_text("test_id,stream,assay,Grade %\nT,feed,0.9,90\n", "utf-8")
    with pytest.raises(InputError, match="the balance computes 'Grade %' itself"):
        balance_file(path)
