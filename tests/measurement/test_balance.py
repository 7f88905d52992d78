"""A table of streams to grade, recovery and yield: routes, refusals, warnings."""

from __future__ import annotations

import json
import re

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer.errors import InputError
from optimizer.measurement import build_up, counted_se, two_product
from optimizer.measurement.balancing import balance_tests

NAN = float("nan")
ROUTES = ["weighed", "two-product", "solved", "reconciled", "undetermined", "impossible"]


def table(*rows, test_id="a", columns=("stream", "mass", "assay")):
    made = pd.DataFrame(list(rows), columns=list(columns))
    return made.assign(test_id=test_id)


def only(*rows, columns=("stream", "mass", "assay"), **options):
    (result,) = balance_tests(table(*rows, columns=columns), **options)
    return result


@pytest.mark.parametrize(
    ("rows", "method", "recovery"),
    [
        ([("product", 40, 0.95), ("reject", 60, 0.30)], "weighed", 38 / 56),
        ([("feed", 100, 0.56), ("product", 40, 0.95)], "weighed", 38 / 56),
        (
            [("feed", NAN, 0.90), ("product", NAN, 0.99), ("reject", NAN, 0.40)],
            "two-product",
            0.9322,
        ),
        ([("feed", 100, NAN), ("product", 40, 0.95), ("reject", NAN, 0.30)], "solved", 38 / 56),
        ([("feed", 100, 0.56), ("product", 40, 0.95), ("reject", 60, 0.30)], "reconciled", 38 / 56),
        ([("product", 40, 0.95), ("middlings", 20, 0.5), ("reject", 40, 0.2)], "weighed", 38 / 56),
        ([("product", NAN, 0.95)], "undetermined", NAN),
        ([("feed", NAN, 0.5), ("product", NAN, 0.4), ("reject", NAN, 0.3)], "impossible", NAN),
    ],
)
def test_balance_uses_the_route_that_the_data_allow(rows, method, recovery):
    result = only(*rows)
    assert result.method == method
    assert result.method in ROUTES
    assert result.recovery == pytest.approx(recovery, abs=1e-4, nan_ok=True)
    if method == "undetermined":
        assert result.grade == pytest.approx(0.95)


def test_derived_figures():
    columns = ("stream", "mass", "assay", "mass_se", "assay_se")
    result = only(
        ("product", 40, 0.95, 0.4, 0.01), ("reject", 60, 0.30, 0.6, 0.02), columns=columns
    )
    built = build_up([40, 60], [0.95, 0.30], mass_se=[0.4, 0.6], assay_se=[0.01, 0.02])
    assert result.feed_grade == pytest.approx(0.56)
    assert result.feed_grade_se == pytest.approx(float(built.head_se), rel=1e-6)
    assert result.yield_se == pytest.approx(float(built.share_se[0]), rel=1e-6)
    assert result.enrichment == pytest.approx(0.95 / 0.56)
    assert result.separation_efficiency == pytest.approx(38 / 56 - 2 / 44)


def test_a_lone_product_implies_one_reject():
    result = only(("feed", 100, 0.56), ("product", 40, 0.95))
    assert [stream.stream for stream in result.adjusted] == ["feed", "product", "reject"]
    assert result.adjusted[2].mass == pytest.approx(60.0)
    assert result.adjusted[2].assay == pytest.approx(0.30)


def test_undetermined_values_and_bounds_are_reported():
    lone = only(("product", NAN, 0.95))
    assert "The measurements do not determine: assay of feed, assay of reject," in lone.warnings[-1]
    assert "mass" not in lone.warnings[-1]
    held = only(("feed", 100, 0.30), ("product", 40, 0.95), ("reject", 60, NAN))
    assert "Assay of reject stopped at its limit." in held.warnings


def test_dictionary_and_frame_give_the_same_result():
    frame = table(("product", 40, 0.95), ("reject", 60, 0.30))
    assert repr(balance_tests(frame.to_dict("list"))) == repr(balance_tests(frame))


