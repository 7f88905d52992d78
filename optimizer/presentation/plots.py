"""The plots of the report. Each function draws an SVG from documents; none computes a result.

No meaning is shown by color alone: the settings to run now are a ring, trials are marked with their
rank, and lines are labeled with their names.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from optimizer.presentation.svg import COLOR, drawing, inline, quiet
from optimizer.text.figures import exact_percent, level
from optimizer.text.words import Words

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

Doc = Mapping[str, Any]
Finish = Callable[[Figure, str, str, Words], Any]
"""What becomes of a drawn figure, given its name, its description and the words: ``inline`` makes
it an SVG element of the page."""
# Least number of runs behind a dot, and the size of such a dot.
SIZES = ((1, 2.2), (3, 3.2), (10, 4.4))
TICKS = (
    10, 20, 30, 40, 50, 60, 70, 80, 85, 90, 92, 94, 95, 96, 97, 98, 98.5, 99, 99.3, 99.5, 99.7, 99.9
)  # fmt: skip
LEAST, MOST = 0.02, 0.9995
MOST_TICKS = 7
BANDS = (0.25, 0.5, 0.75)
RING: Any = {"marker": "o", "ms": 11, "mfc": "none", "mew": 2.0}


def _stretch(fractions: Any) -> Floats:
    """Converts fractions to logits, a scale that spreads values near 1."""
    clipped = np.clip(np.asarray(fractions, dtype=float), LEAST, MOST)
    return np.log(clipped / (1.0 - clipped))


def _percent_axis(axis: Any, low: float, high: float) -> None:
    """Puts ticks in per cent on an axis of logits from ``low`` to ``high``."""
    inside = [t for t in TICKS if low <= _stretch(t / 100.0) <= high]
    while len(inside) > MOST_TICKS:
        gaps = np.diff(_stretch(np.array(inside) / 100.0))
        inside.pop(1 + int(np.argmin(gaps[1:-1] + gaps[:-2])) if len(inside) > 3 else 1)
    axis.set_ticks(_stretch(np.array(inside) / 100.0), [level(t) for t in inside])


def _dots(axes: Axes, x: Floats, y: Floats, count: Sequence[int]) -> None:
    """Draws set-points as dots; the more runs a set-point has, the larger is its dot."""
    count_ = np.asarray(count)
    edges = [least for least, _ in SIZES] + [np.inf]
    for (least, size), most in zip(SIZES, edges[1:], strict=True):
        here = (count_ >= least) & (count_ < most)
        axes.plot(x[here], y[here], "o", ms=size, color=COLOR["muted"], alpha=0.45, mew=0)


def _mark(axes: Axes, x: float, y: float, text: str) -> None:
    """Draws a trial as a disc with its rank."""
    axes.plot([x], [y], "o", ms=12, color=COLOR["ink"], mec=COLOR["paper"], mew=1.2, zorder=6)
    axes.text(
        x, y, text, color=COLOR["paper"], ha="center", va="center_baseline", zorder=7, size=8.5,
        weight="bold",
    )  # fmt: skip


def trade_off(plan: Doc, land: Doc, words: Words, finish: Finish = inline) -> Any:
    """Recovery against grade: the set-points, the trade-off curve with its band, the settings to
    run now and the trials."""
    say = words["plots"]
    with drawing(4.6, 4.0) as figure:
        axes = figure.add_subplot()
        points, curve = land["points"], sorted(land["trade_off"], key=lambda c: c["grade"]["mean"])
        x, y = _stretch(points["grade"]), _stretch(points["recovery"])
        _dots(axes, x, y, points["count"])
        cx = _stretch([c["grade"]["mean"] for c in curve])
        low, mid, high = (
            _stretch([c["recovery"][k] for c in curve]) for k in ("low", "mean", "high")
        )
        axes.fill_between(cx, low, high, color=COLOR["recovery"], alpha=0.2, lw=0)
        axes.plot(cx, mid, color=COLOR["recovery"], lw=2.2)
        asked = plan["goal"]["min_grade"]
        goal = float(cx.max() if asked is None else _stretch(asked))
        for trial in plan["recommendations"]:
            _cross(axes, trial, COLOR["ink"], 0.8)
        for trial in reversed(plan["recommendations"]):
            _mark(axes, *_center(trial), str(trial["rank"]))
        now = plan["run_now"]
        _cross(axes, now, COLOR["ink"], 1.6)
        axes.plot(*_center(now), color=COLOR["ink"], zorder=8, **RING)
        here_x, here_y = _center(now)  # the curve may be empty, if no settings are sure enough
        low_x, high_x = min(*x, *cx, here_x), max(*x, *cx, here_x, goal)
        low_y, high_y = min(*y, here_y), max(*y, *high, here_y)
        axes.set_xlim(low_x - 0.15, high_x + 0.2)
        axes.set_ylim(low_y - 0.15, high_y + 0.3)
        _percent_axis(axes.xaxis, *axes.get_xlim())
        _percent_axis(axes.yaxis, *axes.get_ylim())
        if asked is not None:
            axes.axvline(goal, color=COLOR["grade"], lw=1.4, ls=(0, (5, 3)))
            axes.annotate(
                say["asked"].format(grade=words.figure(100 * asked)),
                (goal, low_y - 0.1), xytext=(-4, 0), textcoords="offset points", rotation=90,
                ha="right", va="bottom", color=COLOR["grade"],
            )  # fmt: skip
        axes.annotate(
            say["run_now"], _center(now), xytext=(9, 9), textcoords="offset points", weight="bold",
            zorder=9,
        )  # fmt: skip
        axes.set_xlabel(f"{say['grade']} (%)")
        axes.set_ylabel(f"{say['recovery']} (%)")
        quiet(axes)
        return finish(figure, "trade-off", say["alt_trade_off"], words)


def _center(entry: Doc) -> tuple[float, float]:
    """Mean grade and mean recovery of an entry as logits."""
    return float(_stretch(entry["grade"]["mean"])), float(_stretch(entry["recovery"]["mean"]))


def _cross(axes: Axes, entry: Doc, color: str, width: float) -> None:
    """Draws the 90 % intervals of grade and recovery as a cross."""
    x, y = _center(entry)
    for quantity, flat in (("grade", True), ("recovery", False)):
        ends = _stretch([entry[quantity]["low"], entry[quantity]["high"]])
        xs, ys = (ends, [y, y]) if flat else ([x, x], ends)
        axes.plot(xs, ys, color=color, lw=width, alpha=0.8, zorder=5)


def effect(entry: Doc, plan: Doc, land: Doc, words: Words, finish: Finish = inline) -> Any:
    """Grade and recovery as functions of one setting, with 90 % bands and the runs' readings."""
    say, name = words["plots"], entry["setting"]
    label = words.level_of(name) if f"{name}_1" in plan["units"] else words.setting(name)
    with drawing(3.5, 3.9) as figure:
        both = figure.subplots(2, 1, sharex=True)
        x = np.array(entry["levels"])
        for axes, quantity in zip(both, ("grade", "recovery"), strict=True):
            band = {k: 100 * np.array(v) for k, v in entry[quantity].items()}
            read = 100 * np.array(entry["readings"][quantity])
            _dots(axes, np.array(entry["readings"]["level"]), read, land["points"]["count"])
            axes.fill_between(x, band["low"], band["high"], color=COLOR[quantity], alpha=0.22, lw=0)
            axes.plot(x, band["mean"], color=COLOR[quantity], lw=2)
            for edge in (entry["low"], entry["high"]):
                axes.axvline(edge, color=COLOR["muted"], lw=0.9, ls=(0, (2, 2)))
            k = int(np.argmin(np.abs(x - entry["now"])))
            axes.plot([entry["now"]], [band["mean"][k]], color=COLOR["ink"], zorder=6, **RING)
            inside = (x >= entry["low"]) & (x <= entry["high"])
            low, high = band["low"][inside].min(), band["high"][inside].max()
            if len(read):
                low, high = min(low, np.quantile(read, 0.01)), max(high, np.quantile(read, 0.99))
            axes.set_ylim(max(low - 0.06 * (high - low), 0), min(high + 0.06 * (high - low), 100.2))
            axes.set_ylabel(f"{say[quantity]} (%)")
            quiet(axes)
        if plan["goal"]["min_grade"] is not None:
            both[0].axhline(
                100 * plan["goal"]["min_grade"], color=COLOR["grade"], lw=1.2, ls=(0, (5, 3))
            )
        both[1].set_xlabel(f"{label} ({words.unit(entry['unit'])})")
        figure.align_ylabels(both)
        return finish(
            figure, f"effect-{entry['setting'].replace('_', '-')}",
            say["alt_effect"].format(name=label), words,
        )  # fmt: skip


