"""How many trials a method needs on simulated decks, with equal starts and noise.

    pip install -e .                               # ours, skopt, a response surface, chance
    pip install -e '.[peers]'                # and Optuna and BoTorch, see DEVELOPERS.md
    python -m tests.benchmarks.trials --decks 8 --workers 2
    python -m tests.benchmarks.trials --judge --decks 24 --methods all --workers 2

Every method starts on a deck from the same spread runs and then requests one trial at a time. A
trial is read with the noise of the deck, which is equal for the k-th run of every method. After
fixed numbers of trials the settings that a method would run production at are judged by the truth.
Each finished campaign is kept in a file; a repeated command continues where it was stopped. Writes
reports/trials.md and its figures.
"""

from __future__ import annotations

import argparse
import sys

from tests.benchmarks.trials import report
from tests.benchmarks.trials.campaigns import Kept, campaign, each, identity, keys_of
from tests.benchmarks.trials.command import command, half, parser
from tests.benchmarks.trials.decks import DEMANDS
from tests.benchmarks.trials.methods import LIGHT, METHODS
from tests.benchmarks.trials.task import STARTS
from tests.benchmarks.trials.task import __doc__ as how_judged


def arguments(words: list[str] | None = None) -> argparse.Namespace:
    """The parsed command line."""
    made = parser("trials", __doc__ or "", decks=8)
    made.add_argument("--methods", nargs="+", default=list(LIGHT), choices=[*METHODS, "all"])
    made.set_defaults(demands=list(DEMANDS))
    asked = made.parse_args(words)
    if "all" in asked.methods:
        asked.methods = list(METHODS)
    return asked


def main(words: list[str] | None = None) -> int:
    """Run the campaigns that are not kept yet, then write the report."""
    asked = arguments(words)
    rows = each(campaign, keys_of(asked), Kept(asked.cache), identity, asked.workers)
    write(rows, asked)
    return 0


def write(rows: list[dict], asked: argparse.Namespace) -> None:
    """Write the report and its figures."""
    parts = [
        "# Trials needed on simulated decks",
        f"`{command(asked, 'trials')} --methods {' '.join(asked.methods)}`",
        f"{half(asked)} "
        f"Every campaign starts from the same {STARTS} spread runs, of which some fail; *ours* "
        "and *botorch* in all variants report what they would run now, tried or not, at 90 % "
        "chance of the grade, *surface* its polynomial's optimum, the others their best reading. "
        "*S, C* are sharpness and balance. *outsider* shares no code and no formula with the "
        "simulation the others are from, but their causes: a hump of the air that moves with the "
        "bed, an exposure, a cut set by tilt against speed, an S-shaped partition curve, and beds "
        "that fail by their depth and air.",
        report.PRIOR_AND_METHOD,
        (how_judged or "").split("\n\n", 1)[1].strip(),
        "Demand: the share of settings that reach the grade on an even deck, "
        + ", ".join(f"{name} {100 * share:g} %" for name, share in DEMANDS.items())
        + ".",
    ]
    for demand in asked.demands:
        for kind in report.KINDS:
            table = report.gather(rows, kind)
            picture = asked.report.with_name(f"{asked.report.stem}-{demand}-{kind}.svg")
            report.figure(table, demand, kind, picture)
            table = report.together(table)
            title = "strict gap" if kind == "strict" else "gap in proportion"
            parts += [
                f"## {demand.capitalize()} grade, {title}: median (mean)",
                report.worst(table, demand),
                report.beside(table, demand),
            ]
            compared = report.ratios(table, demand)
            if compared.count("\n") > 1:
                parts += [
                    "Against the best peer at each mark (goal: a ratio of at most 0.5):",
                    compared,
                ]
            parts += [
                f"### Median (quartiles), {title}",
                f"![{title}]({picture.name})",
                report.medians(table, demand),
            ]
        parts += [
            f"## {demand.capitalize()} grade: decks where the true grade is missed",
            report.misses(rows, demand),
        ]
    parts += ["## Effort, one thread", report.effort(rows)]
    asked.report.write_text("\n\n".join(parts) + "\n", encoding="utf-8")
    print(f"wrote {asked.report}", file=sys.stderr)


if __name__ == "__main__":
    sys.exit(main())