def test_names_are_read_without_case_or_blanks():
    assert only((" Product ", 40, 0.95), ("REJECT", 60, 0.30)).method == "weighed"


def test_counts_give_the_error_of_assays():
    columns = ("stream", "assay", "count")
    result = only(
        ("feed", 0.90, 800), ("product", 1.0, 800), ("reject", 0.40, 800), columns=columns
    )
    errors = {
        f"{name}_se": float(counted_se(share, 800))
        for name, share in (("feed", 0.9), ("product", 1.0), ("reject", 0.4))
    }
    expected = two_product(0.90, 1.0, 0.40, **errors)
    assert result.recovery_se == pytest.approx(float(expected.recovery_se), rel=1e-6)
    assert result.grade_se == pytest.approx(errors["product_se"], rel=1e-6)
    assert result.grade_count == result.feed_grade_count == 800
    assert result.warnings == ()


def test_missing_error_is_named_and_not_invented():
    rows = [("product", 40, 0.95, 0.01), ("reject", 60, 0.30, 0.01)]
    columns = ("stream", "mass", "assay", "assay_se")
    result = only(*rows, columns=columns)
    assert result.grade_se == pytest.approx(0.01)
    assert np.isnan(result.recovery_se)
    assert "No error stated for the mass of product, reject" in result.warnings[0]
    # The missing error is replaced by 1 % for the weighting only.
    fed = [("feed", NAN, 0.60, 0.01), *rows]
    unstated, assumed = (
        only(*fed, columns=columns),
        only(*fed, columns=columns, mass_relative_se=0.01),
    )
    assert unstated.recovery == pytest.approx(assumed.recovery, rel=1e-9)
    assert np.isnan([unstated.recovery_se, unstated.p_value]).all()
    stated = only(*rows, columns=columns, mass_relative_se=0.01)
    built = build_up([40, 60], [0.95, 0.30], mass_se=[0.4, 0.6], assay_se=0.01)
    assert stated.recovery_se == pytest.approx(float(built.recovery_se[0]), rel=1e-6)
    assert stated.warnings == ()


def test_no_error_at_all_gives_none():
    result = only(("feed", 100, 0.56), ("product", 40, 0.95), ("reject", 61, 0.30))
    assert np.isnan([result.recovery_se, result.grade_se, result.p_value, result.chi2]).all()
    assert result.dof == 2
    assert "no standard error can be given" in result.warnings[0]


def test_gaps_of_many_tests_give_the_error():
    rng = np.random.default_rng(5)
    truth = {"feed": (100.0, 0.56), "product": (40.0, 0.95), "reject": (60.0, 0.30)}
    rows, names = [], []
    for i in range(40):
        for name, (mass, assay) in truth.items():
            wobble = 1.0 + 0.02 * rng.standard_normal(2)
            rows.append((name, mass * wobble[0], min(1.0, assay * wobble[1])))
            names.append(f"t{i}")
    # A gross error at the limit says nothing about the measurement errors.
    rows += [("feed", 100.0, 0.30), ("product", 40.0, 0.95), ("reject", 60.0, NAN)]
    results = balance_tests(table(*rows, test_id=[*names, "x", "x", "x"]))
    assert "Assay of reject stopped at its limit." in results.pop().warnings
    noted = float(results[0].warnings[0].split("%")[0].split()[-1]) / 100.0
    # 80 balances estimate the error to 1 / sqrt(160); the tolerance is four standard errors.
    assert noted == pytest.approx(0.02, rel=4 / np.sqrt(160))
    scores = [(r.recovery - 38 / 56) / r.recovery_se for r in results]
    # Of 40 balances: a standard error of 0.11.
    assert np.std(scores) == pytest.approx(1.0, abs=0.25)


