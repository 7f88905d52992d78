"""The report's pictures as figures: the same data as the page's, in colors that anyone sees."""

from __future__ import annotations

import io
import re

import numpy as np
import pytest
from matplotlib.figure import Figure

from optimizer.interop.figures import painted
from optimizer.presentation.page import pictures
from optimizer.text.words import ENGLISH
from tests.presentation.report_case import season_review

LISTS = ("effects", "profiles")
PLACEHOLDER = re.compile(r"#01[0-9a-f]{2}fe")


@pytest.fixture(scope="module")
def drawn():
    found = season_review()
    documents = found.plan.as_dict(), found.landscape.as_dict(), found.diagnosis_document()
    return pictures(*documents, None, ENGLISH, painted)


def flat(drawn):
    return [*(f for name, f in drawn.items() if name not in LISTS), *drawn["effects"]]


def test_every_picture_of_the_report_is_a_figure(drawn):
    assert set(drawn) == {"progress", "trade_off", "effects", "map", "calibration", "profiles"}
    assert all(isinstance(figure, Figure) and figure.axes for figure in flat(drawn))


def test_no_placeholder_of_a_color_is_left(drawn):
    for figure in flat(drawn):
        kept = io.StringIO()
        figure.savefig(kept, format="svg")
        assert not PLACEHOLDER.findall(kept.getvalue()), figure.get_label()


def test_new_ticks_have_the_colors_of_the_page_too(drawn):
    (axes,) = drawn["calibration"].axes
    axes.set_xlim(-50, 500)
    kept = io.StringIO()
    drawn["calibration"].savefig(kept, format="svg")
    assert not PLACEHOLDER.findall(kept.getvalue())


def test_axes_hold_the_numbers_of_the_plan(drawn):
    plan = season_review().plan
    logit = [np.log(v.mean / (1 - v.mean)) for v in (plan.run_now.grade, plan.run_now.recovery)]
    (axes,) = drawn["trade_off"].axes
    points = [line.get_xydata()[0] for line in axes.lines if len(line.get_xydata()) == 1]
    off = np.abs(np.array(points) - logit).max(axis=1)
    # Documents have six digits.
    assert off.min() < 1e-4
    assert axes.get_xlabel() == f"{ENGLISH['plots']['grade']} (%)"
