"""How many trials a method needs on decks whose laws share nothing with the model's beliefs.

    python -m tests.benchmarks.other_laws --first 1000

The same closed loop as the trials benchmark, on the families for development in
``trials.other_laws``: *ridge* has grade and recovery along a diagonal of settings that the model
does not pair; *cliff* is a plateau with a steep edge in a random direction; on *idle* one setting
does nothing and another acts against the usual direction. None has a bed, an exposure, a partition
curve of density or a logistic response. Gaps are those of the trials benchmark, of what a method
would run now. The grade is met where the true grade of those settings reaches the grade asked for.
"""

from __future__ import annotations

import argparse
import sys

import numpy as np

from tests.benchmarks.trials import report
from tests.benchmarks.trials.campaigns import MARKS, Kept, campaign, each, identity, keys_of
from tests.benchmarks.trials.command import parser, report_file
from tests.benchmarks.trials.methods import METHODS
from tests.benchmarks.trials.other_laws import OTHER_LAWS

SHOWN = (12, 20, 30)
TITLE = "Trials needed on decks of other laws"
CAUTION = (
    "This is a development measurement on few decks: medians and means move with the decks drawn, "
    "and no claim rests on them. The model believes in beds, exposures and logistic shares, and "
    "these decks have none, so our method is expected to be behind the others on them. Nothing has "
    "been tuned by these families."
)


def arguments(words: list[str] | None = None) -> argparse.Namespace:
    """The parsed command line."""
    made = parser("other_laws", __doc__ or "", families=tuple(OTHER_LAWS))
    made.add_argument(
        "--methods", nargs="+", default=["ours", "random", "skopt"], choices=list(METHODS)
    )
    return made.parse_args(words)


def main(words: list[str] | None = None) -> int:
    """Run what is not kept yet, deck by deck, then write the report."""
    asked = arguments(words)
    rows = each(campaign, keys_of(asked), Kept(asked.cache), identity, asked.workers)
    parts = [f"Methods: {', '.join(asked.methods)}.", CAUTION]
    for demand in asked.demands:
        for kind in report.KINDS:
            title = "strict gap" if kind == "strict" else "gap in proportion"
            parts += [
                f"## {demand.capitalize()} grade, {title}: median (mean)",
                gaps(rows, demand, kind),
            ]
        parts += [f"## {demand.capitalize()} grade: decks where it is met", met(rows, demand)]
    parts += ["## Effort, one thread", report.effort(rows)]
    report_file(asked, "other_laws", TITLE, __doc__ or "", *parts)
    return 0


def gaps(rows: list[dict], demand: str, kind: str) -> str:
    """Median and mean gap at each number of trials shown, by family and method."""
    lines = _head()
    table = report.together(report.gather(rows, kind))
    for (level, family, name), found in table.items():
        if level == demand:
            shown = found.values[:, [found.marks.index(mark) for mark in SHOWN]]
            cells = [f"{np.median(v):.3f} ({np.mean(v):.3f})" for v in shown.T]
            lines.append(_row(family, name, len(shown), cells))
    return "\n".join(lines)


def met(rows: list[dict], demand: str) -> str:
    """Number of decks whose settings to run now meet the true grade, by family and method."""
    lines = _head()
    columns = [MARKS.index(mark) for mark in SHOWN]
    found: dict[tuple[str, str], list[np.ndarray]] = {}
    for row in (r for r in rows if r["demand"] == demand):
        for name, strict in row["strict"].items():
            # A strict gap is the whole of the best where the grade is missed.
            reached = np.array(strict)[columns] < row["best"]
            for family in (row["family"], "all"):
                found.setdefault((family, name), []).append(reached)
    families = list(dict.fromkeys(family for family, _ in found if family != "all"))
    for family, name in sorted(found, key=lambda k: [*families, "all"].index(k[0])):
        reached = found[family, name]
        cells = [f"{n} of {len(reached)}" for n in np.sum(reached, axis=0)]
        lines.append(_row(family, name, len(reached), cells))
    return "\n".join(lines)


def _head() -> list[str]:
    return [
        "| family | method | decks | " + " | ".join(f"{m} trials" for m in SHOWN) + " |",
        "|---|---|---|" + "---|" * len(SHOWN),
    ]


def _row(family: str, name: str, decks: int, cells: list[str]) -> str:
    return f"| {family} | {name} | {decks} | " + " | ".join(cells) + " |"


if __name__ == "__main__":
    sys.exit(main())