def test_misfit_is_reported_with_its_suspect():
    columns = ("stream", "mass", "assay", "mass_se", "assay_se")
    rows = [
        ("feed", 100, 0.56, 1.0, 0.01),
        ("product", 40, 0.95, 0.4, 0.01),
        ("reject", 75, 0.30, 0.6, 0.01),
    ]
    result = only(*rows, columns=columns)
    assert result.p_value < 1e-4
    assert result.suspect == "mass of reject"
    assert "do not close within the errors" in result.warnings[0]
    assert result.warnings[0].endswith("most likely wrong: mass of reject.")


def test_gap_is_reported_when_no_error_is_stated():
    result = only(("feed", NAN, 0.60), ("product", 40, 0.95), ("reject", 60, 0.30))
    assert any("feed assay that differs by -6.67% from" in text for text in result.warnings)


def test_poor_product_and_close_assays_are_reported():
    swapped = only(("feed", NAN, 0.14), ("product", NAN, 0.12), ("reject", NAN, 0.20))
    assert any("poorer than the feed" in text for text in swapped.warnings)
    close = only(("feed", NAN, 0.90), ("product", NAN, 0.91), ("reject", NAN, 0.85))
    assert any("lie close together: an error of 1 % in each is" in text for text in close.warnings)


def test_returned_middlings_are_left_out_of_the_balance():
    rows = [("feed", 100, 0.56), ("product", 40, 0.95), ("middlings", 25, 0.6), ("reject", 60, 0.3)]
    kept, sent_back = only(*rows), only(*rows, returned=["middlings"])
    assert sent_back.recovery == pytest.approx(38 / 56, abs=1e-6)
    assert kept.recovery < sent_back.recovery
    assert [stream.stream for stream in sent_back.adjusted] == ["feed", "product", "reject"]
    assert sent_back.warnings[0] == "Middlings goes back to the feed and leaves the balance."


def test_adjusted_streams_close():
    columns = ("stream", "mass_rate", "assay", "mass_se", "assay_se")
    result = only(
        ("feed", 2.0, 0.55, 0.02, 0.01),
        ("product", 0.8, 0.95, 0.01, 0.01),
        ("middlings", 0.3, NAN, 0.01, NAN),
        ("reject", 0.93, 0.30, 0.01, 0.01),
        columns=columns,
    )
    feed, *outlets = result.adjusted
    assert sum(s.mass for s in outlets) == pytest.approx(feed.mass)
    assert sum(s.mass * s.assay for s in outlets) == pytest.approx(feed.mass * feed.assay)
    assert np.isnan(outlets[1].measured_assay)
    assert result.dof == 1


def test_json_form():
    answer = only(("product", 40, 0.95), ("reject", 60, 0.30)).as_dict()
    text = json.dumps(answer, allow_nan=False)
    assert {"test_id", "grade", "grade_se", "recovery", "yield", "yield_se", "chi2", "dof"} <= set(
        json.loads(text)
    )
    assert answer["yield"] == pytest.approx(0.4)
    assert answer["recovery_se"] is None
    assert answer["adjusted"][1]["stream"] == "product"


@pytest.mark.parametrize(
    ("rows", "text"),
    [
        ([("feed", 1, 0.5), ("concentrate", 1, 0.5)], "No row is the product. Known here: conc"),
        ([("product", 1, 0.5), ("product", 1, 0.5)], "'product' has more than one row"),
        ([("product", 40, 97.2), ("reject", 60, 0.3)], "Assay of product is 97.2; .*0.972"),
        ([("product", -4, 0.9), ("reject", 60, 0.3)], "Mass of product is -4"),
        ([("product", 0, 0.9), ("reject", 0, 0.3)], "Every mass weighed is zero"),
        ([("feed", 100, 0.3), ("product", 40, 0.95)], "more wanted material than was fed"),
        ([("feed", 100, 0.5), ("product", 90, 0.4)], "below zero or above that of pure material"),
    ],
)
def test_faulty_test_has_a_reason_and_does_not_affect_the_others(rows, text):
    both = pd.concat(
        [table(*rows), table(("product", 40, 0.95), ("reject", 60, 0.30), test_id="b")]
    )
    bad, good = balance_tests(both)
    assert (bad.test_id, bad.method) == ("a", "impossible")
    assert np.isnan([bad.grade, bad.recovery, bad.yield_]).all()
    assert re.search(text, bad.warnings[-1])
    assert good.method == "weighed"