def profile(
    whole: str, gates: Sequence[str], plan: Doc, land: Doc, words: Words, finish: Finish = inline
) -> Any:
    """The values of the gates of a setting along the deck: today's limits, the set-points, the
    settings to run now and the trials."""
    say, label = words["plots"], words.setting(whole)
    limits = {s["name"]: (s["low"], s["high"]) for s in land["today"]["settings"]}
    at = np.arange(1, len(gates) + 1)
    with drawing(4.6, 3.6) as figure:
        axes = figure.add_subplot()
        low, high = np.array([limits[gate] for gate in gates]).T
        axes.bar(at, high - low, 0.7, low, color=COLOR["rule"], zorder=1)
        for k, gate in zip(at, gates, strict=True):
            values = np.array(land["points"][gate])
            _dots(axes, np.full(len(values), float(k)), values, land["points"]["count"])
        for number, trial in reversed(list(enumerate(plan["recommendations"]))):
            values = np.array([trial["settings"][gate] for gate in gates])
            axes.plot(at, values, color=COLOR["ink"], lw=0.8, alpha=0.8, zorder=5)
            # Each trial has its mark at another gate, as marks would hide each other.
            place = number % len(gates)
            _mark(axes, at[place], values[place], str(trial["rank"]))
        if plan["run_now"]:
            now = np.array([plan["run_now"]["settings"][gate] for gate in gates])
            axes.plot(at, now, color=COLOR["ink"], lw=2.2, zorder=8, **RING)
            axes.annotate(
                say["run_now"], (at[-1], now[-1]), xytext=(9, 7), textcoords="offset points",
                weight="bold", zorder=9,
            )  # fmt: skip
        axes.set_xticks(at, [str(k) for k in at])
        axes.set_xlim(0.4, len(gates) + 0.9)
        axes.set_xlabel(words.fill(say["along"]))
        axes.set_ylabel(f"{label} ({words.unit(plan['units'][gates[0]])})")
        quiet(axes)
        axes.grid(visible=False, axis="x")
        return finish(figure, "profile", say["alt_profile"].format(name=label), words)


