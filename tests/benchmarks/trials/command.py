"""Command-line options and the report frame that all closed-loop benchmarks share."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

from tests.benchmarks.trials.campaigns import ROOT
from tests.benchmarks.trials.decks import ALL_FAMILIES, DEMANDS, EVERY_FAMILY, JUDGE_FROM
from tests.benchmarks.trials.judge_laws import JUDGE_LAWS

BUILD, REPORTS = ROOT / "build", ROOT / "reports"


class _Judge(argparse.Action):
    """``--judge`` sets the first seed to that of the judge's half of the decks."""

    def __init__(self, option_strings: list[str], dest: str, **more: object) -> None:
        super().__init__(option_strings, dest, nargs=0, help="the judge's half of the decks")

    def __call__(self, parser, namespace, values, option_string=None) -> None:
        namespace.first = JUDGE_FROM


class _Parser(argparse.ArgumentParser):
    """Refuses families for judging alone with seeds of the development half.

    Attributes:
        judged: families that a run with seeds of the judge's half has besides the default ones.
    """

    judged: Sequence[str] = ()

    def parse_args(self, args=None, namespace=None) -> argparse.Namespace:
        asked = super().parse_args(args, namespace)
        if asked.first >= JUDGE_FROM and asked.families == self.get_default("families"):
            asked.families = [*asked.families, *self.judged]
        alone = [f for f in asked.families if f in JUDGE_LAWS]
        if alone and asked.first < JUDGE_FROM:
            self.error(f"{', '.join(alone)}: for judging alone, say --judge")
        return asked


def parser(
    name: str,
    doc: str,
    decks: int = 4,
    families: Sequence[str] = ALL_FAMILIES,
    judged: Sequence[str] = (),
) -> argparse.ArgumentParser:
    """Options of a benchmark: decks, number of processes, and the files it keeps and writes.

    Args:
        name, doc: of the command.
        decks: default number of decks for each family and demand.
        families: default families; the others run only when the command names them.
        judged: families for judging alone that run besides those with seeds of the judge's half.
    """
    made = _Parser(
        prog=f"python -m tests.benchmarks.{name}",
        description=doc,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    made.judged = judged
    made.add_argument("--decks", type=int, default=decks, help="a family and demand")
    made.add_argument("--first", type=int, default=0, help="seed of the first deck")
    made.add_argument("--judge", action=_Judge)
    made.add_argument("--families", nargs="+", default=list(families), choices=EVERY_FAMILY)
    made.add_argument("--demands", nargs="+", default=["moderate"], choices=list(DEMANDS))
    made.add_argument("--workers", type=int, default=1, help="processes")
    made.add_argument("--cache", type=Path, default=BUILD / f"{name}.jsonl", help="rows kept")
    made.add_argument("--report", type=Path, default=REPORTS / f"{name}.md")
    return made


def command(asked: argparse.Namespace, name: str) -> str:
    """The command that reproduces the report."""
    words = [f"python -m tests.benchmarks.{name}"]
    words += ["--judge"] if asked.first == JUDGE_FROM else [f"--first {asked.first}"]
    words.append(f"--decks {asked.decks}")
    words.append("--demands " + " ".join(asked.demands))
    if list(asked.families) != list(ALL_FAMILIES):
        words.append("--families " + " ".join(asked.families))
    return " ".join(words)


def half(asked: argparse.Namespace) -> str:
    """The selected decks in words, for the report."""
    which = "judge's" if asked.first >= JUDGE_FROM else "development"
    return (
        f"{asked.decks} decks a family and demand, seeds from {asked.first} on: the {which} half."
    )


def report_file(asked: argparse.Namespace, name: str, title: str, doc: str, *parts: str) -> None:
    """Write a report: a module's docstring without its commands, then the parts."""
    paragraphs = [p for p in doc.strip().split("\n\n") if not p.startswith("    ")]
    how = "\n\n".join(paragraphs).replace("``", "`")
    text = [f"# {title}", f"`{command(asked, name)}`", half(asked), how, *parts]
    asked.report.parent.mkdir(parents=True, exist_ok=True)
    asked.report.write_text("\n\n".join(text) + "\n", encoding="utf-8")
    print("\n\n".join(parts))
    print(f"wrote {asked.report}", file=sys.stderr)