@pytest.mark.parametrize(
    ("extra", "text"),
    [
        ({"mass": [1.0, NAN], "mass_rate": [NAN, 2.0]}, "Both mass and mass_rate are filled"),
        ({"count": [0, 10]}, "A count is below one particle"),
        ({"assay_se": [0.0, 0.1]}, "no measurement is exact"),
    ],
)
def test_columns_that_clash(extra, text):
    rows = {"test_id": [1, 1], "stream": ["product", "reject"], "assay": [0.9, 0.3]}
    (result,) = balance_tests({**rows, **extra})
    assert text in result.warnings[0]


@pytest.mark.parametrize(
    ("columns", "options", "text"),
    [
        ({"test": [1], "stream": ["product"], "assay": [0.9]}, {}, "no column 'test_id'. Did you"),
        (
            {"test_id": [1], "stream": ["product"], "assay": ["0,9"]},
            {},
            "row 1 of the table: assay is '0,9', not a number",
        ),
        (
            {"test_id": [1], "stream": [None], "assay": [0.9]},
            {},
            "row 1 of the table has no stream",
        ),
        (
            {"test_id": [1], "stream": ["product"], "assay": [0.9]},
            {"returned": ["feed"]},
            "feed and product cannot be returned",
        ),
    ],
)
def test_unreadable_table_is_refused(columns, options, text):
    with pytest.raises(InputError, match=text):
        balance_tests(columns, **options)


@settings(max_examples=100, deadline=None, derandomize=True)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(["feed", "product", "middlings", "reject"]),
            st.one_of(st.none(), st.floats(0.0, 100.0)),
            st.one_of(st.none(), st.floats(0.0, 1.0)),
        ),
        min_size=1,
        max_size=5,
    )
)
def test_any_table_gives_fractions_or_a_reason(rows):
    result = only(*rows)
    for value in (result.grade, result.recovery, result.yield_):
        assert np.isnan(value) or 0.0 <= value <= 1.0
    if np.isnan(result.recovery):
        assert result.warnings


def test_middlings_have_a_share_and_a_grade_where_they_are_kept():
    columns = ("stream", "mass", "assay", "mass_se", "assay_se")
    rows = [
        ("product", 40, 0.95, 0.4, 0.01),
        ("Middlings", 20, 0.50, 0.2, 0.02),
        ("reject", 60, 0.30, 0.6, 0.02),
    ]
    kept = only(*rows, columns=columns)
    assert (kept.middlings_share, kept.middlings_grade) == pytest.approx((20 / 120, 0.5))
    assert kept.of_middlings == {
        name: kept.as_dict()[name]
        for name in (
            "middlings_share",
            "middlings_share_se",
            "middlings_grade",
            "middlings_grade_se",
        )
    }
    returned = only(*rows, columns=columns, returned=["middlings"])
    for without in (returned, only(*rows[::2], columns=columns)):
        assert without.of_middlings == {}
        assert not [name for name in without.as_dict() if name.startswith("middlings")]


def test_middlings_that_are_not_determined_are_null_with_a_warning():
    result = only(("feed", 100, 0.5), ("product", 40, 0.95), ("middlings", NAN, NAN),
                  ("reject", NAN, NAN))  # fmt: skip
    answer = result.as_dict()
    assert answer["middlings_share"] is None
    assert answer["recovery"] == pytest.approx(0.76)
    assert "mass of middlings" in result.warnings[-1]
