"""Report of the trials: medians, means, quartiles, and ratios to the best peer with intervals."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

KINDS = ("proportion", "strict")
OURS = "ours"
RESAMPLES = 4000
SHOWN = (12, 16, 20, 30)
"""Numbers of trials at which methods stand side by side."""
JUDGED_AT = 20
"""Number of trials by which the worst family is named, if campaigns reach it."""
PRIOR_AND_METHOD = (
    "What is prior and what is method: the simulated families and *outsider* have a bed, an "
    "exposure and a cut, and the model's coordinates, slopes and levels say so before any run. A "
    "lead over the peers there is knowledge of such decks and method together. BoTorch's *K* "
    "has the same coordinates, *N* the known noise of each reading, *N+* a scatter from run to run "
    "besides it, and *S, C* the feed's grade and the mass balance; none has the prior slopes and "
    "levels. The other families have neither bed, exposure nor cut: what is left there is method, "
    "less what a wrong prior costs."
)
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
    return family, _place(name)


def _place(name: str) -> int:
    """Position of a report among all."""
    names = list(LOOK)
    return names.index(name) if name in names else len(names)


def beside(table: Table, demand: str) -> str:
    """Markdown table of median (mean), one row per family and number of trials, one column per
    report."""
    rows = {k: g for k, g in table.items() if k[0] == demand}
    names = list(dict.fromkeys(name for _, _, name in sorted(rows, key=lambda k: _place(k[2]))))
    lines = [
        "| family | decks | trials | " + " | ".join(names) + " |",
        "|---|---|---|" + "---|" * len(names),
    ]
    for family in dict.fromkeys(family for _, family, _ in rows):
        own = {name: rows[demand, family, name] for name in names if (demand, family, name) in rows}
        decks = max(len(g.seeds) for g in own.values())
        marks = next(iter(own.values())).marks
        for mark in (m for m in SHOWN if m in marks):
            cells = []
            for name in names:
                v = own[name].values[:, marks.index(mark)] if name in own else np.empty(0)
                cells.append(f"{np.median(v):.3f} ({np.mean(v):.3f})" if len(v) else "")
            lines.append(f"| {family} | {decks} | {mark} | " + " | ".join(cells) + " |")
    return "\n".join(lines)


def best_peer(rows: dict[str, Gaps], mark: int, statistic: Any = np.median) -> str:
    """Name of the peer with the smallest median gap at the mark with this column index."""
    peers = {n: float(statistic(g.values[:, mark])) for n, g in rows.items() if n != OURS}
    return min(peers, key=lambda n: (peers[n], n))


@dataclass(frozen=True)
class Ratio:
    """Our gap divided by the best peer's, by one statistic over the decks that both have.

    Attributes:
        peer: name of the peer's report.
        ours, its: the statistic of the gaps.
        low, high: 95 % interval of the ratio.
    """

    peer: str
    ours: float
    its: float
    low: float
    high: float

    @property
    def value(self) -> float:
        """The ratio; infinite where the peer's gap is 0 and ours is not, and 1 where both are."""
        if self.its == 0.0:
            return 1.0 if self.ours == 0.0 else float("inf")
        return self.ours / self.its


def compared(
    rows: dict[str, Gaps], mark: int, statistic: Any = np.median, seed: int = 0
) -> Ratio | None:
    """Our gaps beside those of the best peer at the mark with this column index.

    The bootstrap resamples decks and keeps both methods' gaps of a deck together (percentile
    interval). The best peer has the smallest statistic there, which favors the peers. None where
    there is no peer, or no deck that all have.
    """
    shared = set.intersection(*(set(g.seeds) for g in rows.values()))
    if OURS not in rows or len(rows) < 2 or not shared:
        return None
    peer = best_peer(rows, mark, statistic)
    mine, other = (
        np.array([v[mark] for s, v in zip(g.seeds, g.values, strict=True) if s in shared])
        for g in (rows[OURS], rows[peer])
    )
    drawn = np.random.default_rng(seed).integers(len(mine), size=(RESAMPLES, len(mine)))
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = statistic(mine[drawn], axis=1) / statistic(other[drawn], axis=1)
    low, high = np.nanquantile(ratio, [0.025, 0.975]) if np.isfinite(ratio).any() else (0, np.inf)
    return Ratio(peer, float(statistic(mine)), float(statistic(other)), float(low), float(high))


def ratios(table: Table, demand: str) -> str:
    """Our median and mean gap divided by the best peer's, with paired 95 % intervals."""
    lines = [
        "| family | trials | best peer by median | ours | its | ratio of medians (95 %) "
        "| best peer by mean | ours | its | ratio of means (95 %) |",
        "|---|---|---|---|---|---|---|---|---|---|",
    ]
    for family, rows in _by_family(table, demand).items():
        marks = next(iter(rows.values())).marks
        for j, mark in enumerate(marks):
            cells = []
            for statistic in (np.median, np.mean):
                found = compared(rows, j, statistic)
                if found is not None:
                    cells += [found.peer, f"{found.ours:.3f}", f"{found.its:.3f}"]
                    cells.append(f"{found.value:.2f} ({found.low:.2f}–{found.high:.2f})")
            if cells:
                lines.append(f"| {family} | {mark} | " + " | ".join(cells) + " |")
    return "\n".join(lines)


def _by_family(table: Table, demand: str) -> dict[str, dict[str, Gaps]]:
    """Gaps of one demand by family and report, families in alphabetical order."""
    found: dict[str, dict[str, Gaps]] = {}
    for (level, family, name), gaps in sorted(table.items(), key=_order):
        if level == demand:
            found.setdefault(family, {})[name] = gaps
    return found


def worst(table: Table, demand: str) -> str:
    """Sentences that name the family with our largest mean gap, and that where we are furthest
    behind the best peer."""
    families = {f: rows for f, rows in _by_family(table, demand).items() if f != "all"}
    mine = {f: rows[OURS] for f, rows in families.items() if OURS in rows}
    if not mine:
        return ""
    marks = next(iter(mine.values())).marks
    at = marks.index(JUDGED_AT) if JUDGED_AT in marks else len(marks) - 1
    mean = {f: float(np.mean(g.values[:, at])) for f, g in mine.items()}
    widest = max(mean, key=lambda f: mean[f])
    text = f"Worst family at {marks[at]} trials by our mean gap: **{widest}**, {mean[widest]:.3f}."
    for statistic, name in ((np.median, "median"), (np.mean, "mean")):
        found = {f: r for f in mine if (r := compared(families[f], at, statistic)) is not None}
        if found:
            f = max(found, key=lambda f: found[f].value)
            r = found[f]
            text += (
                f" By the ratio of {name}s to the best peer: **{f}**, {r.value:.2f} "
                f"({r.low:.2f}–{r.high:.2f}) of {r.peer}."
            )
    return text


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
