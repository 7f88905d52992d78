"""Whether plans are as sure as they say they are, and what wrong readings and repeats do to them.

    python -m tests.benchmarks.certainty --judge --decks 12 --workers 2
    python -m tests.benchmarks.certainty --judge --decks 12 --wrong
    python -m tests.benchmarks.certainty --judge --decks 12 --repeats

Histories of 10, 40, 80 and 300 runs spread over the region and of 60 runs around a habit (see
``calibration``) are planned on as a user would. A plan says *sure* where the chance of the grade
that it states at the settings to run now is at least its confidence, 90 %; *and even* where that
holds for this chance times the chance of an even deck. Then the truth: whether the true grade is
met there, the gap of these settings (see ``trials.task``), how many settings of the region that run
even meet the grade at all, and the share of true grades and recoveries inside their 90 % intervals
at unseen settings on even decks, anywhere and near the settings to run now.

With ``--wrong``: each history is planned on twice, as read and with one reading in twenty wrong (by
chance: 1.2 % for 98.8 %, two digits swapped, a factor of ten, grade and recovery swapped). Both
have the same runs and noise. Intervals of the differences are percentiles of resampled decks.

With ``--repeats``: among 60 runs, three set-points are run eight times each, every grade counted on
200 particles and every recovery weighed to 0.4 points. The 90 % interval of the recovery by the
model is compared with Student's of the eight readings alone.

The simulated families and *outsider* share bed, exposure and cut with the model's coordinates;
*ridge*, *cliff*, *idle* and the families for judging alone share nothing. A judge's run has all of
them, a run with seeds of the development half all but the last. Intervals of shares count plans as
independent; several histories of one deck, and set-points of one history, are not quite.
"""

from __future__ import annotations

import argparse
import sys
from types import ModuleType

from tests.benchmarks.calibration import Key
from tests.benchmarks.certainty import plans, repeats, tables, wrong
from tests.benchmarks.trials.campaigns import Kept, each
from tests.benchmarks.trials.command import REPORTS, parser, report_file
from tests.benchmarks.trials.decks import ALL_FAMILIES
from tests.benchmarks.trials.judge_laws import JUDGE_LAWS
from tests.benchmarks.trials.other_laws import OTHER_LAWS

NAME = "certainty"
DEVELOPED = (*ALL_FAMILIES, *OTHER_LAWS)
MODES: dict[str, ModuleType] = {"plans": plans, "wrong": wrong, "repeats": repeats}


def arguments(words: list[str] | None = None) -> argparse.Namespace:
    """The parsed command line."""
    made = parser(NAME, __doc__ or "", 4, DEVELOPED, tuple(JUDGE_LAWS))
    modes = made.add_mutually_exclusive_group()
    modes.add_argument(
        "--wrong", dest="mode", action="store_const", const="wrong", help="with wrong readings"
    )
    modes.add_argument(
        "--repeats", dest="mode", action="store_const", const="repeats", help="repeated set-points"
    )
    made.set_defaults(mode="plans", report=None)
    asked = made.parse_args(words)
    if asked.report is None:
        name = NAME if asked.mode == "plans" else f"{NAME}_{asked.mode}"
        asked.report = REPORTS / f"{name}.md"
    return asked


def main(words: list[str] | None = None) -> int:
    """Compute the rows that are not kept yet, deck by deck, then write the report."""
    asked = arguments(words)
    mode = MODES[asked.mode]
    keys = [
        Key(family, demand, asked.first + k, kind, runs)
        for k in range(asked.decks)
        for demand in asked.demands
        for family in asked.families
        for kind, runs in mode.CASES
    ]
    rows = each(mode.judged, keys, Kept(asked.cache), mode.identity, asked.workers)
    titles = {
        "plans": "How sure plans are, and how often they are right",
        "wrong": "What wrong readings cost",
        "repeats": "Repeated set-points",
    }
    name = NAME if asked.mode == "plans" else f"{NAME} --{asked.mode}"
    report_file(asked, name, titles[asked.mode], __doc__ or "", *parts(asked.mode, rows))
    return 0


def parts(mode: str, rows: tables.Rows) -> list[str]:
    """Headings, sentences and tables of a report."""
    if mode == "wrong":
        return ["## Gaps", tables.worst_wrong(rows), tables.wrong(rows)]
    if mode == "repeats":
        return ["## Intervals of the recovery", tables.repeats(rows)]
    covered = "## 90 % intervals: mean (least and most of a deck), per cent"
    return ["## Plans", tables.worst(rows), tables.certainty(rows), covered, tables.coverage(rows)]


if __name__ == "__main__":
    sys.exit(main())
