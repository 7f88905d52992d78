"""Stream files: parsed like logs, a fault affects only its test, and the result loads as a log."""

from __future__ import annotations

import csv

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from optimizer import History, InputError, Site, load_logs
from optimizer.operations.balancing.sampling_plan import Particulate, plan_sampling
from optimizer.operations.balancing.stream_log import balance_file

HEAD = "test_id,stream,mass [kg],assay [%],count,line,feed_rate,end_raise,side_tilt,"
HEAD += "eccentric_speed,air\n"
GOOD = (
    HEAD
    + "T1,feed,,93.1,800,deck-1,2.0,2.5,2.4,455,40\n"
    + "T1,product,902,98.7,800,,,,,,\n"
    + "T1,reject,104,41.5,800,,,,,,\n"
)


@pytest.fixture
def write(tmp_path):
    def save(text, name="streams.csv"):
        path = tmp_path / name
        path.write_text(text, encoding="utf-8")
        return path

    return save


def test_a_reconciled_test_becomes_a_run_that_loads(write, tmp_path):
    found = balance_file(write(GOOD), mass_error=0.01)
    (test,) = found.results
    assert test.method == "reconciled"
    assert 0.95 < test.recovery < 0.96
    assert 0 < test.recovery_se < 0.02
    assert 0 < test.grade_se < 0.01
    out = tmp_path / "runs.csv"
    assert found.write(out) == 1
    history = History(tmp_path / "history")
    report = load_logs([out], history, Site())
    assert (report.added, report.rejected) == (1, 0)
    (row,) = history.at().runs().to_pylist()
    assert row["run_id"] == "T1"
    assert row["grade_se"] == pytest.approx(test.grade_se, abs=1e-9)
    assert row["recovery"] == pytest.approx(test.recovery, abs=1e-9)
    assert (row["line"], row["air"], row["grade_count"]) == ("deck-1", 40.0, 800)
    assert (row["feed_grade_count"], row["feed_grade"]) == (800, pytest.approx(test.feed_grade))


def test_every_way_of_writing_the_same_file_gives_the_same_answer(write, tmp_path):
    """Per cent in the heading or in the cell, fractions, decimal commas, and Parquet."""
    forms = [
        "test_id,stream,mass,assay\nT,feed,,0.9\nT,product,90,0.98\nT,reject,10,0.2\n",
        "test_id,stream,mass,assay [%]\nT,feed,,90\nT,product,90,98\nT,reject,10,20\n",
        "Test ID;Stream;Mass (kg);Assay %\nT;feed;;90,0\nT;product;90,0;98,0\nT;reject;10,0;20,0\n",
        "test_id,stream,mass,assay\nT,feed,,90%\nT,product,90,98%\nT,reject,10,20 %\n",
    ]
    answers = [balance_file(write(text, f"{k}.csv")).results[0] for k, text in enumerate(forms)]
    table = pa.table(
        {
            "test_id": ["T"] * 3,
            "stream": ["feed", "product", "reject"],
            "mass": [None, 90.0, 10.0],
            "assay": [0.9, 0.98, 0.2],
        }
    )
    pq.write_table(table, tmp_path / "t.parquet")
    answers.append(balance_file(tmp_path / "t.parquet").results[0])
    for answer in answers[1:]:
        assert answer.recovery == pytest.approx(answers[0].recovery, abs=1e-12)
        assert answer.grade == pytest.approx(answers[0].grade, abs=1e-12)


@pytest.mark.parametrize(
    ("cell", "message"),
    [
        ("98.7", "could be per cent"),
        ("abc", "not a number"),
        ("-0.1", "not a fraction"),
        ("1000", "not a fraction"),
    ],
)
def test_an_invalid_cell_rejects_only_its_own_test(write, cell, message):
    text = (
        "test_id,stream,mass,assay\n"
        f"bad,feed,,0.9\nbad,product,9,{cell}\nbad,reject,1,0.2\n"
        "good,feed,,0.9\ngood,product,90,0.98\ngood,reject,10,0.2\n"
    )
    found = balance_file(write(text))
    bad, good = found.results
    assert (bad.test_id, bad.method) == ("bad", "impossible")
    assert message in bad.warnings[0]
    assert "streams.csv row 3, assay" in bad.warnings[0]
    assert 0 < good.recovery < 1
    assert [r["run_id"] for r in found.rows()] == ["good"]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("test_id,strem,assay\nT,feed,0.9\n", "no column for stream.*Did you mean 'strem'"),
        ("test_id,stream,assay,assay\nT,feed,0.9,0.9\n", "two columns are 'assay'"),
        ("test_id,stream,assay,grade\nT,feed,0.9,0.9\n", "the balance computes 'grade' itself"),
        (
            "test_id,stream,assay,Feed grade SE [%]\nT,feed,0.9,0.1\n",
            "the balance computes 'Feed grade SE .* itself",
        ),
        (
            "test_id,stream,assay,feed_grade,grade_recovery_correlation\nT,feed,0.9,0.9,0\n",
            "the balance computes 'grade_recovery_correlation' itself",
        ),
        ("test_id,stream,assay\n", "no rows"),
        ("test_id,stream,mass,assay\nT,feed,1,5,0.9\n", "row 2: 5 cells under 4 headings"),
        ("test_id,stream,mass [kg],mass_se [g],assay\nT,feed,1,5,0.9\n", "mass_se is in 'g'"),
    ],
)
def test_files_that_make_no_sense_are_refused(write, text, message):
    with pytest.raises(InputError, match=f"(?s){message}"):
        balance_file(write(text))


