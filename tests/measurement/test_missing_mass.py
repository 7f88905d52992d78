"""Mass that was fed and did not leave is said, with stated errors and without."""

from __future__ import annotations

import math

import pytest

from optimizer.measurement.balancing import balance_tests

NAMES = ("feed", "product", "reject")


def result(mass, assay=(0.9, 0.98, 0.4), **columns):
    table = {"test_id": ["a"] * 3, "stream": NAMES, "mass": mass, "assay": assay, **columns}
    return balance_tests(table)[0]


def said(found):
    return [text for text in found.warnings if "all outlets together" in text]


def test_missing_mass_is_said_without_stated_errors():
    found = result([1000.0, 850.0, 110.0])
    assert found.missing_mass == pytest.approx(40.0)
    assert found.missing_share == pytest.approx(0.04)
    assert said(found) == [
        "The feed weighs 1000 and all outlets together 960: mass is missing; look for an outlet "
        "that was not weighed, dust and spillage."
    ]
    more = result([1000.0, 950.0, 110.0])
    assert more.missing_share == pytest.approx(-0.06)
    assert "more leaves than was fed" in said(more)[0]


def test_mass_within_the_errors_of_the_weights_is_counted_and_not_warned_of():
    # The difference of the three weights has a standard error of 17.3 kg.
    errors = {"mass_se": [10.0] * 3}
    near, far = result([1000.0, 870.0, 110.0], **errors), result([1000.0, 850.0, 110.0], **errors)
    assert near.missing_mass == pytest.approx(20.0)
    assert not said(near)
    assert said(far)


def test_it_is_not_known_where_one_stream_was_not_weighed():
    found = result([math.nan, 850.0, 110.0])
    assert math.isnan(found.missing_mass)
    assert math.isnan(found.missing_share)
    assert not said(found)
    assert found.as_dict()["missing_mass"] is None


def test_it_is_said_of_a_test_that_cannot_be_balanced():
    found = result([1000.0, 850.0, 110.0], assay=(0.5, 0.4, 1.4))
    assert found.method == "impossible"
    assert found.missing_mass == pytest.approx(40.0)
