"""Report of the trials: medians with quartiles, and ratios to the best peer with intervals."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

KINDS = ("proportion", "strict")
OURS = "ours"
RESAMPLES = 4000
LOOK = {
    "ours": ("#000000", "-", 2.2),
    "random": ("#999999", ":", 1.2),
    "surface": ("#999999", "--", 1.2),
    "skopt": ("#cc7711", "-", 1.2),
    "optuna": ("#2277bb", "-", 1.2),
    "botorch tried": ("#117744", ":", 1.2),
    "botorch": ("#117744", "--", 1.2),
    "botorch S, C": ("#117744", "-", 1.2),
    "botorch N": ("#8844aa", ":", 1.2),
    "botorch N, K": ("#8844aa", "--", 1.2),
    "botorch N, K, S, C": ("#8844aa", "-.", 1.2),
    "botorch N+, K, S, C": ("#8844aa", "-", 1.2),
}


@dataclass(frozen=True)
class Gaps:
    """Gaps of one report on one family at one demand.

    Attributes:
        seeds: seeds of the decks, shape (n,).
        marks: numbers of trials, shape (m,).
        values: gaps, shape (n, m).
    """

    seeds: tuple[int, ...]
    marks: tuple[int, ...]
    values: np.ndarray


Table = dict[tuple[str, str, str], Gaps]


def gather(rows: Sequence[dict[str, Any]], kind: str) -> Table:
    """Gaps of the kept rows by demand, family and report; decks in order of their seeds."""
    found: dict[tuple[str, str, str], dict[int, list[float]]] = {}
    marks: tuple[int, ...] = ()
    for row in rows:
        marks = tuple(row["marks"])
        for name, gaps in row[kind].items():
            found.setdefault((row["demand"], row["family"], name), {})[row["seed"]] = gaps
    return {
        key: Gaps(tuple(sorted(by)), marks, np.array([by[s] for s in sorted(by)]))
        for key, by in found.items()
    }


def medians(table: Table, demand: str) -> str:
    """Markdown table of median and quartiles, one row per family and report."""
    rows = {k: g for k, g in table.items() if k[0] == demand}
    marks = next(iter(rows.values())).marks
    lines = [
        "| family | method | decks | " + " | ".join(f"{m} trials" for m in marks) + " |",
        "|---|---|---|" + "---|" * len(marks),
    ]
    for (_, family, name), gaps in sorted(rows.items(), key=_order):
        low, middle, high = np.quantile(gaps.values, [0.25, 0.5, 0.75], axis=0)
        cells = [f"{m:.3f} ({a:.3f}–{b:.3f})" for a, m, b in zip(low, middle, high, strict=True)]
        lines.append(f"| {family} | {name} | {len(gaps.seeds)} | " + " | ".join(cells) + " |")
    return "\n".join(lines)


def together(table: Table) -> Table:
    """The table with an additional family *all*, which holds the decks of all families."""
    found = dict(table)
    for demand, name in dict.fromkeys((d, n) for d, _, n in table):
        own = [g for (d, _, n), g in table.items() if (d, n) == (demand, name)]
        seeds = tuple(s for g in own for s in g.seeds)
        found[demand, "all", name] = Gaps(seeds, own[0].marks, np.vstack([g.values for g in own]))
    return found


def misses(rows: Sequence[dict[str, Any]], demand: str) -> str:
    """Markdown table of the share of decks whose report misses the true grade or is empty."""
    rows = [r for r in rows if r["demand"] == demand]
    marks = rows[0]["marks"]
    lines = [
        "| method | decks | " + " | ".join(f"{m} trials" for m in marks) + " |",
        "|---|---|" + "---|" * len(marks),
    ]
    for name in dict.fromkeys(n for r in rows for n in r["strict"]):
        # Where the grade is missed the strict gap equals the best attainable recovery.
        lost = [np.array(r["strict"][name]) >= r["best"] for r in rows if name in r["strict"]]
        cells = [f"{100 * share:.0f} %" for share in np.mean(lost, axis=0)]
        lines.append(f"| {name} | {len(lost)} | " + " | ".join(cells) + " |")
    return "\n".join(lines)


def _order(item: tuple[tuple[str, str, str], Gaps]) -> tuple[str, int]:
    _, family, name = item[0]
    names = list(LOOK)
    return family, names.index(name) if name in names else len(names)


def best_peer(rows: dict[str, Gaps], mark: int) -> str:
    """Name of the peer with the smallest median gap at the mark with this column index."""
    peers = {n: float(np.median(g.values[:, mark])) for n, g in rows.items() if n != OURS}
    return min(peers, key=lambda n: (peers[n], n))


def ratios(table: Table, demand: str, seed: int = 0) -> str:
    """Our median gap divided by the best peer's, and the paired difference, with 90 % intervals.

    The bootstrap resamples decks and keeps both methods' gaps of a deck together (percentile
    intervals). The best peer of each column has the smallest median there, which favors the peers.
    """
    rng = np.random.default_rng(seed)
    lines = [
        "| family | trials | best peer | ours | its | ratio (90 %) | mean of ours - its (90 %) |",
        "|---|---|---|---|---|---|---|",
    ]
    families = sorted({f for d, f, _ in table if d == demand})
    for family in families:
        rows = {n: g for (d, f, n), g in table.items() if (d, f) == (demand, family)}
        shared = set.intersection(*(set(g.seeds) for g in rows.values()))
        if OURS not in rows or len(rows) < 2 or not shared:
            continue
        for j, mark in enumerate(rows[OURS].marks):
            peer = best_peer(rows, j)
            mine, other = (
                np.array([v[j] for s, v in zip(g.seeds, g.values, strict=True) if s in shared])
                for g in (rows[OURS], rows[peer])
            )
            drawn = rng.integers(len(mine), size=(RESAMPLES, len(mine)))
            with np.errstate(divide="ignore", invalid="ignore"):
                ratio = np.median(mine[drawn], 1) / np.median(other[drawn], 1)
                middle = np.median(mine) / np.median(other)
            low, high = np.nanquantile(ratio, [0.05, 0.95])
            difference = mine - other
            d_low, d_high = np.quantile(difference[drawn].mean(1), [0.05, 0.95])
            lines.append(
                f"| {family} | {mark} | {peer} | {np.median(mine):.3f} | {np.median(other):.3f} "
                f"| {middle:.2f} ({low:.2f}–{high:.2f}) "
                f"| {difference.mean():+.3f} ({d_low:+.3f} to {d_high:+.3f}) |"
            )
    return "\n".join(lines)


def effort(rows: Sequence[dict[str, Any]]) -> str:
    """Markdown table of seconds per campaign, slowest suggestion and failed runs, by method."""
    lines = [
        "| method | seconds a campaign | slowest suggestion, s | failed runs |",
        "|---|---|---|---|",
    ]
    for method in dict.fromkeys(r["method"] for r in rows):
        own = [r for r in rows if r["method"] == method]
        seconds, slowest, failed = (
            np.median([r[k] for r in own]) for k in ("seconds", "slowest", "failed")
        )
        lines.append(f"| {method} | {seconds:.1f} | {slowest:.2f} | {failed:.0f} |")
    return "\n".join(lines)


def figure(table: Table, demand: str, kind: str, path: Path) -> None:
    """Draw the median gap with quartiles against trials, one panel per family."""
    import matplotlib

    matplotlib.use("Agg")
    matplotlib.rcParams["svg.hashsalt"] = "highside"
    from matplotlib import pyplot as plt

    families = sorted({f for d, f, _ in table if d == demand})
    fig, panels = plt.subplots(
        1, len(families), figsize=(3.4 * len(families), 3.6), sharey=True, squeeze=False
    )
    for panel, family in zip(panels[0], families, strict=True):
        rows = {k: g for k, g in table.items() if k[:2] == (demand, family)}
        for (_, _, name), gaps in sorted(rows.items(), key=_order):
            color, style, width = LOOK.get(name, ("#aa3366", "-", 1.2))
            low, middle, high = np.quantile(gaps.values, [0.25, 0.5, 0.75], axis=0)
            panel.plot(gaps.marks, middle, style, color=color, linewidth=width, label=name)
            if name in (OURS, "botorch"):
                panel.fill_between(gaps.marks, low, high, color=color, alpha=0.12, linewidth=0)
        panel.set(title=family, xlabel="trials", xticks=list(gaps.marks))
        panel.set_yscale("symlog", linthresh=0.05)
        panel.set_ylim(0, 1.05)
        panel.set_yticks(
            [0, 0.025, 0.05, 0.1, 0.2, 0.5, 1.0], labels=["0", ".025", ".05", ".1", ".2", ".5", "1"]
        )
        panel.grid(alpha=0.25)
    panels[0][0].set_ylabel(f"gap ({'strict' if kind == 'strict' else 'in proportion'})")
    handles, labels = panels[0][0].get_legend_handles_labels()
    fig.legend(handles, labels, loc="lower center", ncols=len(labels), frameon=False)
    fig.tight_layout(rect=(0, 0.08, 1, 1))
    fig.savefig(path, metadata={"Date": None})
    plt.close(fig)
