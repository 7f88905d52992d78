"""``balance`` from the library does what the command does."""

from __future__ import annotations

import json

import pytest

from optimizer import InputError
from optimizer.operations.balancing.balance import balance
from tests.season_answers import STREAMS


def test_the_function_answers_as_the_command_does(run, tmp_path):
    (tmp_path / "streams.csv").write_text(STREAMS, encoding="utf-8")
    code, out, _ = run("balance", "streams.csv", "--out", "by_command.csv", "--json")
    made = balance(tmp_path / "streams.csv", tmp_path / "by_function.csv")
    document = {**made.as_dict(), "log": "by_command.csv"}
    assert (code, made.runs, document) == (0, 1, json.loads(out))
    logs = [(tmp_path / f"by_{who}.csv").read_bytes() for who in ("command", "function")]
    assert logs[0] == logs[1]


def test_errors_that_the_file_does_not_state_can_be_given(tmp_path):
    text = STREAMS.replace(",800,", ",,")
    (tmp_path / "streams.csv").write_text(text, encoding="utf-8")
    out = tmp_path / "log.csv"
    (plain,) = balance(tmp_path / "streams.csv", out).streams.results
    made = balance(tmp_path / "streams.csv", out, mass_error=0.01, assay_error=0.02)
    (told,) = made.streams.results
    assert plain.recovery_se != plain.recovery_se  # NaN: not known
    assert told.recovery_se > 0.0


def test_a_file_without_a_column_is_refused_and_nothing_written(tmp_path):
    (tmp_path / "streams.csv").write_text("test_id,stream\nT,feed\n", encoding="utf-8")
    with pytest.raises(InputError, match="no column for assay"):
        balance(tmp_path / "streams.csv", tmp_path / "log.csv")
    assert not (tmp_path / "log.csv").exists()
