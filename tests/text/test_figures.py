"""A figure has one format in every text for people: terminal, page and sentences of a plan."""

from __future__ import annotations

import pytest

from cli.show import comparison, plan, record
from optimizer.interval import Interval
from optimizer.planning.explanations import reason
from optimizer.planning.stopping import advise
from optimizer.service.pages.shared.rendering import ENVIRONMENT

CLOSE = 0.8996
"""A chance that falls short of 0.9; rounded to whole per cent it would read as if it did not."""
SHARE = {"mean": 0.95, "low": 0.94, "high": 0.96}
GOAL = {"maximise": "recovery", "min_grade": 0.9725, "confidence": 0.9}
NOW = {
    "settings": {"air": 40.0},
    "grade": SHARE,
    "recovery": SHARE,
    "chance_of_grade": CLOSE,
    "product_t_per_h": 2.0,
    "tried": True,
}
PLAN = {
    "line": "deck-1", "material": {}, "runs_used": 9, "set_points": 9, "history_version": 1,
    "goal": GOAL, "units": {"air": "turn"}, "run_now": NOW, "recommendations": [],
    "stopping": {"advice": "continue", "why": "more is to be found."}, "warnings": [],
}  # fmt: skip


def in_the_plan() -> str:
    return "\n".join(plan._run_now(NOW, {"air": "turn"}, GOAL))


def in_the_reply_to_a_result() -> str:
    return "\n".join(record._run_now(NOW, PLAN))


def on_the_page() -> str:
    return ENVIRONMENT.from_string("{{ chance | whole_percent }} %").render(chance=CLOSE)


def in_the_reason_for_a_trial() -> str:
    interval = Interval(0.95, 0.94, 0.96)
    return reason(interval, CLOSE, 0.9, Interval(0.9, 0.89, 0.91), True)


def in_the_advice_to_stop() -> str:
    return advise(0.001, 0.01, "fraction of recovery", True, 9, 5, (CLOSE,)).why


def in_the_comparison() -> str:
    return f"{comparison._chance(CLOSE)} %"


@pytest.mark.parametrize(
    "written",
    [
        in_the_plan,
        in_the_reply_to_a_result,
        on_the_page,
        in_the_reason_for_a_trial,
        in_the_advice_to_stop,
        in_the_comparison,
    ],
)
def test_a_chance_below_its_level_is_not_rounded_up_to_it(written):
    text = written()
    assert "89 %" in text
    assert "90 %" not in text.replace("90 % is asked for", "")


def test_a_required_grade_is_shown_with_all_its_digits():
    """Rounded to a tenth, 97.25 % would read 97.2 %, a grade that nobody required."""
    basis = {"basis": {**GOAL, "feed_rate": None, "material": {}}, "units": {}, "lines": []}
    page = ENVIRONMENT.from_string("{{ grade | exact_percent }} %").render(grade=0.9725)
    for text in (*comparison._basis(basis), in_the_reply_to_a_result(), page):
        assert "97.25 %" in text
