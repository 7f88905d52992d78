"""Corrected, withdrawn and reinstated runs: what is refused, what loads recognize, what stays."""

from __future__ import annotations

import json

import pytest

from optimizer import Brief, suggest
from optimizer.errors import HistoryError, InputError
from optimizer.history.changes import changes_of
from optimizer.history.history import History
from optimizer.history.upkeep import verify
from optimizer.intake.settling.load import load_corrections, load_logs, load_table
from optimizer.operations.corrections import correct, reinstate, withdraw
from optimizer.plant.site import Site
from tests.history.runs import run

SITE = Site.from_dict({"material": {"moisture": {"unit": "%", "low": 0, "high": 20}}})
DAYS = [f"2026-05-{day:02d}T06:00:00Z" for day in range(1, 29)]


def rows(*numbers: int, ids: bool = True, **values) -> list[dict]:
    found = [run(air=20.0 + k, started_at=DAYS[k], grade=0.9 + k / 1000, **values) for k in numbers]
    return [{**r, "run_id": f"r{k}"} for k, r in zip(numbers, found, strict=True)] if ids else found


@pytest.fixture
def history(tmp_path) -> History:
    made = History(tmp_path / "history")
    load_table(rows(*range(8)), made, SITE)
    return made


def value_of(history: History, run_id: str, name: str):
    runs = history.at().runs(SITE)
    return dict(zip(runs["run_id"].to_pylist(), runs[name].to_pylist(), strict=True))[run_id]


def refused(code: str, change, *given, **how) -> InputError:
    with pytest.raises(InputError) as refusal:
        change(*given, **how)
    assert refusal.value.code == code, refusal.value
    return refusal.value


# -- correcting -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("given", "name", "stored"),
    [
        ({"grade": "98.2%"}, "grade", 0.982),
        ({"recovery": "0.91"}, "recovery", 0.91),
        ({"feed_rate": "1900 kg/h"}, "feed_rate", 1.9),
        ({"feed_rate [kg/h]": 1900}, "feed_rate", 1.9),
        ({"settings": {"air": 33}}, "air", 33.0),
        ({"material": {"moisture": "11"}}, "moisture", 11.0),
        ({"material": "Huila"}, "material", "Huila"),
        ({"deck_state": "Boiling"}, "deck_state", "boiling"),
        ({"grade_count": "400"}, "grade_count", 400),
        ({"note": "checked"}, "note", "checked"),
        ({"Grade SE": "0.4 %"}, "grade_se", 0.004),
    ],
)
def test_a_corrected_value_is_read_as_in_a_log(history, given, name, stored):
    made = correct(history, SITE, "r3", given, reason=" typo ", by="ann")
    (change,) = made.changes
    assert value_of(history, "r3", name) == pytest.approx(stored)
    assert set(change.after) == {name}
    assert set(change.before) == {name}
    assert (change.reason, change.by, change.what) == ("typo", "ann", "corrected")
    assert history.at().runs(SITE).num_rows == 8


def test_a_time_is_corrected_with_its_zone(history):
    correct(history, SITE, "r3", {"started_at": "2026-05-04T08:30+02:00"}, reason="clock")
    assert value_of(history, "r3", "started_at").isoformat() == "2026-05-04T06:30:00+00:00"


def test_a_value_can_be_emptied(history):
    (change,) = correct(
        history, SITE, "r3", {"grade": None, "deck_state": "flooded"}, reason="no sample"
    ).changes
    assert change.after == {"grade": None, "deck_state": "flooded"}
    assert value_of(history, "r3", "grade") is None


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ({"grade": 98.2}, "grade 98.2 could be per cent"),
        ({"grade": "1.2"}, "grade 1.2 could be per cent"),
        ({"recovery": "-0.1"}, "recovery -0.1 is outside its range"),
        ({"air": 330}, "air 330 is outside the declared range"),
        ({"moisture": "wet"}, "moisture"),
        ({"deck_state": "boilin"}, "Did you mean 'boiling'"),
        ({"started_at": "03/04/2026"}, "is a different day"),
        ({"started_at": "1931-01-01"}, "before 1950"),
        ({"feed_rate": "2 V"}, "has the unit 'V'"),
        ({"grade": ""}, "grade is missing and the deck ran even"),
        ({"grade_count": 12.5}, "is not a count of particles"),
    ],
)
def test_a_value_that_a_load_would_reject_is_refused(history, given, says):
    error = refused("value", correct, history, SITE, "r3", given, reason="typo")
    assert says in error.message
    assert "r3" in error.message
    assert history.version == 0


