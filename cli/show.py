"""Answers as text that a person reads at 80 columns."""

from __future__ import annotations

import os
import sys
import textwrap
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from cli.show_rejects import rejects

WIDTH = 80
INDENT = "     "


def bold(text: str) -> str:
    """Bold on a terminal that wants it; plain for pipes and with NO_COLOR."""
    plain = os.environ.get("NO_COLOR") or not sys.stdout.isatty()
    return text if plain else f"\x1b[1m{text}\x1b[0m"


def wrap(text: str, indent: str = "") -> str:
    """Text folded to the width."""
    return textwrap.fill(text, WIDTH, initial_indent=indent, subsequent_indent=indent)


def plan(document: Mapping[str, Any]) -> str:
    """A ``highside.plan/1`` document as a table, with what to run now and whether to go on."""
    goal, units = document["goal"], document["units"]
    grade = goal["min_grade"]
    wanted = f"grade at least {percent(grade)} %" if grade is not None else "grade not yet known"
    if goal["maximise"] == "value":
        wanted = "most value an hour" + (f", {wanted}" if grade is not None else "")
    if goal["maximise"] == "trade-off":
        wanted = "best trade-off of grade and recovery"
    lines = [bold(f"Next trials for {document['line'] or 'a new line'}: {wanted}")]
    if document["material"]:
        shown = ", ".join(f"{k} {v}" for k, v in document["material"].items())
        lines.append(wrap(f"Material: {shown}."))
    lines.append(
        wrap(
            f"From {document['runs_used']} runs at {document['set_points']} set-points"
            + (
                f", history version {document['history_version']}."
                if document["history_version"] is not None
                else ", no history yet."
            )
        )
    )
    trials = document["recommendations"]
    lines += ["", *_trials(trials, units, goal["maximise"] != "value")]
    if len(trials) > 1:
        ranks = ", ".join(str(t["rank"]) for t in sorted(trials, key=lambda t: t["order"]))
        lines.append(f"Run them in the order {ranks}: least to re-set and to wait for.")
    if document["run_now"]:
        lines += ["", *_run_now(document["run_now"], units, goal)]
    lines += _trade_off(document.get("trade_off", ()), units)
    stopping = document["stopping"]
    verdict = "Stop here" if stopping["advice"] == "stop" else "Go on"
    lines += ["", wrap(f"{verdict}: {stopping['why']}")]
    lines += _warnings(document["warnings"])
    return "\n".join(lines)


def _trials(
    trials: Sequence[Mapping[str, Any]], units: Mapping[str, str], in_points: bool
) -> list[str]:
    names = list(units)
    heads = [_short(n) for n in names]
    cells = [list(row) for row in zip(*(_column(trials, n) for n in names), strict=True)]
    heads += ["grade %", "recovery %", "sure", "gain", "use", "time"]
    unit, gain = ("pts", lambda v: f"{100 * v:.2f}") if in_points else ("/h", lambda v: f"{v:.3g}")
    under = [*(units[n] for n in names), "mean 90 % in", "mean 90 % in", "%", unit, "t", "min"]
    for trial, row in zip(trials, cells, strict=True):
        row += [
            interval(trial["grade"], "{} {}-{}"),
            interval(trial["recovery"], "{} {}-{}"),
            _or(trial["chance_of_grade"], lambda v: f"{100 * v:.0f}"),
            _or(trial["expected_gain"], gain),
            _or(trial["material_t"], lambda v: f"{v:.2f}"),
            f"{trial['minutes']:g}",
        ]
    widths = [max(map(len, column)) + 1 for column in zip(heads, under, *cells, strict=True)]

    def line(start: Any, row: Sequence[str]) -> str:
        cells = "".join(cell.rjust(width) for cell, width in zip(row, widths, strict=True))
        return f"{start:>2}{cells}"

    lines = [line("#", heads), line("", under)]
    for trial, row in zip(trials, cells, strict=True):
        lines += [bold(line(trial["rank"], row)), wrap(trial["why"], INDENT)]
    return lines


def _or(value: float | None, text: Callable[[float], str]) -> str:
    return "?" if value is None else text(value)


def _column(trials: Sequence[Mapping[str, Any]], name: str) -> list[str]:
    """One setting's levels, with the decimals of the longest."""
    values = [t["settings"][name] for t in trials]
    places = max(len(_level(v).partition(".")[2]) for v in values)
    return [f"{v:.{places}f}" for v in values]