def interaction(plan: Doc, land: Doc, words: Words, finish: Finish = inline) -> Any:
    """Chance of the grade over two settings, with lines of equal recovery and today's limits."""
    grid, say = land["map"], words["plots"]
    with drawing(4.6, 4.1) as figure:
        axes = figure.add_subplot()
        x, y = np.array(grid["x_levels"]), np.array(grid["y_levels"])
        chance = np.array(grid["chance_of_grade"])
        edges = chance_bands(plan["goal"]["confidence"])
        axes.contourf(
            x, y, chance, levels=[-0.01, *edges, 1.01], colors=[COLOR[f"b{k}"] for k in range(5)]
        )
        _lines(axes, x, y, chance, edges, "solid", 1.1, lambda v: f"{exact_percent(v)} %")
        recovery = 100 * np.array(grid["recovery"])
        span = recovery.max() - recovery.min()
        step = next(s for s in (1, 2, 5, 10, 20) if span / s <= 9)
        shown = np.arange(np.ceil(recovery.min() / step) * step, recovery.max(), step)
        _lines(axes, x, y, recovery, list(shown), "dotted", 1.0, lambda v: f"{v:g}")
        low, high = ({s["name"]: s[k] for s in land["today"]["settings"]} for k in ("low", "high"))
        i, j = grid["x"], grid["y"]
        axes.add_patch(
            Rectangle(
                (low[i], low[j]), high[i] - low[i], high[j] - low[j], fill=False,
                ec=COLOR["ink"], lw=1.3, ls=(0, (6, 3)),
            )
        )  # fmt: skip
        axes.plot(
            land["points"][i], land["points"][j], "o", ms=2, color=COLOR["ink"], alpha=0.35, mew=0
        )
        for trial in reversed(plan["recommendations"]):
            _mark(axes, trial["settings"][i], trial["settings"][j], str(trial["rank"]))
        now = plan["run_now"]["settings"]
        axes.plot(now[i], now[j], color=COLOR["ink"], zorder=8, **RING)
        axes.annotate(
            say["run_now"], (now[i], now[j]), xytext=(9, 7), textcoords="offset points",
            weight="bold", zorder=9,
            bbox={"boxstyle": "round,pad=0.15", "fc": COLOR["paper"], "ec": "none", "alpha": 0.8},
        )  # fmt: skip
        axes.set_xlim(x.min(), x.max())
        axes.set_ylim(y.min(), y.max())
        axes.set_xlabel(f"{words.setting(i)} ({words.unit(plan['units'][i])})")
        axes.set_ylabel(f"{words.setting(j)} ({words.unit(plan['units'][j])})")
        axes.tick_params(length=2.5)
        return finish(figure, "map", say["alt_map"], words)


def chance_bands(confidence: float) -> list[float]:
    """Edges between the bands of chance; the last edge is the required confidence."""
    return [*(b for b in BANDS if b < confidence - 0.02), confidence][-4:]


def _lines(
    axes: Axes, x: Floats, y: Floats, z: Floats, levels: Sequence[float], style: Any, width: float,
    form: Any,
) -> None:  # fmt: skip
    """Draws contour lines with their values; levels that the surface does not cross are left
    out."""
    inside = [v for v in levels if z.min() < v < z.max()]
    if not inside:
        return
    lines = axes.contour(x, y, z, levels=inside, colors=COLOR["ink"], linewidths=width)
    lines.set_linestyle(style)
    axes.clabel(lines, fmt=form, fontsize=8, colors=COLOR["ink"])


