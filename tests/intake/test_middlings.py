"""Middlings in logs: how they are written, what is refused, what is asked, what stays as it was."""

from __future__ import annotations

import csv

import pyarrow.parquet as pq
import pytest

from optimizer import History, Site, correct, load_logs
from optimizer.errors import QuestionError
from optimizer.intake.settling.load import LoadOptions, load_table
from optimizer.plant.run_columns import OF_MIDDLINGS

ROW = {
    "line": "deck-1", "started_at": "2026-03-02T06:30:00+00:00", "feed_rate": 2.2,
    "end_raise": 3.4, "side_tilt": 2.2, "eccentric_speed": 460.0, "air": 42.0, "grade": 0.985,
    "recovery": 0.88, "feed_grade": 0.93,
}  # fmt: skip
MIDDLINGS = {"middlings_share": 0.09, "middlings_grade": 0.88}
SITE = Site()
OLD_ID = "a6ffd383661608e131a448e83a7ad422"


def loaded(tmp_path, *rows, **options):
    history = History(tmp_path / "history")
    return history, load_table(list(rows), history, SITE, options=LoadOptions(**options))


@pytest.mark.parametrize(
    ("share", "grade"),
    [(0.09, 0.88), ("9%", "88%"), ("9 %", "0.88"), ("0.09", "88.0 %")],
)
def test_shares_are_written_as_those_of_the_product(tmp_path, share, grade):
    history, report = loaded(tmp_path, {**ROW, "middlings_share": share, "middlings_grade": grade})
    assert (report.added, report.rejected) == (1, 0)
    (run,) = history.at().runs().to_pylist()
    assert (run["middlings_share"], run["middlings_grade"]) == pytest.approx((0.09, 0.88))
    assert run["middlings_share_se"] is None


@pytest.mark.parametrize(
    ("given", "field", "reason"),
    [
        ({"middlings_share": 9.0}, "middlings_share", "could be per cent"),
        ({"middlings_share": -0.1}, "middlings_share", "expected a fraction from 0 to 1"),
        ({"middlings_grade": 140.0}, "middlings_grade", "expected a fraction from 0 to 1"),
        ({"middlings_share_se": 0.7}, "middlings_share_se", "could be per cent"),
        ({"middlings_share": "much"}, "middlings_share", "not a number"),
    ],
)
def test_what_is_no_share_is_refused_with_a_reason(tmp_path, given, field, reason):
    _, report = loaded(tmp_path, {**ROW, **given})
    (reject,) = report.rejects
    assert (report.added, reject["field"]) == (0, field)
    assert reason in reject["reason"]


@pytest.mark.parametrize(
    ("given", "asked"),
    [
        ({}, ""),
        # 0.88 x 0.93 / 0.985 = 0.831 of the feed is product.
        ({"middlings_share": 0.16}, ""),
        ({"middlings_share": 0.25}, "108.1 % of the mass of the feed"),
        ({"middlings_share": 0.18, "middlings_share_se": 0.01}, ""),
        # 0.88 + 0.15 x 0.99 / 0.93 of what is wanted.
        ({"middlings_share": 0.15, "middlings_grade": 0.99}, "104 % of the wanted material"),
        ({"middlings_share": 0.25, "feed_grade": None}, ""),
    ],
)
def test_product_and_middlings_that_hold_more_than_the_feed_are_asked_about(tmp_path, given, asked):
    _, report = loaded(tmp_path, {**ROW, **given})
    assert report.added == 1
    assert [q.field for q in report.questions] == (["middlings_share"] if asked else [])
    if asked:
        assert asked in report.questions[0].why
        history = History(tmp_path / "other")
        with pytest.raises(QuestionError, match="product and middlings together"):
            load_table([{**ROW, **given}], history, SITE, options=LoadOptions(sure=False))


def test_a_run_keeps_its_id_and_a_log_without_middlings_stays_known(tmp_path):
    """The id was computed by the version before these columns."""
    history, _ = loaded(tmp_path, ROW)
    (run,) = history.at().runs().to_pylist()
    assert run["run_id"] == OLD_ID
    again = load_table([{**ROW, **dict.fromkeys(OF_MIDDLINGS, "")}], history, SITE)
    assert (again.added, again.already_known) == (0, 1)
    other = load_table([{**ROW, **MIDDLINGS}], history, SITE)
    assert (other.added, other.rejected) == (0, 1)
    assert "middlings" in other.rejects[0]["reason"]


def test_middlings_are_corrected_and_exported_only_where_there_are_any(tmp_path):
    history, _ = loaded(tmp_path, ROW)
    (run,) = history.at().runs().to_pylist()
    history.at().export(tmp_path / "before.csv", SITE)
    with (tmp_path / "before.csv").open() as file:
        assert not set(OF_MIDDLINGS) & set(next(csv.reader(file)))
    correct(history, SITE, run["run_id"], {"middlings_share": "9%"}, reason="weighed late")
    history.at().export(tmp_path / "after.parquet", SITE)
    after = pq.read_table(tmp_path / "after.parquet")
    assert after["middlings_share"].to_pylist() == pytest.approx([0.09])
    assert not set(OF_MIDDLINGS[1:]) & set(after.column_names)
    copy = History(tmp_path / "copy")
    assert load_logs([tmp_path / "after.parquet"], copy, SITE).added == 1
    assert copy.at().runs()["middlings_share"].to_pylist() == pytest.approx([0.09])


def test_readings_of_a_stretch_are_averaged(tmp_path):
    """Readings over time become one run; its share is their mean."""
    rows = [
        {**ROW, "started_at": f"2026-03-02T06:{30 + k}:00+00:00", "middlings_share": 0.08 + k / 100}
        for k in range(3)
    ]
    history, report = loaded(tmp_path, *rows, samples=True)
    assert report.added == 1
    assert history.at().runs()["middlings_share"].to_pylist() == pytest.approx([0.09])