def test_what_cannot_be_corrected_is_refused(history):
    nothing = refused("nothing-changes", correct, history, SITE, "r3", {"grade": "90.3%"},
                      reason="typo")  # fmt: skip
    assert "nothing would change" in nothing.message
    assert (
        "Did you mean 'grade'"
        in refused("input", correct, history, SITE, "r3", {"grad": 0.9}, reason="typo").hint
    )
    for fixed in ("run_id", "line", "source"):
        refused("input", correct, history, SITE, "r3", {fixed: "x"}, reason="typo")
    refused("no-value", correct, history, SITE, "r3", {"settings": {}}, reason="typo")
    refused("input", correct, history, SITE, "r3", {"air": 3, "settings": {"air": 3}}, reason="x")
    refused("input", correct, history, SITE, "r3", {"grade": [0.9]}, reason="typo")
    for blank in ("", "  "):
        refused("no-reason", correct, history, SITE, "r3", {"grade": 0.5}, reason=blank)
    refused("no-reason", withdraw, history, SITE, "r3", reason="x" * 2001)
    assert history.version == 0


def test_an_unknown_run_is_refused_with_the_nearest_id(history):
    assert (
        "Did you mean 'r7'"
        in refused("unknown-run", withdraw, history, SITE, "r77", reason="test").hint
    )
    assert "--export" in refused("unknown-run", withdraw, history, SITE, "x", reason="test").hint


def test_a_run_id_of_several_lines_needs_the_line(history):
    load_table(rows(3, line="B"), history, SITE)
    error = refused("several-lines", correct, history, SITE, "r3", {"grade": 0.5}, reason="test")
    assert "'A', 'B'" in error.message
    refused("unknown-run", correct, history, SITE, "r3", {"grade": 0.5}, reason="x", line="C")
    correct(history, SITE, "r3", {"grade": 0.5}, reason="test", line="B")
    found = history.at().runs(SITE, lines=["A"])
    assert 0.5 not in found["grade"].to_pylist()
    assert history.at().runs(SITE, lines=["B"])["grade"].to_pylist() == [0.5]


def test_a_withdrawn_run_is_said_to_be_withdrawn(history):
    withdraw(history, SITE, "r3", reason="test")
    for change in (withdraw, lambda *given, **how: correct(*given, {"grade": 0.5}, **how)):
        error = refused("withdrawn-run", change, history, SITE, "r3", reason="test")
        assert "--undo" in error.hint


# -- withdrawing and taking back ------------------------------------------------------------


def test_a_run_is_withdrawn_and_taken_back_whole(history):
    before = history.at().runs().to_pylist()
    (gone,) = withdraw(history, SITE, "r3", reason="mixed up", by="ann").changes
    assert (gone.before["grade"], gone.after) == (pytest.approx(0.903), {})
    assert "r3" not in history.at().runs()["run_id"].to_pylist()
    (back,) = reinstate(history, SITE, "r3", reason="was right").changes
    assert (back.before, back.after) == ({}, gone.before)
    assert history.at().runs().to_pylist() == before