def _run_now(
    now: Mapping[str, Any], units: Mapping[str, str], goal: Mapping[str, Any]
) -> list[str]:
    settings = ", ".join(
        f"{name.replace('_', ' ')} {_level(now['settings'][name])} {unit}"
        for name, unit in units.items()
    )
    sure = now["chance_of_grade"]
    flag = "" if sure >= goal["confidence"] else " (not sure enough yet)"
    chance = f", {100 * sure:.0f} % sure of the grade{flag}"
    if goal["min_grade"] is None:
        chance = ""  # prices alone decide
    kind = "tried" if now["tried"] else "not tried yet"
    product, value = now["product_t_per_h"], now.get("value_per_hour")
    rate = "" if product is None else f" Product about {product:.2f} t/h."
    rate += "" if value is None else f" Worth about {value:.4g} an hour."
    return [
        bold("Run now"),
        wrap(f"{settings}; {kind}.", INDENT),
        wrap(
            f"Grade {interval(now['grade'])} %, recovery {interval(now['recovery'])} %"
            f"{chance}.{rate}",
            INDENT,
        ),
    ]


def _trade_off(curve: Sequence[Mapping[str, Any]], units: Mapping[str, str]) -> list[str]:
    if not curve:
        return []
    names = list(units)
    cells = list(zip(*(_column(curve, n) for n in names), strict=True))
    heads = ["sure grade %", "recovery %", *map(_short, names)]
    rows = [
        [percent(point["sure_grade"]), interval(point["recovery"], "{} {}-{}"), *cell]
        for point, cell in zip(curve, cells, strict=True)
    ]
    under = ["", "mean 90 % in", *(units[n] for n in names)]
    widths = [max(map(len, column)) + 2 for column in zip(heads, under, *rows, strict=True)]
    table = [
        "".join(cell.rjust(width) for cell, width in zip(row, widths, strict=True))
        for row in (heads, under, *rows)
    ]
    return ["", bold("Trade-off: the most recovery at each grade one can be sure of"), *table]


def _warnings(warnings: Sequence[str]) -> list[str]:
    if not warnings:
        return []
    folded = [
        textwrap.fill(w, WIDTH, initial_indent="  ! ", subsequent_indent="    ") for w in warnings
    ]
    return ["", "Mind:", *folded]


def load(document: Mapping[str, Any]) -> str:
    """A ``highside.load/1`` document."""
    total = (
        f"Read {document['read']} rows: {document['added']} added, "
        f"{document['already_known']} already known, {document['rejected']} rejected."
    )
    lines = [bold(total)]
    made = [entry["runs"] for entry in document["files"] if "runs" in entry]
    if made:
        lines.append(f"The rows added are readings over time and make {sum(made)} runs.")
    for entry in document["files"]:
        if entry.get("error"):
            lines.append(wrap(f"{entry['file']}: not loaded. {entry['error']}", "  "))
        elif len(document["files"]) > 1:
            lines.append(
                f"  {entry['file']}: {entry['read']} read, {entry['added']} added, "
                f"{entry['already_known']} known, {entry['rejected']} rejected"
            )
    lines += rejects(document)
    if document["rejects_file"] and document["rejected"]:
        lines.append(wrap(f"Rejected rows are kept in {document['rejects_file']}", "  "))
    return "\n".join([*lines, *_warnings(document.get("warnings", ()))])


def balance(document: Mapping[str, Any]) -> str:
    """A ``highside.balance/1`` document."""
    head = ("test", "grade %", "recovery %", "yield %", "closes", "method")
    rows = [head]
    for test in document["tests"]:
        figures = [
            _figure(test[name], test[f"{name}_se"]) for name in ("grade", "recovery", "yield")
        ]
        closes = "-" if test["p_value"] is None else f"p {test['p_value']:.3f}"
        rows.append((test["test_id"], *figures, closes, test["method"]))
    widths = [max(len(row[j]) for row in rows) for j in range(len(head))]
    lines = []
    for k, row in enumerate(rows):
        line = "  ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)).rstrip()
        lines.append(bold(line) if k == 0 else line)
        if k and document["tests"][k - 1]["suspect"]:
            lines.append(f"{INDENT}most likely wrong: {document['tests'][k - 1]['suspect']}")
        for warning in document["tests"][k - 1]["warnings"] if k else ():
            lines.append(wrap(warning, INDENT))
    lines.append(f"Wrote {document['runs']} runs to {document['log']}; next: highside load")
    return "\n".join(lines)


def _figure(value: float | None, error: float | None) -> str:
    if value is None:
        return "?"
    return f"{100 * value:.2f}" + ("" if error is None else f" ±{100 * error:.2f}")


