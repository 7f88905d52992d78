"""A feed that was sampled after middlings had joined it: figures of the fresh feed."""

from __future__ import annotations

import math

import pytest

from optimizer.measurement.balancing import balance_tests

# A deck in steady state, in kg: fresh feed 100, product 88, reject 12; 20 of middlings go round.
FRESH, PRODUCT, REJECT, MIDDLINGS = 100.0, (88.0, 0.98), (12.0, 0.30), (20.0, 0.60)
WANTED = PRODUCT[0] * PRODUCT[1] + REJECT[0] * REJECT[1]
FED = FRESH + MIDDLINGS[0], (WANTED + MIDDLINGS[0] * MIDDLINGS[1]) / (FRESH + MIDDLINGS[0])
STREAMS = {"feed": FED, "product": PRODUCT, "middlings": MIDDLINGS, "reject": REJECT}


def balanced(streams=STREAMS, after=True, **errors):
    mass, assay = zip(*streams.values(), strict=True)
    table = {"test_id": ["a"] * len(mass), "stream": list(streams), "mass": mass, "assay": assay}
    (found,) = balance_tests(
        {**table, **errors}, returned=["middlings"], sampled_after_return=after
    )
    return found


def test_the_figures_are_those_of_the_fresh_feed_wherever_it_was_sampled():
    fresh = {**STREAMS, "feed": (FRESH, WANTED / FRESH)}
    for found in (balanced(), balanced(fresh, after=False)):
        assert found.recovery == pytest.approx(PRODUCT[0] * PRODUCT[1] / WANTED, abs=1e-7)
        assert found.feed_grade == pytest.approx(WANTED / FRESH, abs=1e-7)
        assert found.yield_ == pytest.approx(PRODUCT[0] / FRESH, abs=1e-7)
        assert found.missing_mass == pytest.approx(0.0, abs=1e-9)
        assert found.middlings_share is None
    one_pass = balance_tests(
        {"test_id": ["a"] * 4, "stream": list(STREAMS), "mass": [120, 88, 20, 12],
         "assay": [a for _, a in STREAMS.values()]}
    )[0]  # fmt: skip
    assert one_pass.recovery < balanced().recovery - 0.1
    assert "sampled after" in " ".join(balanced().warnings)


def test_its_errors_are_those_of_slopes_taken_one_by_one():
    """Without redundancy, first-order errors follow from moving each measurement by itself."""
    three = {name: STREAMS[name] for name in ("product", "middlings", "reject")}
    mass_se, assay_se = (0.9, 0.2, 0.1), (0.002, 0.02, 0.02)
    found = balanced(three, mass_se=mass_se, assay_se=assay_se)
    variance, mixed = dict.fromkeys(("recovery", "feed_grade", "yield_"), 0.0), 0.0
    for k, name in enumerate(three):
        for part, se in ((0, mass_se[k]), (1, assay_se[k])):
            ends = []
            for sign in (1.0, -1.0):
                moved = list(three[name])
                moved[part] += sign * 1e-3 * se
                ends.append(balanced({**three, name: tuple(moved)}))
            slope = {
                q: (getattr(ends[0], q) - getattr(ends[1], q)) / 2e-3 for q in (*variance, "grade")
            }
            for quantity in variance:
                variance[quantity] += slope[quantity] ** 2
            mixed += slope["recovery"] * slope["feed_grade"]
    for quantity, name in (("recovery", "recovery_se"), ("feed_grade", "feed_grade_se")):
        assert getattr(found, name) == pytest.approx(math.sqrt(variance[quantity]), rel=1e-3)
    assert found.yield_se == pytest.approx(math.sqrt(variance["yield_"]), rel=1e-3)
    together = mixed / math.sqrt(variance["recovery"] * variance["feed_grade"])
    assert found.recovery_feed_correlation == pytest.approx(together, abs=1e-3)


def test_a_deck_whose_only_other_outlet_returns_has_a_reject():
    two = {name: STREAMS[name] for name in ("feed", "product", "middlings")}
    found = balanced(two)
    assert [each.stream for each in found.adjusted] == ["feed", "product", "reject", "middlings"]


def test_a_count_of_the_feed_of_the_deck_is_none_of_the_fresh_feed():
    counts = {"count": [800, 800, 400, 400]}
    assert math.isnan(balanced(**counts).feed_grade_count)
    assert balanced(**counts).grade_count == 800
    assert balanced(after=False, **counts).feed_grade_count == 800
