"""Writes plans as text."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from cli.show.text import INDENT, bold, interval, short, warning_lines, wrap
from optimizer.text.figures import (
    exact_percent,
    level,
    minutes,
    percent,
    points,
    whole_percent,
    worth,
)
from optimizer.text.masses import (
    TONNE,
    feed_key,
    mass,
    mass_label,
    mass_symbol,
    mass_unit_of,
    product_key,
)
from optimizer.text.money import prices_told
from optimizer.text.setting_names import at_gates, gate_number, gates_together, settings_told
from optimizer.text.todays_material import todays_material
from optimizer.text.trial_numbers import id_of_trial


def plan(document: Mapping[str, Any], batch: str | None = None) -> str:
    """The text of a ``highside.plan/1`` document.

    It lists the trials, the settings to run now, and whether to continue. The trials of an issued
    plan are listed by number in the order in which to run them, those of another plan by rank.

    Args:
        document: the plan.
        batch: id of the batch as which it was issued; None for a plan that was not issued.
    """
    goal, units = document["goal"], document["units"]
    grade = goal["min_grade"]
    wanted = (
        f"grade at least {exact_percent(grade)} %" if grade is not None else "grade not yet known"
    )
    if goal["maximise"] == "value":
        wanted = "highest value per hour" + (f", {wanted}" if grade is not None else "")
    if goal["maximise"] == "trade-off":
        wanted = "best trade-off of grade and recovery"
    lines = [bold(f"Next trials for {document['line'] or 'a new line'}: {wanted}")]
    if document["material"]:
        told = todays_material(document).items()
        shown = ", ".join(f"{name.replace('_', ' ')} {text}" for name, text in told)
        lines.append(wrap(f"Material: {shown}."))
    lines += [wrap(prices_told(goal["prices"]))] if goal.get("prices") else []
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
    under_way = [each["trial"] for each in document.get("pending", ()) if each["trial"]]
    if under_way:
        lines.append(wrap(f"Under way: {', '.join(under_way)}."))
    trials = document["recommendations"]
    if batch is not None:
        trials = sorted(trials, key=lambda trial: trial["order"])
    unit_of_mass = mass_unit_of(document)
    lines += ["", *_trials(trials, units, goal["maximise"] != "value", batch, unit_of_mass)]
    if len(trials) > 1 and batch is None:
        ranks = ", ".join(str(t["rank"]) for t in sorted(trials, key=lambda t: t["order"]))
        lines.append(f"Run them in the order {ranks}: least to re-set and to wait for.")
    if document["run_now"]:
        lines += ["", *_run_now(document["run_now"], units, goal, unit_of_mass)]
        lines += _over_shift(document, goal)
        drift = document.get("drift")
        if drift and drift["worth_saying"]:
            lines.append(wrap(drift["says"], INDENT))
    lines += _trade_off(document.get("trade_off", ()), units)
    stopping = document["stopping"]
    verdict = "Stop here" if stopping["advice"] == "stop" else "Go on"
    lines += ["", wrap(f"{verdict}: {stopping['why']}")]
    if document.get("description"):
        lines += ["", wrap(document["description"]["says"])]
    lines += warning_lines(document["warnings"])
    return "\n".join(lines)


def _trials(
    trials: Sequence[Mapping[str, Any]],
    units: Mapping[str, str],
    in_points: bool,
    batch: str | None,
    unit_of_mass: str,
) -> list[str]:
    # Gates do not fit into 80 columns: they stand on a line of their own below their trial.
    gates = {k: names for k, names in gates_together(units).items() if names[0] != k}
    names = [name for name in units if gate_number(name) is None]
    heads = [short(n) for n in names]
    columns = [_column(trials, n) for n in names]
    cells = [[column[k] for column in columns] for k in range(len(trials))]
    heads += ["grade %", "recovery %", "sure", "gain", "use", "time"]
    unit, gain = ("pts", points) if in_points else ("/h", worth)
    marks = [units[n].replace("short_ton", mass_symbol("short_ton")) for n in names]
    under = [*marks, "mean 90 % in", "mean 90 % in", "%", unit]
    under += [mass_symbol(unit_of_mass), "min"]
    for trial, row in zip(trials, cells, strict=True):
        row += [
            interval(trial["grade"], "{} {}-{}"),
            interval(trial["recovery"], "{} {}-{}"),
            whole_percent(trial["chance_of_grade"]),
            _or(trial["expected_gain"], gain),
            mass(trial[feed_key(unit_of_mass)], unit_of_mass),
            minutes(trial["minutes"]),
        ]
    widths = [max(map(len, column)) + 1 for column in zip(heads, under, *cells, strict=True)]

    def line(start: Any, row: Sequence[str]) -> str:
        cells = "".join(cell.rjust(width) for cell, width in zip(row, widths, strict=True))
        return f"{start:>2}{cells}"

    lines = [line("#" if batch is None else "", heads), line("", under)]
    for trial, row in zip(trials, cells, strict=True):
        if batch is not None:
            number = id_of_trial(batch, trial["order"])
            lines.append(bold(f"{number} (rank {trial['rank']})"))
        start = trial["rank"] if batch is None else ""
        even = even_deck(trial.get("chance_even"))
        lines.append(bold(line(start, row)))
        for own in gates.values():
            told = settings_told({n: level(trial["settings"][n]) for n in own}, units)
            lines.append(bold(wrap(f"{told[:1].upper()}{told[1:]}.", INDENT)))
        lines.append(wrap(f"{trial['why']}{even}", INDENT))
        if "middlings" in trial:
            lines.append(wrap(middlings(trial["middlings"]), INDENT))
    return lines


def _or(value: float | None, text: Callable[[float], str]) -> str:
    return "?" if value is None else text(value)


def _column(trials: Sequence[Mapping[str, Any]], name: str) -> list[str]:
    """The values of one setting in all trials as texts with equal numbers of decimals."""
    values = [t["settings"][name] for t in trials]
    places = max(len(level(v).partition(".")[2]) for v in values)
    return [f"{v:.{places}f}" for v in values]


def _over_shift(document: Mapping[str, Any], goal: Mapping[str, Any]) -> list[str]:
    """What the settings to run now are sure of where the material varies over the shift."""
    hold = document.get("hold")
    if hold is None or goal["min_grade"] is None:
        return []
    worst = {**document, "material": hold["worst"]["material"], "hold": None}
    at = ", ".join(f"{name} {text}" for name, text in todays_material(worst).items())
    throughout = document["brief"].get("goal", {}).get("hold") == "throughout"
    what = "that every hour meets it" if throughout else "that the shift's product meets it"
    return [
        wrap(
            f"The chance is {what}; it is lowest at {at}, where it is "
            f"{whole_percent(hold['worst']['chance_of_grade'])} %.",
            INDENT,
        )
    ]


def _run_now(
    now: Mapping[str, Any],
    units: Mapping[str, str],
    goal: Mapping[str, Any],
    unit_of_mass: str = TONNE,
) -> list[str]:
    values = {name: level(now["settings"][name]) for name in units}
    settings = settings_told(values, units)
    sure = now["chance_of_grade"]
    flag = "" if sure >= goal["confidence"] else " (not sure enough yet)"
    chance = f", {whole_percent(sure)} % sure of the grade{flag}"
    if goal["min_grade"] is None:
        chance = ""  # prices alone decide
    kind = "tried" if now["tried"] else "not tried yet"
    product, value = now[product_key(unit_of_mass)], now.get("value_per_hour")
    told = f"{mass(product, unit_of_mass)} {mass_label(unit_of_mass)}/h"
    rate = "" if product is None else f" Product about {told}."
    rate += "" if value is None else f" Worth about {worth(value)} {goal['gain_unit']}."
    return [
        bold("Run now"),
        wrap(f"{settings}; {kind}.", INDENT),
        wrap(
            f"Grade {interval(now['grade'])} %, recovery {interval(now['recovery'])} %"
            f"{chance}.{even_deck(now.get('chance_even'))}{rate}",
            INDENT,
        ),
        *([wrap(middlings(now["middlings"]), INDENT)] if "middlings" in now else []),
    ]


def even_deck(chance: float | None) -> str:
    """A sentence about the chance that the deck runs even; empty where it is not known."""
    return "" if chance is None else f" Even deck: {whole_percent(chance)} %."


def middlings(expected: Mapping[str, Any]) -> str:
    """A sentence about the middlings that are expected."""
    grade = f", grade {interval(expected['grade'])} %" if "grade" in expected else ""
    return f"Middlings {interval(expected['share'])} % of the feed{grade}."


def _trade_off(curve: Sequence[Mapping[str, Any]], units: Mapping[str, str]) -> list[str]:
    if not curve:
        return []
    together = gates_together(units)
    columns = [[_column(curve, n) for n in names] for names in together.values()]
    cells = [[at_gates(c[k] for c in own) for own in columns] for k in range(len(curve))]
    heads = ["sure grade %", "recovery %", *map(short, together)]
    rows = [
        [percent(point["sure_grade"]), interval(point["recovery"], "{} {}-{}"), *cell]
        for point, cell in zip(curve, cells, strict=True)
    ]
    under = ["", "mean 90 % in", *(units[names[0]] for names in together.values())]
    widths = [max(map(len, column)) + 2 for column in zip(heads, under, *rows, strict=True)]
    table = [
        "".join(cell.rjust(width) for cell, width in zip(row, widths, strict=True))
        for row in (heads, under, *rows)
    ]
    return ["", bold("Trade-off: highest recovery at each grade of which one can be sure"), *table]


def plans(document: Mapping[str, Any]) -> str:
    """The text of a ``highside.plans/1`` document: its plans, one below the other."""
    parts = [plan(each) for each in document["plans"]]
    parts += [
        wrap(f"No plan for {line['line']}: {line['message']} {line['hint']}")
        for line in document["refused"]
    ]
    return "\n\n".join(parts) or "The history is empty. Load a log with 'highside load LOG'."