def sampling(document: Mapping[str, Any]) -> str:
    """A ``highside.sampling/1`` document."""
    d = document
    lines = [
        bold(
            f"To show {100 * d['difference']:g} points of grade at {100 * d['purity']:g} %: "
            f"count {d['count']} particles at each setting."
        )
    ]
    if d["grams"] is not None:
        lines.append(f"  That is {d['grams']:.0f} g.")
    lines += [
        f"  One such count has a standard error of {100 * d['purity_se']:.2f} points; exact 95 %",
        f"  interval {100 * d['purity_low']:.2f} to {100 * d['purity_high']:.2f} %.",
        f"  None found of a defect still leaves up to {100 * d['none_found_below']:.3f} % of it;",
        f"  to exclude {100 * d['difference']:g} % count {d['zero_defect_count']} and find none.",
    ]
    if d["repeats"] is not None:
        lines.append(f"  For as much recovery to show: {d['repeats']} runs at each setting.")
    if d["fundamental_se"] is not None:
        lines += [
            f"  Fundamental error of the sample (Gy): {100 * d['fundamental_se']:.2g} % of the",
            "  assay, relative, as one standard error.",
        ]
    return "\n".join([*lines, *_warnings(d["notes"])])


def plans(document: Mapping[str, Any]) -> str:
    """A ``highside.plans/1`` document: the plans one below the other."""
    parts = [plan(each) for each in document["plans"]]
    parts += [
        wrap(f"No plan for {line['line']}: {line['message']} {line['hint']}")
        for line in document["refused"]
    ]
    return "\n\n".join(parts) or "The history is empty. Load a log with 'highside load LOG'."


def history(document: Mapping[str, Any]) -> str:
    """A ``highside.history/1`` document."""
    if not document["runs"]:
        return "The history is empty. Load a log with 'highside load LOG'."
    lines = [
        bold(f"{document['runs']} runs, history version {document['version']}"),
        f"{'line':<20}{'runs':>8}{'set-points':>12}   {'first':<12}{'last':<12}",
    ]
    for entry in document["lines"]:
        first, last = ((entry[k] or "undated")[:10] for k in ("first", "last"))
        lines.append(
            f"{entry['line']:<20}{entry['runs']:>8}{entry['set_points']:>12}"
            f"   {first:<12}{last:<12}"
        )
    return "\n".join([*lines, *_warnings(document.get("warnings", ()))])


def recorded(document: Mapping[str, Any]) -> str:
    """A ``highside.record/1`` document."""
    lines = [load(document["load"])]
    before, after = document["before"], document["after"]
    if document["load"]["added"] and after and after["run_now"]:
        lines += ["", *_moved(before["run_now"] if before else None, after)]
        verdict = "Stop here" if after["stopping"]["advice"] == "stop" else "Go on"
        lines.append(wrap(f"{verdict}: {after['stopping']['why']}"))
    return "\n".join(lines)


def _moved(before: Mapping[str, Any] | None, after: Mapping[str, Any]) -> list[str]:
    """The settings to run now after a result, beside those before it."""
    now, goal = after["run_now"], after["goal"]
    settings = ", ".join(f"{k.replace('_', ' ')} {_level(v)}" for k, v in now["settings"].items())
    same = before is not None and before["settings"] == now["settings"]
    what = "Run now, as before" if same else "Run now, changed by this result"
    then = f" (before: {interval(before['recovery'])} %)" if before is not None else ""
    said = [f"Recovery {interval(now['recovery'])} %{then}"]
    if goal["min_grade"] is not None:
        sure, grade = now["chance_of_grade"], percent(goal["min_grade"])
        said.append(f"{100 * sure:.0f} % sure of grade {grade} %")
    if "value_per_hour" in now:
        said.append(f"{now['value_per_hour']:.4g} {goal['gain_unit']}")
    return [wrap(f"{what}: {settings}."), wrap(", ".join(said) + ".")]


def demo(document: Mapping[str, Any]) -> str:
    """A ``highside.demo/1`` document."""
    folder = document["folder"]
    again = f"cd {folder} && highside suggest --brief brief.toml"
    return "\n".join(
        [
            load(document["load"]),
            "",
            history(document["history"]),
            "",
            plan(document["plan"]),
            "",
            wrap(f"Everything is in {folder}: logs, site.toml, brief.toml, history, plan.json."),
            f"To look at:  {document['report']}",
            f"To print:    {document['sheets'][0]}",
            f"Plan again: {again}",
        ]
    )


def interval(value: Mapping[str, float | None], form: str = "{} ({}-{})") -> str:
    """Mean and 90 % interval of a fraction, in per cent."""
    if value["mean"] is None:
        return "?"
    return form.format(*(percent(value[k]) for k in ("mean", "low", "high")))


def percent(fraction: float | None) -> str:
    """A fraction in per cent."""
    if fraction is None:
        return "?"
    value = 100.0 * fraction
    return f"{value:.1f}"


def _short(name: str) -> str:
    """Last word of a setting's name for a column head, but the first where it tells more."""
    words = name.split("_")
    return words[0] if words[-1] in ("rate", "raise") else words[-1]


def _level(value: float) -> str:
    return f"{value:.10g}"