def test_only_a_withdrawn_run_whose_id_is_free_is_taken_back(history):
    assert (
        "not withdrawn"
        in refused("not-withdrawn", reinstate, history, SITE, "r3", reason="test").message
    )
    withdraw(history, SITE, "r3", reason="test")
    assert (
        "Did you mean 'r3'"
        in refused("unknown-run", reinstate, history, SITE, "r33", reason="test").hint
    )
    assert load_table([{**rows(3)[0], "grade": 0.5}], history, SITE).added == 1
    error = refused("id-taken", reinstate, history, SITE, "r3", reason="test")
    assert "another run" in error.message
    withdraw(history, SITE, "r3", reason="the other one")
    reinstate(history, SITE, "r3", reason="test")
    assert value_of(history, "r3", "grade") == 0.5


# -- what loads recognize -------------------------------------------------------------------


@pytest.mark.parametrize("ids", [True, False])
def test_the_former_log_brings_nothing_back(tmp_path, ids):
    history, log = History(tmp_path / "history"), rows(*range(8), ids=ids)
    load_table(log, history, SITE)
    first, second, *_ = history.at().runs(SITE)["run_id"].to_pylist()
    correct(history, SITE, first, {"grade": 0.5}, reason="typo")
    withdraw(history, SITE, second, reason="mixed up")
    after = history.at().runs().to_pylist()
    for given in (log, rows(*range(8), ids=False)):
        report = load_table(given, history, SITE)
        assert (report.added, report.already_known, report.rejected) == (0, 8, 0)
        (withdrawn,) = (w for w in report.warnings if "--undo" in w)
        assert f"1 row of runs that were withdrawn, which stay out: '{second}'" in withdrawn
        (corrected,) = (w for w in report.warnings if "corrected" in w)
        assert f"'{first}'" in corrected
    assert history.at().runs().to_pylist() == after
    # The corrected log is recognized as well, and says nothing.
    log[0]["grade"] = 0.5
    report = load_table([log[0]], history, SITE)
    assert (report.already_known, report.warnings) == (1, ())


def test_a_row_with_an_id_of_its_own_is_another_run_unless_the_old_one_had_none(tmp_path):
    history = History(tmp_path / "history")
    load_table([*rows(1), *rows(2, ids=False)], history, SITE)
    ids = history.at().runs(SITE)["run_id"].to_pylist()
    for run_id in ids:
        withdraw(history, SITE, run_id, reason="test")
    again = [{**row, "run_id": f"new-{k}"} for k, row in enumerate(rows(1, 2, ids=False))]
    report = load_table(again, history, SITE)
    assert (report.added, report.already_known) == (1, 1)
    assert history.at().runs(SITE)["run_id"].to_pylist() == ["new-0"]


def test_a_corrected_run_without_an_id_of_its_own_is_known_by_its_content(tmp_path):
    history = History(tmp_path / "history")
    load_table(rows(1, ids=False), history, SITE)
    (run_id,) = history.at().runs(SITE)["run_id"].to_pylist()
    correct(history, SITE, run_id, {"grade": 0.5}, reason="typo")
    mended = {**rows(1, ids=False)[0], "grade": 0.5}
    for row in (mended, {**mended, "run_id": "own"}):
        assert load_table([row], history, SITE).already_known == 1


def test_a_correction_back_to_the_first_values_leaves_nothing_to_recognize(history):
    correct(history, SITE, "r3", {"grade": 0.5}, reason="typo")
    correct(history, SITE, "r3", {"grade": 0.903}, reason="was right")
    report = load_table(rows(3), history, SITE)
    assert (report.already_known, report.warnings) == (1, ())
    report = load_table([{**rows(3)[0], "grade": 0.5}], history, SITE)
    assert report.already_known == 1
    assert "corrected" in report.warnings[0]


def test_a_history_without_changes_is_loaded_without_looking_for_former_runs(history, monkeypatch):
    monkeypatch.setattr("optimizer.history.identity.FormerContents.__init__", None)
    assert load_table(rows(3, 9), history, SITE).added == 1


