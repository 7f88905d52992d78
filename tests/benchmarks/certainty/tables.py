"""The tables of the certainty benchmark, and the sentences that name the worst family."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from scipy.stats import binomtest

Rows = Sequence[dict[str, Any]]
LEVEL, RESAMPLES = 0.95, 4000
ALL = "all"


def share(k: int, n: int) -> str:
    """A share in per cent with the 95 % interval of Wilson (1927), J. Am. Stat. Assoc. 22, 209."""
    if n == 0:
        return "none"
    low, high = binomtest(k, n).proportion_ci(LEVEL, method="wilson")
    return f"{100 * k / n:.0f} % ({100 * low:.0f}–{100 * high:.0f})"


def says_sure(row: dict[str, Any]) -> bool:
    """Whether the chance of the grade said at the settings to run now reaches the confidence."""
    return row["chance"] is not None and row["chance"] >= row["confidence"]


def says_sure_and_even(row: dict[str, Any]) -> bool:
    """Whether that chance times the chance of an even deck reaches the confidence."""
    return says_sure(row) and row["chance"] * row["even"] >= row["confidence"]


def groups(rows: Rows, *names: str) -> dict[tuple[Any, ...], list[dict[str, Any]]]:
    """Rows by the values of some keys, in the order in which they come."""
    found: dict[tuple[Any, ...], list[dict[str, Any]]] = {}
    for row in rows:
        found.setdefault(tuple(row[name] for name in names), []).append(row)
    return found


def by_history(rows: Rows) -> dict[tuple[str, str], list[dict[str, Any]]]:
    """Rows by family and history; of each family over all histories; of all families likewise."""
    named = [{**row, "history": f"{row['kind']} {row['runs']}"} for row in rows]
    found: dict[tuple[str, str], list[dict[str, Any]]] = {}
    families = list(dict.fromkeys(row["family"] for row in rows))
    for family in [*families, ALL] if len(families) > 1 else families:
        own = [row for row in named if family in (ALL, row["family"])]
        histories = groups(own, "history")
        for (history,), some in histories.items():
            found[family, history] = some
        if len(histories) > 1:
            found[family, ALL] = own
    return found


def _table(heads: Sequence[str], lines: Sequence[Sequence[str]]) -> str:
    made = [heads, ["---"] * len(heads), *lines]
    return "\n".join("| " + " | ".join(line) + " |" for line in made)


def certainty(rows: Rows) -> str:
    """How many plans are sure, how many of these are right, and the gap, by family and history."""
    heads = ["family", "history", "plans", "say sure", "and even", "of the sure true (95 %)"]
    heads += ["said by the sure", "said by all", "true of all", "settings that meet it"]
    heads += ["strict gap: median", "mean", "in proportion: median", "mean"]
    lines = []
    for (family, history), own in by_history(rows).items():
        sure = [r for r in own if says_sure(r)]
        said = [r["chance"] or 0.0 for r in own]
        gaps = [np.array([r[kind] for r in own]) for kind in ("strict", "proportion")]
        lines.append(
            [
                *(family, history, str(len(own)), f"{100 * len(sure) / len(own):.0f} %"),
                f"{100 * np.mean([says_sure_and_even(r) for r in own]):.0f} %",
                share(sum(r["met"] for r in sure), len(sure)),
                f"{np.mean([r['chance'] for r in sure]):.3f}" if sure else "",
                f"{np.mean(said):.3f}",
                f"{np.mean([r['met'] for r in own]):.3f}",
                f"{100 * np.mean([r['meet'] for r in own]):.0f} %",
                *(f"{f(gap):.3f}" for gap in gaps for f in (np.median, np.mean)),
            ]
        )
    return _table(heads, lines)


def coverage(rows: Rows) -> str:
    """Coverage of the 90 % intervals on even decks, anywhere and near the settings to run now."""
    places = ("anywhere", "near")
    heads = ["family", "history"]
    heads += [f"{q} {place}" for place in places for q in ("grade", "recovery")]
    lines = []
    for (family, history), own in by_history(rows).items():
        cells = []
        for place in places:
            known = [r["cover"][place] for r in own if r["cover"].get(place)]
            for quantity in ("grade", "recovery"):
                values = 100 * np.array([k[quantity] for k in known])
                cells.append(
                    f"{values.mean():.0f} ({values.min():.0f}–{values.max():.0f})" if known else ""
                )
        lines.append([family, history, *cells])
    return _table(heads, lines)


def worst(rows: Rows) -> str:
    """Sentences that name the family whose sure plans are true least often, and the worst gap."""
    found = groups(rows, "family")
    sure = {family: [r for r in own if says_sure(r)] for (family,), own in found.items()}
    right = {f: float(np.mean([r["met"] for r in own])) for f, own in sure.items() if own}
    gap = {f: float(np.mean([r["proportion"] for r in own])) for (f,), own in found.items()}
    widest = max(gap, key=lambda f: gap[f])
    text = f"Worst family by the mean gap in proportion: **{widest}**, {gap[widest]:.3f}."
    if not right:
        return "No plan says sure. " + text
    least = min(right, key=lambda f: right[f])
    own = sure[least]
    said = float(np.mean([r["chance"] for r in own]))
    met = sum(r["met"] for r in own)
    return (
        f"Worst family by what sure plans come to: **{least}**, over all its histories {met} of "
        f"{len(own)} sure plans meet the grade, {share(met, len(own))}, where they say "
        f"{100 * said:.0f} % on average. {text}"
    )


def resampled(
    values: np.ndarray, statistic: Callable[..., np.ndarray], seed: int = 0
) -> tuple[float, float]:
    """Percentile interval, 95 %, of a statistic of values of shape (n,); rows are resampled."""
    rng = np.random.default_rng(seed)
    drawn = values[rng.integers(len(values), size=(RESAMPLES, len(values)))]
    low, high = np.quantile(statistic(drawn, axis=1), [0.5 - 0.5 * LEVEL, 0.5 + 0.5 * LEVEL])
    return float(low), float(high)


def wrong(rows: Rows) -> str:
    """The gap with wrong readings less that without, of the same histories, with intervals."""
    heads = ["family", "history", "pairs", "gap", "clean: median (mean)", "wrong: median (mean)"]
    heads += ["median of the differences (95 %)", "mean of the differences (95 %)"]
    heads += ["sure and true, clean", "wrong"]
    lines = []
    for (family, history), own in by_history(rows).items():
        for kind in ("strict", "proportion"):
            gaps = {k: np.array([r[k][kind] for r in own]) for k in ("clean", "wrong")}
            cells = [f"{np.median(g):.3f} ({np.mean(g):.3f})" for g in gaps.values()]
            change = gaps["wrong"] - gaps["clean"]
            for statistic in (np.median, np.mean):
                low, high = resampled(change, statistic)
                cells.append(f"{statistic(change):+.3f} ({low:+.3f} to {high:+.3f})")
            for name in ("clean", "wrong"):
                sure = [r[name] for r in own if says_sure(r[name])]
                cells.append(f"{sum(r['met'] for r in sure)} of {len(sure)}")
            lines.append([family, history, str(len(own)), kind, *cells])
    return _table(heads, lines)


def worst_wrong(rows: Rows) -> str:
    """A sentence that names the family that loses most by wrong readings."""
    lost = {
        family: float(np.mean([r["wrong"]["proportion"] - r["clean"]["proportion"] for r in own]))
        for (family,), own in groups(rows, "family").items()
    }
    family = max(lost, key=lambda f: lost[f])
    return f"Worst family by the mean difference in proportion: **{family}**, {lost[family]:+.3f}."


def repeats(rows: Rows) -> str:
    """Widths and coverage of both intervals at replicated set-points, by family."""
    heads = ["family", "set-points", "width, model: median", "repeats alone"]
    heads += ["model / repeats: median (quartiles)", "covered by the model (95 %)"]
    heads += ["by the repeats (95 %)"]
    found = groups(rows, "family")
    if len(found) > 1:
        found[(ALL,)] = list(rows)
    lines = []
    for (family,), own in found.items():
        points = [point for row in own for point in row["points"]]
        if not points:
            continue
        ends = {k: np.array([p[k] for p in points]) for k in ("model", "repeats")}
        true = np.array([p["true"] for p in points])
        width = {k: np.diff(v, axis=1)[:, 0] for k, v in ends.items()}
        inside = {k: (v[:, 0] <= true) & (true <= v[:, 1]) for k, v in ends.items()}
        low, middle, high = np.quantile(width["model"] / width["repeats"], [0.25, 0.5, 0.75])
        lines.append(
            [
                *(family, str(len(points))),
                *(f"{np.median(w):.4f}" for w in width.values()),
                f"{middle:.2f} ({low:.2f}–{high:.2f})",
                *(share(int(k.sum()), len(points)) for k in inside.values()),
            ]
        )
    return _table(heads, lines)
