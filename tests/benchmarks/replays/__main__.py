"""How many trials a method needs on published problems and on measured tables.

    pip install -e . && pip download --no-deps -d build/packages \\
        olymp==0.0.1b0 bocode==1.0.1 summit==0.8.4 process-improve==2.2.0
    python -m tests.benchmarks.replays --seeds 10          # ours, skopt, a surface, chance
    pip install -e '.[peers]'                              # and Optuna and BoTorch
    python -m tests.benchmarks.replays --seeds 10 --methods all --workers 2

Every method begins with the same eight runs and asks for one trial at a time, up to 30 runs in all;
the k-th run of a function has equal noise and the k-th look-up of a setting the same reading for
all methods. After fixed numbers of runs the settings that a method would run production at are
judged by the truth. Each finished campaign is kept in a file; a repeated command continues where it
was stopped. Writes reports/replays.md and its figures.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from tests.benchmarks.replays import experiments, functions, report
from tests.benchmarks.replays.campaigns import (
    PROBLEMS,
    Key,
    campaign,
    identity,
    problem,
)
from tests.benchmarks.replays.methods import LIGHT, METHODS, applies
from tests.benchmarks.replays.task import __doc__ as how_judged
from tests.benchmarks.trials.campaigns import Kept, each
from tests.benchmarks.trials.command import BUILD, REPORTS

KINDS = {"functions": functions.NAMES, "experiments": tuple(experiments.TABLES)}
NAME = "replays"


def arguments(words: list[str] | None = None) -> argparse.Namespace:
    """The parsed command line."""
    made = argparse.ArgumentParser(
        prog=f"python -m tests.benchmarks.{NAME}",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    made.add_argument("--seeds", type=int, default=4, help="campaigns a problem and method")
    made.add_argument("--first", type=int, default=0, help="the first seed")
    made.add_argument(
        "--problems", nargs="+", default=list(PROBLEMS), choices=[*PROBLEMS, *KINDS, "bundled"]
    )
    made.add_argument("--methods", nargs="+", default=list(LIGHT), choices=[*METHODS, "all"])
    made.add_argument("--workers", type=int, default=1, help="processes")
    made.add_argument("--cache", type=Path, default=BUILD / f"{NAME}.jsonl", help="rows kept")
    made.add_argument("--report", type=Path, default=REPORTS / f"{NAME}.md")
    asked = made.parse_args(words)
    if "all" in asked.methods:
        asked.methods = list(METHODS)
    groups = {**KINDS, "bundled": (*functions.NAMES, *experiments.BUNDLED)}
    wanted = {p for name in asked.problems for p in groups.get(name, (name,))}
    asked.problems = [p for p in PROBLEMS if p in wanted]
    return asked


def main(words: list[str] | None = None) -> int:
    """Run the campaigns that are not kept yet, then write the report."""
    asked = arguments(words)
    try:
        problems = {name: problem(name) for name in asked.problems}
    except experiments.MissingData as missing:
        print(f"{missing}\nWithout downloads: --problems bundled", file=sys.stderr)
        return 2
    # Seeds in the outer loop, so that an interrupted run has campaigns of every problem.
    keys = [
        Key(name, asked.first + k, method)
        for k in range(asked.seeds)
        for name in asked.problems
        for method in asked.methods
        if applies(method, problems[name])
    ]
    rows = each(campaign, keys, Kept(asked.cache), identity, asked.workers)
    write(rows, asked)
    return 0


def command(asked: argparse.Namespace) -> str:
    """The command that reproduces the report."""
    words = [f"python -m tests.benchmarks.{NAME}", f"--seeds {asked.seeds}"]
    words += [f"--first {asked.first}"] if asked.first else []
    if tuple(asked.problems) != PROBLEMS:
        words.append("--problems " + " ".join(asked.problems))
    words.append("--methods " + " ".join(asked.methods))
    return " ".join(words)


def prose(doc: str | None) -> str:
    """The docstring of a module without its first line and its commands."""
    paragraphs = (doc or "").strip().split("\n\n")[1:]
    return "\n\n".join(p for p in paragraphs if not p.startswith("    ")).replace("``", "`")


def write(rows: list[dict], asked: argparse.Namespace) -> None:
    """Write the report and its figures."""
    parts = [
        "# Trials needed on published problems and on measurements of others",
        f"`{command(asked)}`",
        prose(__doc__),
        "*ours* and *botorch* report what they would run now by their own model, tried or not, at "
        "90 % chance of the constraint, *surface* its polynomial's optimum, the others, *ours "
        "tried* and *botorch tried* the best reading. *surface* is left out where its polynomial "
        "has more terms than there are trials. No method is told which settings a table has, but "
        "for *botorch listed*, which picks trials and report from that list, and *ours listed*, "
        "which picks the report from it; for the rest the nearest setting is taken. Differences "
        "are of paired campaigns, with bootstrap 90 % intervals; below 0 ours is better.",
        prose(how_judged),
        "Ours plans for gravity tables: what is to be large is told to it as a recovery, what is "
        "to stay below 0 as a grade that has to reach one half, both by logistic maps with the "
        "middle and spread of the eight starts (`tests/benchmarks/replays/shares.py`). Peers get "
        "the readings as they are.",
    ]
    tables = {kind: report.gather(rows, kind) for kind in report.KINDS}
    ran = [k for k in KINDS if any(key[0] == k for key in tables["strict"])]
    for kind in ran:
        picture = asked.report.with_name(f"{asked.report.stem}-{kind}.svg")
        asked.report.parent.mkdir(parents=True, exist_ok=True)
        report.figure(tables["proportion"], kind, PROBLEMS, picture)
        parts += [f"## All {kind}", f"![regret]({picture.name})"]
        for way, title in (("proportion", "in proportion"), ("strict", "strict")):
            parts += [f"Mean regret, {title}:", report.summary(tables[way], kind, PROBLEMS)]
        for own, what in (
            ("ours tried", "its best reading, as most peers do"),
            ("ours listed", "the best of the table by its model, as *botorch listed* does"),
        ):
            if any((k, name) == (kind, own) for k, _, name in tables["strict"]):
                like = report.summary(tables["proportion"], kind, PROBLEMS, own=own)
                parts += [f"The same where ours reports {what}:", like]
        lost = report.losses(tables["proportion"], kind, PROBLEMS)
        if lost:
            parts += ["Where a peer is better (regret in proportion):", lost]
    sources = {"functions": functions.__doc__, "experiments": experiments.__doc__}
    for kind in ran:
        parts += [f"## Each of the {kind}", prose(sources[kind])]
        for name in [p for p in asked.problems if p in KINDS[kind]]:
            parts += one(tables, kind, name)
    parts += ["## Effort, one thread", report.effort(rows)]
    asked.report.write_text("\n\n".join(parts) + "\n", encoding="utf-8")
    print(f"wrote {asked.report}", file=sys.stderr)


def one(tables: dict[str, report.Table], kind: str, name: str) -> list[str]:
    """The sections of the report on one problem."""
    found = problem(name)
    share = f"{len(found.space.names)} settings"
    if isinstance(found, experiments.Experiment):
        readings = sum(map(len, found.readings))
        share += f", {len(found.settings)} combinations measured, {readings} readings"
    parts = [f"### {name}", f"{found.source}. {share}. Regret in proportion, median (quartiles):"]
    parts.append(report.medians(tables["proportion"], kind, name))
    compared = report.paired(tables["proportion"], kind, name)
    return [*parts, compared] if compared else parts


if __name__ == "__main__":
    sys.exit(main())
