"""Report of the replays: a table per problem, ours against each peer, and where a peer wins."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from tests.benchmarks.trials.report import (
    KINDS,
    LOOK,
    OURS,
    RESAMPLES,
    Gaps,
    Table,
    effort,
    gather,
)

__all__ = ["KINDS", "Table", "effort", "figure", "gather", "losses", "medians", "paired", "summary"]

MINE = (OURS, "ours tried", "ours listed")
LEVEL = 0.9
# Height of a row of the legend in inches.
LEGEND_WIDTH = 6.0
_LOOK = {
    OURS: LOOK[OURS],
    "ours tried": ("#000000", ":", 1.4),
    "ours listed": ("#000000", "-.", 1.4),
    **{n: look for n, look in LOOK.items() if n not in (OURS, "botorch S, C")},
    "botorch listed": LOOK["botorch S, C"],
}


def reports_of(table: Table, kind: str, problem: str) -> dict[str, Gaps]:
    """Regrets on one problem by the name of the report, in the order of the legend."""
    found = {n: g for (k, p, n), g in table.items() if (k, p) == (kind, problem)}
    return {n: found[n] for n in _LOOK if n in found}


def problems_of(table: Table, kind: str, order: Sequence[str]) -> list[str]:
    """The problems of a kind (functions, experiments) that have campaigns, in the given order."""
    found = {p for k, p, _ in table if k == kind}
    return [p for p in order if p in found]


def medians(table: Table, kind: str, problem: str) -> str:
    """Markdown table of median and quartiles of one problem, one row per report."""
    rows = reports_of(table, kind, problem)
    marks = next(iter(rows.values())).marks
    lines = [
        "| method | campaigns | " + " | ".join(f"{m} trials" for m in marks) + " |",
        "|---|---|" + "---|" * len(marks),
    ]
    for name, gaps in rows.items():
        low, middle, high = np.quantile(gaps.values, [0.25, 0.5, 0.75], axis=0)
        cells = [f"{m:.3f} ({a:.3f}–{b:.3f})" for a, m, b in zip(low, middle, high, strict=True)]
        lines.append(f"| {name} | {len(gaps.seeds)} | " + " | ".join(cells) + " |")
    return "\n".join(lines)


def differences(mine: Gaps, other: Gaps) -> np.ndarray:
    """Our regret minus that of another report on their common seeds, shape (n, m)."""
    shared = sorted(set(mine.seeds) & set(other.seeds))
    at, where = ({s: k for k, s in enumerate(g.seeds)} for g in (mine, other))
    return np.array([mine.values[at[s]] - other.values[where[s]] for s in shared])


def interval(
    groups: Sequence[np.ndarray], rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Mean of the groups' means, and the ends of its bootstrap interval; each (m,).

    Args:
        groups: paired differences of each problem, shapes (n, m); seeds are resampled within each.
        rng: random generator of the resampling.
    """
    middle = np.mean([g.mean(axis=0) for g in groups], axis=0)
    drawn = np.mean(
        [g[rng.integers(len(g), size=(RESAMPLES, len(g)))].mean(axis=1) for g in groups], axis=0
    )
    low, high = np.quantile(drawn, [(1 - LEVEL) / 2, (1 + LEVEL) / 2], axis=0)
    return middle, low, high


def paired(table: Table, kind: str, problem: str, seed: int = 0) -> str:
    """Markdown table of ours minus each peer on one problem; empty without ours or peers."""
    rows = reports_of(table, kind, problem)
    peers = [n for n in rows if n not in MINE]
    if OURS not in rows or not peers:
        return ""
    rng = np.random.default_rng(seed)
    lines = [
        "| ours minus | " + " | ".join(f"{m} trials" for m in rows[OURS].marks) + " |",
        "|---|" + "---|" * len(rows[OURS].marks),
    ]
    for peer in peers:
        found = differences(rows[OURS], rows[peer])
        if len(found):
            lines.append(f"| {peer} | " + " | ".join(_cells(*interval([found], rng))) + " |")
    return "\n".join(lines)


def _cells(middle: np.ndarray, low: np.ndarray, high: np.ndarray) -> list[str]:
    return [f"{m:+.3f} ({a:+.3f} to {b:+.3f})" for m, a, b in zip(middle, low, high, strict=True)]