def progress(land: Doc, plan: Doc, words: Words, finish: Finish = inline) -> Any:
    """Readings over time, and the best recovery known so far by today's model."""
    stretches, say = land["progress"], words["plots"]
    with drawing(4.8, 3.9) as figure:
        both = figure.subplots(2, 1, sharex=True)
        x = np.arange(len(stretches))
        for axes, quantity in zip(both, ("grade", "recovery"), strict=True):
            known = [(k, s[quantity]) for k, s in enumerate(stretches) if s[quantity]]
            at = np.array([k for k, _ in known])
            low, mean, high = (
                np.array([100 * v[n] for _, v in known]) for n in ("low", "mean", "high")
            )
            axes.vlines(at, low, high, color=COLOR[quantity], lw=5, alpha=0.3)
            axes.plot(at, mean, "o-", ms=3.5, lw=1, color=COLOR[quantity])
            axes.set_ylabel(f"{say[quantity]} (%)")
            quiet(axes)
        if plan["goal"]["min_grade"] is not None:
            both[0].axhline(
                100 * plan["goal"]["min_grade"], color=COLOR["grade"], lw=1.4, ls=(0, (5, 3))
            )
        best = [(k, 100 * s["best_so_far"]) for k, s in enumerate(stretches) if s["best_so_far"]]
        if best:
            both[1].step(*zip(*best, strict=True), where="post", color=COLOR["ink"], lw=1.8)
            both[1].annotate(
                say["best_so_far"], best[-1], xytext=(0, 4), textcoords="offset points", ha="right"
            )
        if plan["run_now"]:
            level_now = 100 * plan["run_now"]["recovery"]["mean"]
            both[1].plot([x[-1] + 0.6], [level_now], color=COLOR["ink"], **RING)
        every = max(1, -(-len(x) // 6))
        labels = [words.date(s["from"]) if s["from"] else say["undated"] for s in stretches]
        both[1].set_xticks(x[::every], labels[::every], rotation=25, ha="right")
        both[1].margins(y=0.15)
        figure.align_ylabels(both)
        return finish(figure, "progress", say["alt_progress"], words)


def calibration(bins: Sequence[Doc], words: Words, finish: Finish = inline) -> Any:
    """Stated chances of meeting the grade against how often the grade was met."""
    say = words["plots"]
    with drawing(3.8, 3.6) as figure:
        axes = figure.add_subplot()
        axes.plot([0, 100], [0, 100], color=COLOR["muted"], lw=1, ls=(0, (4, 3)))
        for b in bins:
            axes.vlines(
                100 * b["stated"], 100 * b["low"], 100 * b["high"], color=COLOR["grade"], lw=3,
                alpha=0.35,
            )  # fmt: skip
            axes.plot([100 * b["stated"]], [100 * b["observed"]], "o", ms=7, color=COLOR["grade"])
            axes.annotate(
                str(b["n"]), (100 * b["stated"], 100 * b["observed"]), xytext=(7, -3),
                textcoords="offset points", size=8.5,
            )  # fmt: skip
        axes.set(xlim=(-2, 105), ylim=(-2, 105), xlabel=say["stated"], ylabel=say["observed"])
        axes.set_aspect("equal")
        quiet(axes)
        return finish(figure, "calibration", say["alt_calibration"], words)


def comparison(lines: Sequence[Doc], words: Words, finish: Finish = inline) -> Any:
    """Present and attainable recovery of each line, with 90 % intervals."""
    say = words["plots"]
    with drawing(4.6, 0.9 + 0.55 * len(lines)) as figure:
        axes = figure.add_subplot()
        for k, line in enumerate(reversed(lines)):
            for key, color, shift, mark in (
                ("current", "muted", 0.12, "s"), ("attainable", "recovery", -0.12, "o")
            ):  # fmt: skip
                value = line[key]["recovery"]
                if value is None:
                    continue
                low, mean, high = (100 * value[n] for n in ("low", "mean", "high"))
                axes.hlines(k + shift, low, high, color=COLOR[color], lw=3, alpha=0.45)
                axes.plot([mean], [k + shift], mark, ms=7, color=COLOR[color])
        axes.set_yticks(range(len(lines)), [line["line"] for line in reversed(lines)])
        axes.set_ylim(-0.6, len(lines) - 0.4)
        axes.set_xlabel(f"{say['recovery']} (%)")
        quiet(axes)
        return finish(figure, "comparison", say["alt_comparison"], words)
