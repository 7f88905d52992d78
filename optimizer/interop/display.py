"""A plan as a small table for a notebook: the settings to run now, and the trials by rank."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from markupsafe import Markup, escape

from optimizer.text.figures import whole_percent

if TYPE_CHECKING:
    from optimizer.planning.plan import Plan

HEADS = ("grade %", "recovery %", "sure %")


def plan_as_html(plan: Plan) -> str:
    """The plan as an HTML element, in which everything is escaped."""
    document = plan.as_dict()
    units = document["units"]
    heads = ["", *(f"{name.replace('_', ' ')} ({unit})" for name, unit in units.items()), *HEADS]
    rows = [_row(trial["rank"], trial, units) for trial in document["recommendations"]]
    if document["run_now"]:
        rows.insert(0, _row("run now", document["run_now"], units))
    line = "" if plan.line is None else f" for {plan.line}"
    caption = f"Next trials{line}, from {plan.runs_used} runs at {plan.set_points} set-points"
    return Markup(
        "<table><caption>{}</caption><thead><tr>{}</tr></thead><tbody>{}</tbody></table><p>{}</p>"
    ).format(
        caption,
        _cells("th", heads),
        Markup("").join(Markup("<tr>{}</tr>").format(_cells("td", row)) for row in rows),
        Markup("<br>").join([document["stopping"]["why"], *document["warnings"]]),
    )


def _row(name: object, entry: Mapping[str, Any], units: Mapping[str, str]) -> list[str]:
    """The cells of settings with their expectations; ranges are 90 % intervals."""
    settings = [f"{entry['settings'][setting]:g}" for setting in units]
    chance = entry["chance_of_grade"]
    return [
        str(name),
        *settings,
        *(_range(entry[quantity]) for quantity in ("grade", "recovery")),
        "" if chance is None else whole_percent(chance),
    ]


def _range(interval: Mapping[str, float | None]) -> str:
    ends = [interval[end] for end in ("mean", "low", "high")]
    mean, low, high = ("" if end is None else f"{100.0 * end:.1f}" for end in ends)
    return f"{mean} ({low}–{high})" if mean else "not known"


def _cells(tag: str, texts: list[str]) -> Markup:
    return Markup("").join(Markup(f"<{tag}>{escape(text)}</{tag}>") for text in texts)
