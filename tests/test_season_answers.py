"""The answers of the demo season have not changed: moving code must move no figure."""

from __future__ import annotations

import copy
import json

from tests.season_answers import KEPT, answers, differences

# Processors differ in the rounding of sums, so figures are compared to six places.
TOLERANCE = 1e-5


def test_every_figure_of_the_season_is_unchanged(tmp_path):
    kept = json.loads(KEPT.read_text(encoding="utf-8"))
    found = json.loads(json.dumps(answers(tmp_path, with_report=False)))
    # The report takes as long as all else; ``python -m tests.season_answers`` checks its figures.
    kept = {name: kept[name] for name in kept if name not in ("report", "report.html", "sheet.csv")}
    assert list(differences(kept, found, TOLERANCE)) == []


def test_a_changed_figure_is_detected():
    kept = json.loads(KEPT.read_text(encoding="utf-8"))
    moved = copy.deepcopy(kept)
    moved["suggest"]["run_now"]["recovery"]["low"] += 1e-4
    moved["compare"].pop("basis")
    seen = list(differences(kept, moved, TOLERANCE))
    assert [text.partition(":")[0] for text in seen] == [
        "/compare/basis",
        "/suggest/run_now/recovery/low",
    ]