def summary(table: Table, kind: str, order: Sequence[str], own: str = OURS, seed: int = 0) -> str:
    """Mean regret over all problems of a kind, and ours minus each peer over their common problems.

    Our side is the report ``own``: the settings that the model would run now, or the best reading,
    which most peers report.

    The last column counts problems at the last mark where ours is better, undecided or worse than
    the peer, by whether the 90 % interval of the paired difference excludes 0.
    """
    problems = problems_of(table, kind, order)
    by = {p: reports_of(table, kind, p) for p in problems}
    names = [n for n in _LOOK if any(n in rows for rows in by.values())]
    marks = next(iter(table.values())).marks
    rng = np.random.default_rng(seed)
    lines = [
        "| method | problems | "
        + " | ".join(f"{m} trials" for m in marks)
        + " | "
        + " | ".join(f"{own} minus it, {m} trials" for m in marks)
        + f" | {own} better, undecided, it better at {marks[-1]} |",
        "|---|---|" + "---|" * (2 * len(marks) + 1),
    ]
    for name in names:
        ran = [p for p in problems if name in by[p]]
        mean = np.mean([by[p][name].values.mean(axis=0) for p in ran], axis=0)
        groups = [differences(by[p][own], by[p][name]) for p in ran if own in by[p]]
        groups = [g for g in groups if len(g)]
        cells = [f"{m:.3f}" for m in mean]
        if name in MINE or not groups:
            cells += ["–"] * (len(marks) + 1)
        else:
            cells += _cells(*interval(groups, rng))
            ends = [interval([g], rng) for g in groups]
            better = sum(high[-1] < 0 for _, _, high in ends)
            worse = sum(low[-1] > 0 for _, low, _ in ends)
            cells.append(f"{better}, {len(ends) - better - worse}, {worse}")
        lines.append(f"| {name} | {len(ran)} | " + " | ".join(cells) + " |")
    return "\n".join(lines)


def losses(table: Table, kind: str, order: Sequence[str], seed: int = 0) -> str:
    """Problems where the 90 % interval shows a peer better than ours, one line each."""
    rng = np.random.default_rng(seed)
    lines, compared = [], False
    for problem in problems_of(table, kind, order):
        rows = reports_of(table, kind, problem)
        for peer in [n for n in rows if n not in MINE and OURS in rows]:
            found = differences(rows[OURS], rows[peer])
            if not len(found):
                continue
            compared = True
            middle, low, _ = interval([found], rng)
            marks = [
                f"{m} trials by {d:.3f}"
                for m, d, a in zip(rows[OURS].marks, middle, low, strict=True)
                if a > 0
            ]
            if marks:
                lines.append(f"- {problem}: *{peer}* wins at {', '.join(marks)}.")
    if not compared:
        return ""
    return "\n".join(lines) or "No peer is better than ours beyond its 90 % interval anywhere."


def figure(table: Table, kind: str, order: Sequence[str], path: Path) -> None:
    """Draw median regret against trials, one panel per problem, quartiles for ours and BoTorch."""
    import matplotlib

    matplotlib.use("Agg")
    matplotlib.rcParams["svg.hashsalt"] = "highside"
    from matplotlib import pyplot as plt

    problems = problems_of(table, kind, order)
    columns = min(4, len(problems))
    count = -(-len(problems) // columns)
    fig, grid = plt.subplots(
        count,
        columns,
        figsize=(max(3.0 * columns, LEGEND_WIDTH), 2.9 * count + 0.7),
        sharey=True,
        squeeze=False,
    )
    handles: dict[str, Any] = {}
    for panel, problem in zip(grid.flat, problems, strict=False):
        for name, gaps in reports_of(table, kind, problem).items():
            color, style, width = _LOOK[name]
            low, middle, high = np.quantile(gaps.values, [0.25, 0.5, 0.75], axis=0)
            line = panel.plot(gaps.marks, middle, style, color=color, linewidth=width, label=name)
            handles.setdefault(name, line[0])
            if name in (OURS, "botorch"):
                panel.fill_between(gaps.marks, low, high, color=color, alpha=0.12, linewidth=0)
            panel.set(xticks=list(gaps.marks))
        panel.set(title=problem, xlabel="trials")
        panel.set_yscale("symlog", linthresh=0.05)
        panel.set_ylim(0, 1.05)
        panel.set_yticks(
            [0, 0.025, 0.05, 0.1, 0.2, 0.5, 1.0], labels=["0", ".025", ".05", ".1", ".2", ".5", "1"]
        )
        panel.grid(alpha=0.25)
    for panel in grid.flat[len(problems) :]:
        panel.set_axis_off()
    for row in grid:
        row[0].set_ylabel("regret")
    fig.legend(
        handles.values(), handles, loc="lower center", ncols=min(len(handles), 5), frameon=False
    )
    fig.tight_layout(rect=(0, 0.55 / (2.9 * count + 0.7), 1, 1))
    fig.savefig(path, metadata={"Date": None})
    plt.close(fig)