def test_carried_numbers_with_a_decimal_comma_are_written_with_a_point(write, tmp_path):
    text = "test_id;stream;mass;assay;feed_rate\nT;feed;;0,9;2,1\nT;product;90;0,98;\n"
    found = balance_file(write(text + "T;reject;10;0,2;\n"))
    out = tmp_path / "runs.csv"
    found.write(out)
    with out.open(encoding="utf-8") as file:
        (row,) = csv.DictReader(file)
    assert row["feed_rate"] == "2.1"


def test_the_document_keeps_the_contract(write):
    document = balance_file(write(GOOD)).as_dict()
    assert document["schema"] == "highside.balance/1"
    assert {
        "test_id", "grade", "grade_se", "recovery", "recovery_se", "yield", "yield_se",
        "adjusted", "chi2", "dof",
    } <= set(document["tests"][0])  # fmt: skip


def test_a_sampling_plan_shows_the_difference_it_was_made_for():
    """Simulation of two settings half a point apart, counted as planned: 4,000 pairs, seed 0. A
    power of 0.8 has a standard error of 0.006; the normal approximation adds a small error."""
    import numpy as np

    plan = plan_sampling(0.985, 0.005)
    rng = np.random.default_rng(0)
    a, b = rng.binomial(plan.count, [0.985, 0.980], (4000, 2)).T / plan.count
    pooled = (a + b) / 2
    z = (a - b) / np.sqrt(2 * pooled * (1 - pooled) / plan.count)
    assert np.mean(np.abs(z) > 1.96) == pytest.approx(0.8, abs=0.03)


def test_a_small_lot_is_counted_completely_without_error():
    plan = plan_sampling(0.98, 0.005, lot_count=500)
    assert plan.count == 500
    assert plan.purity_low == plan.purity_high == pytest.approx(0.98)


def test_a_mineral_sample_has_a_fundamental_error():
    """Lead ore of Wills & Finch (2016) ch. 3 (answers from memory): d 25 mm, liberation 0.15 mm,
    5.8 % galena of 7.5 in gangue of 2.65 t/m3; 177.4 kg gives 1 % with a size range factor of
    0.25, so with 0.75 the error is the root of three larger."""
    ore = Particulate(25.0, 7.5, 2.65, 177_400.0, liberation_size=0.15)
    assert plan_sampling(0.058, 0.01, particulate=ore).fundamental_se == pytest.approx(
        0.01 * 3**0.5, rel=0.005
    )


def test_a_difference_in_points_is_refused():
    with pytest.raises(InputError, match="between 0 and 1"):
        plan_sampling(0.98, 1.5)


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({"top_siz": "10"}, "has no 'top_siz'"),
        ({"top_size": "ten"}, "top_size 'ten' is not a number above 0"),
        ({"top_size": "-1"}, "top_size '-1' is not a number above 0"),
        ({"top_size": "10"}, "needs mineral_density"),
    ],
)
def test_a_particulate_in_words_is_checked(given, message):
    with pytest.raises(InputError, match=message):
        Particulate.from_dict(given)


def test_a_particulate_in_words_equals_its_record():
    words = {"top_size": "25", "mineral_density": "7.5", "gangue_density": "2.65"}
    found = Particulate.from_dict({**words, "sample_grams": "1e3"})
    assert found == Particulate(25.0, 7.5, 2.65, 1000.0)


MIDDLINGS = HEAD + (
    "T1,product,820,98.7,800,deck-1,2.0,2.5,2.4,455,40\n"
    "T1,middlings,90,82,400,,,,,,\n"
    "T1,reject,104,41.5,800,,,,,,\n"
    "T2,product,900,98.1,800,deck-1,2.0,2.5,2.2,455,40\n"
    "T2,reject,104,41.5,800,,,,,,\n"
)


def test_middlings_kept_as_a_product_reach_the_history(write, tmp_path):
    found = balance_file(write(MIDDLINGS), mass_error=0.01)
    out = tmp_path / "runs.csv"
    assert found.write(out) == 2
    history = History(tmp_path / "history")
    assert load_logs([out], history, Site()).added == 2
    runs = {run["run_id"]: run for run in history.at().runs().to_pylist()}
    for name, value in found.results[0].of_middlings.items():
        assert runs["T1"][name] == pytest.approx(value, abs=1e-9)
        assert value > 0.0
        assert runs["T2"][name] is None
    assert runs["T1"]["middlings_share"] == pytest.approx(90 / 1014, abs=0.001)
    returned = balance_file(write(MIDDLINGS), returned=["middlings"], mass_error=0.01)
    returned.write(out)
    assert "middlings" not in out.read_text()


def test_a_column_of_middlings_beside_a_balance_is_refused(write):
    """The streams of a test are all its outlets, so its middlings belong among them."""
    text = GOOD.replace(",air\n", ",air,middlings_share\n").replace("455,40", "455,40,0.09")
    text = text.replace(",,,,,\n", ",,,,,,\n")
    with pytest.raises(InputError, match="computes 'middlings_share' itself"):
        balance_file(write(text))
