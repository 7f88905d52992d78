"""Labels of the material as groups of runs: which count, which is today's, and what a plan says."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest

from optimizer.evidence.assembly import evidence_of
from optimizer.evidence.cautions import of_other_labels
from optimizer.evidence.labels import MOST_GROUPS, labels_of
from optimizer.gaussian_process.kernel import LABELS, LINES
from optimizer.plant.brief import Brief
from optimizer.plant.settings import GRAVITY_TABLE
from optimizer.plant.site import Site

NAMES = GRAVITY_TABLE.names


def runs(labels, line="deck", seed=0):
    """One measured run for each label, at spread settings."""
    rng, n = np.random.default_rng(seed), len(labels)
    values = GRAVITY_TABLE.values(GRAVITY_TABLE.nearest_index(_spread(rng, n)))
    return pa.table(
        {
            "line": pa.array([line] * n, pa.string()),
            "started_at": pa.nulls(n, pa.timestamp("us", "UTC")),
            "material": pa.array(labels, pa.string()),
            **{name: values[:, j] for j, name in enumerate(NAMES)},
            "grade": 0.95 + 0.03 * rng.random(n),
            "recovery": 0.85 + 0.1 * rng.random(n),
            "deck_state": ["even"] * n,
        }
    )


def _spread(rng, n):
    return GRAVITY_TABLE.low + rng.random((n, len(NAMES))) * GRAVITY_TABLE.span


def evidence(labels, asked=None, **brief):
    material = {} if asked is None else {"material": asked}
    return evidence_of(runs(labels), Site(), Brief.from_dict({"material": material, **brief}))


@pytest.mark.parametrize(
    ("labels", "asked", "today", "others", "number"),
    [
        pytest.param(["a", "b", "a"], None, "a", ("b",), [0, 1, 0], id="that of the latest run"),
        pytest.param(["a", "b", "a"], "b", "b", ("a",), [1, 0, 1], id="that of the brief"),
        pytest.param(["a", "b", "a"], "c", "c", ("a", "b"), [1, 2, 1], id="never seen"),
        pytest.param(["a", "a"], "c", "c", ("a",), [1, 1], id="never seen beside one"),
        pytest.param(["b", None, "a"], None, "a", ("b",), [1, 2, 0], id="some without"),
        pytest.param(["a", "a"], None, "a", (), [0, 0], id="one label"),
        pytest.param(["a", None], None, "a", (), [0, 0], id="one label and none"),
        pytest.param([None, ""], "c", "c", (), [0, 0], id="no label in any run"),
        pytest.param([None, ""], None, None, (), [0, 0], id="no label at all"),
    ],
)
def test_labels_are_numbered_from_today_s(labels, asked, today, others, number):
    found = labels_of(runs(labels), asked, GRAVITY_TABLE)
    assert (found.today, found.others) == (today, others)
    np.testing.assert_array_equal(found.number, number)


def test_many_labels_are_names_of_lots():
    names = [f"lot {k}" for k in range(MOST_GROUPS + 1)]
    assert labels_of(runs(names), None, GRAVITY_TABLE).others == ()
    assert len(labels_of(runs(names[1:]), None, GRAVITY_TABLE).others) == MOST_GROUPS - 1


@pytest.mark.parametrize(
    ("labels", "asked", "columns", "today"),
    [
        pytest.param(["a"] * 40 + ["b"] * 5, "a", 2, [1, 0], id="two with runs enough"),
        pytest.param(["a"] * 40 + ["b"] * 4, "a", 0, [], id="one with few runs"),
        pytest.param(["a"] * 40 + ["b"] * 5, "b", 0, [], id="today's has few: groups"),
    ],
)
def test_a_label_with_many_set_points_is_an_input(labels, asked, columns, today):
    found = labels_of(runs(labels), asked, GRAVITY_TABLE)
    assert found.inputs.shape == (len(labels), columns)
    assert found.inputs_today.tolist() == today
    assert found.inputs.sum(axis=0).tolist() == [40, 5][:columns]
    assert found.others == (("a",) if asked == "b" else ())


def test_the_number_of_the_label_is_an_input_where_labels_are_groups():
    found = evidence(["a", "b", "b", "a"])
    assert found.groupings == (LABELS,)
    assert found.inputs[:, -1].tolist() == [0, 1, 1, 0]
    today = found.inputs_at(found.settings)
    np.testing.assert_array_equal(today[:, :-1], found.inputs[:, :-1])
    assert not today[:, -1].any()
    # A model without groups has one input of 0 or 1 for each label instead.
    assert found.quantities[:, -2:].tolist() == [[1, 0], [0, 1], [0, 1], [1, 0]]


def test_one_label_changes_nothing():
    """The inputs are those of runs without a label."""
    plain, labelled = (evidence([label] * 6) for label in (None, "a"))
    assert labelled.groupings == ()
    np.testing.assert_array_equal(plain.inputs, labelled.inputs)
    np.testing.assert_array_equal(plain.quantities, labelled.quantities)
    assert plain.warnings == labelled.warnings


def test_labels_and_lines_are_two_groupings():
    """A run of another line and another label is of another group by both."""
    both = pa.concat_tables(
        [runs(["a"] * 5 + ["b"] * 5, line="other"), runs(["a", "b"], line="deck", seed=1)]
    )
    found = evidence_of(both, Site(), Brief.from_dict({"line": "deck"}))
    assert found.groupings == (LABELS, LINES)
    assert found.inputs[:, -2:].tolist() == [[1, 0], [0, 0]]
    assert found.borrowed is not None
    assert found.borrowed.inputs[:, -2:].tolist() == [[1, 1]] * 5 + [[0, 1]] * 5


@pytest.mark.parametrize(
    ("labels", "asked", "agreement", "said"),
    [
        (
            ["a"] * 9,
            "c",
            0.8,
            "Material 'c' has no run here yet: expectations start from 9 runs of a, as far as "
            "materials may be expected to agree (correlation 0.8); intervals stay wide until it "
            "has runs of its own.",
        ),
        (
            ["a", "b", "b", "c"],
            None,
            0.84,
            "Material 'c' has 1 run of its own; 3 runs of a, b also count, as far as they agree "
            "with its own (correlation 0.8).",
        ),
        (
            ["a", "b", "c", "c"],
            None,
            0.12,
            "Material 'c' has 2 runs of its own; 2 runs of a, b count little, since they hardly "
            "agree with its own (correlation 0.1).",
        ),
    ],
)
def test_a_plan_says_what_a_label_learned_from_others(labels, asked, agreement, said):
    assert of_other_labels(evidence(labels, asked), agreement) == [said]


@pytest.mark.parametrize("labels", [["c"] * 5, ["a", *["c"] * 40], [None] * 5])
def test_nothing_is_said_of_one_label_or_of_one_with_many_runs(labels):
    assert of_other_labels(evidence(labels), 0.8) == []


def test_a_material_that_varies_keeps_the_label_that_is_an_input():
    table = runs(["washed", "natural"] * 60).append_column("moisture", [[11.0, 12.0] * 60])
    site = Site.from_dict({"material": {"moisture": {"unit": "%", "low": 8.0, "high": 16.0}}})
    brief = Brief.from_dict({"material": {"moisture": {"low": 10, "high": 13}}})
    found = evidence_of(table, site, brief.check_names(site))
    assert not found.by_label
    assert found.today.shape == (3,)  # the moisture, and the two labels
    each = found.shift.today
    assert each.shape == (5, 3)
    assert np.array_equal(each[:, 1:], np.tile(found.today[1:], (5, 1)))
