"""A comparison of lines as text that a person reads at 80 columns."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from cli.show import bold, interval, percent, wrap

INDENT = "     "
# Gains below this are not worth a line of text, fraction.
LEAST_GAIN = 0.0005
# A longer name stands on a line of its own, never cut.
LONGEST_NAME = 10


def comparison(document: Mapping[str, Any]) -> str:
    """A ``highside.comparison/1`` document."""
    lines = [*_basis(document), ""]
    if document["lines"]:
        lines += [*_table(document), ""]
        for line in document["lines"]:
            lines += [*_why(line, document), ""]
    for left in document["not_compared"]:
        lines.append(wrap(f"{left['line']} is not compared: {left['reason']}"))
    if "partition" in document:
        lines += ["", *_curves(document["partition"])]
    lines += [wrap(f"! {w}") for w in document["warnings"]]
    return "\n".join(lines).rstrip()


def _basis(document: Mapping[str, Any]) -> list[str]:
    basis, units = document["basis"], document["units"]
    feed = "" if basis["feed_rate"] is None else f", {basis['feed_rate']:g} {units['feed_rate']}"
    material = ", ".join(f"{k.replace('_', ' ')} {v}" for k, v in basis["material"].items())
    head = f"{len(document['lines'])} lines at grade {percent(basis['min_grade'])} %{feed}"
    lines = [bold(head)]
    if material:
        lines.append(wrap(f"Material: {material}."))
    return lines


def _table(document: Mapping[str, Any]) -> list[str]:
    lines = [
        f" # {'line':<11}{'runs':>6}  {'now %':<18}{'attainable %':<18}{'gap, points':<17}rank",
        f"   {'':<11}{'':>6}  {'mean (90 % in)':<18}{'mean (90 % in)':<18}{'':<17}%",
    ]
    for line in document["lines"]:
        gap, name = line["gap"], line["line"]
        if len(name) > LONGEST_NAME:
            lines.append(wrap(name, "   "))
            name = ""
        width = f"{100 * gap['mean']:.1f} ({100 * gap['low']:.1f}-{100 * gap['high']:.1f})"
        lines.append(
            f"{line['rank']:>2} {name:<11}{line['runs']:>6}  "
            f"{interval(line['current']['recovery']):<18}"
            f"{interval(line['attainable']['recovery']):<18}"
            f"{width:<17}{100 * line['rank_probability']:.0f}"
        )
    order = document["order_probability"]
    lines.append(
        wrap(
            f"Ranked by {_what(document['ranked_by'])}; the last column is the chance that the "
            f"rank is right, that of the whole order {100 * order:.0f} %. Recovery counts at the "
            "grade: where a line runs below it, what it would keep once the grade is met."
        )
    )
    return lines


def _why(line: Mapping[str, Any], document: Mapping[str, Any]) -> list[str]:
    gap = line["gap"]["mean"]
    lines = [bold(f"{line['line']}: {100 * gap:.1f} points to win")]
    worth = [c for c in line["causes"] if abs(c["recovery_gain"]) >= LEAST_GAIN]
    for cause in worth:
        gain = 100 * cause["recovery_gain"]
        lines.append(
            f"{INDENT}{cause['setting'].replace('_', ' '):<16}{cause['now']:g} to "
            f"{cause['better']:g} {cause['unit']}".ljust(46)
            + f"{gain:+.1f} points"
        )
    if not worth:
        lines.append(f"{INDENT}no setting is known to bring more.")
    as_run = line["current"]["as_run"]
    lines.append(
        wrap(
            f"As run: grade {interval(as_run['grade'])} %, recovery "
            f"{interval(as_run['recovery'])} %, {100 * line['current']['chance_of_grade']:.0f} % "
            "sure of the grade; after the changes "
            f"{100 * line['attainable']['chance_of_grade']:.0f} % sure.",
            INDENT,
        )
    )
    value = line.get("value_per_season")
    if value is not None:
        hours = document["prices"]["hours"]
        lines.append(
            wrap(
                f"Worth {value['mean']:,.0f} a season of {hours:g} h "
                f"({value['low']:,.0f} to {value['high']:,.0f}), in the money of the price.",
                INDENT,
            )
        )
    lines += [wrap(f"! {w}", INDENT) for w in line["warnings"]]
    return lines


def _curves(partition: Mapping[str, Any]) -> list[str]:
    """Partition curves, the sharpest first."""
    unit = f", {partition['unit']}" if partition["unit"] else ""
    lines = [bold(f"Split by density{unit}")]
    if partition["lines"]:
        lines.append(f"   {'line':<11}{'cut (90 % in)':<24}{'Ep (90 % in)':<26}sharpest, %")
    for line in partition["lines"]:
        name = line["line"]
        if len(name) > LONGEST_NAME:
            lines.append(wrap(name, "   "))
            name = ""
        cut, ep = (_spread(line[key]) for key in ("cut_density", "probable_error"))
        lines.append(f"   {name:<11}{cut:<24}{ep:<26}{100 * line['chance_sharpest']:.0f}")
        if not line["cut_inside"]:
            lines.append(wrap("! the cut lies outside the fractions: extrapolated.", INDENT))
    if partition["lines"]:
        lines.append(
            wrap(
                "Half of a fraction at the cut density goes to the product; Ep is the probable "
                "error, (d75 - d25) / 2, small where the deck is sharp. The last column is the "
                "chance that the line is the sharpest, as far as the scatter about its curve "
                "tells."
            )
        )
    for left in partition["not_compared"]:
        lines.append(wrap(f"{left['line']} has no curve: {left['reason']}"))
    return lines


def _spread(value: Mapping[str, float]) -> str:
    return f"{value['mean']:.4g} ({value['low']:.4g}-{value['high']:.4g})"


def _what(ranked_by: str) -> str:
    return "the gap" if ranked_by == "gap" else f"{ranked_by} recovery"