def test_a_corrected_log_without_ids_does_not_double_its_runs_unnoticed(tmp_path):
    history, log = History(tmp_path / "history"), rows(*range(8), ids=False)
    assert load_table(log, history, SITE).questions == ()
    ids = dict(
        zip(*(history.at().runs(SITE)[n].to_pylist() for n in ("air", "run_id")), strict=True)
    )
    log[3]["grade"] = 0.5
    report = load_table(log, history, SITE)
    assert report.added == 1
    (asked,) = [q for q in report.questions if q.field == "started_at"]
    assert ids[23.0] in asked.why
    withdraw(history, SITE, ids[23.0], reason="corrected in the log")
    assert history.at().runs(SITE).num_rows == 8
    report = load_table(log, history, SITE)
    assert (report.already_known, report.questions) == (8, ())


# -- load --correct -------------------------------------------------------------------------


def written(tmp_path, text: str):
    path = tmp_path / "log.csv"
    path.write_text(text, encoding="utf-8")
    return path


HEADINGS = "run_id,line,started_at,feed_rate,end_raise,side_tilt,eccentric_speed,air,grade,recovery"


def line_of(k: int, **changed) -> str:
    row = {**rows(k)[0], **changed}
    return ",".join(str(row[name]) for name in HEADINGS.split(","))


def test_rows_of_known_ids_correct_their_runs_in_the_commit_of_the_new_ones(history, tmp_path):
    lines = [line_of(1, grade=0.5), line_of(2), line_of(9), line_of(3, air=44.0)]
    path = written(tmp_path, "\n".join([HEADINGS, *lines, line_of(4, air=999)]))
    dry = load_corrections(path, history, SITE, reason="lab", dry_run=True).as_dict()
    assert history.version == 0
    report = load_corrections(path, history, SITE, reason="lab", by="ann").as_dict()
    counts = ("read", "added", "already_known", "corrected", "rejected")
    assert [report[name] for name in counts] == [5, 1, 1, 2, 1]
    assert [dry[name] for name in counts] == [5, 1, 1, 2, 1]
    assert report["files"][0]["corrected"] == 2
    assert history.version == 1
    assert value_of(history, "r1", "grade") == 0.5
    assert value_of(history, "r3", "air") == 44.0
    told = changes_of(history.at(), SITE).changes
    assert [(c.run_id, c.after, c.by, c.version) for c in told] == [
        ("r1", {"grade": 0.5}, "ann", 1), ("r3", {"air": 44.0}, "ann", 1)
    ]  # fmt: skip
    again = load_corrections(path, history, SITE, reason="lab").as_dict()
    assert [again[name] for name in counts] == [5, 0, 4, 0, 1]
    assert verify(history, SITE).sound


def test_without_the_option_such_rows_are_rejected_as_before(history, tmp_path):
    report = load_logs(written(tmp_path, f"{HEADINGS}\n{line_of(1, grade=0.5)}"), history, SITE)
    assert report.rejected == 1
    assert "corrected" not in report.as_dict()


def test_columns_that_the_log_lacks_keep_their_values(history, tmp_path):
    correct(history, SITE, "r1", {"moisture": 11, "note": "a", "deck_state": "boiling"}, reason="x")
    before = history.at().runs().to_pylist()
    path = written(tmp_path, "run_id;line;Grade %\nr1;A;55,5\nr2;A;90,2\nr99;A;93,0\n;A;93,0\n")
    report = load_corrections(path, history, SITE, reason="lab")
    assert (report.corrected, report.already_known, report.rejected) == (1, 1, 2)
    wanted = [{**r, "grade": 0.555} if r["run_id"] == "r1" else r for r in before]
    assert history.at().runs().to_pylist() == wanted
    assert "feed_rate is missing" in report.rejects[0]["reason"]


def test_an_empty_cell_of_a_column_empties_the_value(tmp_path):
    history = History(tmp_path / "history")
    load_table(rows(1, moisture=11, note="a"), history, SITE)
    path = written(tmp_path, "run_id,line,moisture\nr1,A,\n")
    assert load_corrections(path, history, SITE, reason="lab").corrected == 1
    assert value_of(history, "r1", "moisture") is None
    assert value_of(history, "r1", "note") == "a"


def test_the_second_of_two_rows_that_correct_a_run_differently_is_rejected(history, tmp_path):
    path = written(tmp_path, "\n".join([HEADINGS, line_of(1, grade=0.5), line_of(1, grade=0.5),
                                        line_of(1, grade=0.6)]))  # fmt: skip
    report = load_corrections(path, history, SITE, reason="lab")
    assert (report.corrected, report.already_known, report.rejected) == (1, 1, 1)
    assert "grade is 0.5 there and 0.6 here" in report.rejects[0]["reason"]
    assert value_of(history, "r1", "grade") == 0.5


def test_what_a_run_held_before_its_correction_does_not_undo_it(history, tmp_path):
    correct(history, SITE, "r1", {"grade": 0.5}, reason="typo")
    path = written(tmp_path, f"{HEADINGS}\n{line_of(1)}\n")
    report = load_corrections(path, history, SITE, reason="old file")
    assert (report.corrected, report.already_known) == (0, 1)
    assert value_of(history, "r1", "grade") == 0.5


def test_a_load_that_corrects_too_many_runs_is_refused(history, tmp_path, monkeypatch):
    monkeypatch.setattr("optimizer.intake.settling.committing.MOST_CORRECTED", 1)
    lines = [line_of(k, grade=0.5) for k in (1, 2)]
    path = written(tmp_path, "\n".join([HEADINGS, *lines]))
    with pytest.raises(InputError, match="corrects at most 1"):
        load_corrections(path, history, SITE, reason="lab")
    assert history.version == 0
    with pytest.raises(InputError, match="needs a reason"):
        load_corrections(path, history, SITE, reason=" ")


# -- what stays -----------------------------------------------------------------------------


@pytest.mark.usefixtures("anew")
def test_a_plan_made_before_is_made_again_byte_for_byte(season_table, tmp_path):
    history = History(tmp_path / "history")
    load_table(season_table, history)
    brief = Brief.from_dict({"line": "deck-1", "trials": {"count": 1}, "goal": {"min_grade": 0.98}})

    def plan(version: int | None = None) -> str:
        return json.dumps(suggest(history.at(version), Site(), brief).as_dict())

    before, runs = plan(), history.at().runs(Site(), lines=["deck-1"])
    first, second = runs["run_id"].to_pylist()[-2:]
    correct(history, None, first, {"grade": 0.5, "recovery": 0.5}, reason="typo")
    withdraw(history, None, second, reason="mixed up")
    assert plan(0) == before
    after = json.loads(plan())
    assert after["history_version"] == 2
    assert after["runs_used"] == json.loads(before)["runs_used"] - 1
    reinstate(history, None, second, reason="was right")
    assert plan(0) == before


def test_verify_knows_that_a_corrected_run_keeps_its_id(tmp_path):
    history = History(tmp_path / "history")
    load_table(rows(*range(4), ids=False), history, SITE)
    first, second, *_ = history.at().runs(SITE)["run_id"].to_pylist()
    correct(history, SITE, first, {"grade": 0.5}, reason="typo")
    withdraw(history, SITE, second, reason="test")
    reinstate(history, SITE, second, reason="test")
    health = verify(history, SITE)
    assert (health.sound, health.runs, health.doubled, health.odd_ids) == (True, 4, 0, 0)
    # The same content under the same id, without the record, is odd.
    other = History(tmp_path / "other")
    runs = history.at().runs()
    other.append(runs.select([n for n in runs.column_names if n in runs.schema.names]))
    assert verify(other, SITE).odd_ids == 1


def test_a_damaged_record_is_damage(history):
    withdraw(history, SITE, "r1", reason="test")
    load_table(rows(9), history, SITE)
    (history.folder / "_delta_log" / f"{1:020d}.json").unlink()
    with pytest.raises(HistoryError, match="damaged"):
        load_table(rows(1), history, SITE)
