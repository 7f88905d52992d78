"""Writes a comparison of lines as text of at most 80 columns."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from cli.show.text import bold, interval, wrap
from optimizer.text.figures import exact_percent, level, whole_percent, worth
from optimizer.text.money import prices_told, season_value
from optimizer.text.setting_names import setting_words
from optimizer.text.todays_material import todays_material

INDENT = "     "
# Smaller gains, as fractions, round to zero tenths of a point.
LEAST_GAIN = 0.0005
# A longer name is written on a separate line and never cut.
LONGEST_NAME = 10


def comparison(document: Mapping[str, Any]) -> str:
    """The text of a ``highside.comparison/1`` document."""
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
    told = todays_material({**document, "material": basis["material"]})
    material = ", ".join(f"{name.replace('_', ' ')} {text}" for name, text in told.items())
    grade, sure = exact_percent(basis["min_grade"]), exact_percent(basis["confidence"])
    goal = f"grade {grade} %, {sure} % sure"
    head = f"{len(document['lines'])} lines at {goal}{feed}"
    lines = [bold(head)]
    if material:
        lines.append(wrap(f"Material: {material}."))
    if document.get("prices"):
        lines.append(wrap(prices_told(document["prices"])))
    return lines


def _table(document: Mapping[str, Any]) -> list[str]:
    lines = [
        f" # {'line':<11}{'now %':<17}{'sure':>4} {'attainable %':<17}{'sure':>4} "
        f"{'gap, points':<18}rank",
        f"{'':<14}{'mean (90 % in)':<17}{'%':>4} {'mean (90 % in)':<17}{'%':>4} {'':<18}{'%':>4}",
    ]
    for line in document["lines"]:
        name, now, better = line["line"], line["current"], line["attainable"]
        if len(name) > LONGEST_NAME:
            lines.append(wrap(name, "   "))
            name = ""
        reach = interval(better["recovery"]) if better["sure"] else "not sure"
        lines.append(
            f"{line['rank']:>2} {name}".ljust(14)
            + f"{interval(now['recovery']):<17}{_chance(now['chance_of_grade']):>4} "
            f"{reach:<17}{_chance(better['chance_of_grade']):>4} "
            f"{_points(line['gap']):<18}{_chance(line['rank_probability']):>4}"
        )
    lines.append(
        wrap(
            f"Ranked by {_what(document['ranked_by'])}; the last column is the chance that the "
            f"rank is right{_among(document)}. Sure: of the grade. If a line runs below the grade, "
            "its recovery now is what would remain after moving the cut until the grade is met. "
            "Attainable recovery is given only for settings that are sure enough."
        )
    )
    return lines


def _chance(probability: float | None) -> str:
    return "-" if probability is None else whole_percent(probability)


def _points(gap: Mapping[str, float] | None) -> str:
    """A gap in points with its interval; an en dash separates the ends if one is negative."""
    if gap is None:
        return "-"
    mean, low, high = (100.0 * gap[key] for key in ("mean", "low", "high"))
    return f"{mean:.1f} ({low:.1f}{'–' if low < 0.0 else '-'}{high:.1f})"


def _among(document: Mapping[str, Any]) -> str:
    """The chance that the whole order is right, and for which lines the order holds."""
    probability = document["order_probability"]
    if probability is None:
        return ""
    some = any(line["rank_probability"] is None for line in document["lines"])
    among = " among the sure" if some else ""
    return f"{among}, that of the whole order {whole_percent(probability)} %"


def _why(line: Mapping[str, Any], document: Mapping[str, Any]) -> list[str]:
    lines = [bold(f"{line['line']} ({line['runs']} runs): {_verdict(line)}")]
    for cause in line["causes"]:
        lines.append(
            f"{INDENT}{setting_words(cause['setting']):<16}{level(cause['now'])} to "
            f"{level(cause['better'])} {cause['unit']}".ljust(46)
            + _gain(cause["recovery_gain"])
        )
    as_run, better = line["current"]["as_run"], line["attainable"]
    after = f"; after the changes {_chance(better['chance_of_grade'])} % sure"
    lines.append(
        wrap(
            f"As run: grade {interval(as_run['grade'])} %, recovery "
            f"{interval(as_run['recovery'])} %, {_chance(line['current']['chance_of_grade'])} % "
            f"sure of the grade{after if line['causes'] else ''}.",
            INDENT,
        )
    )
    lines += _middlings(line)
    value = line.get("value_per_season")
    if value is not None:
        lines.append(wrap(season_value(value, document), INDENT))
    lines += [wrap(f"! {w}", INDENT) for w in line["warnings"]]
    return lines


def _middlings(line: Mapping[str, Any]) -> list[str]:
    """What is expected of middlings now and after the changes; nothing where no runs tell."""
    now, better = (line[key].get("middlings") for key in ("current", "attainable"))
    if now is None:
        return []
    said = f"Middlings now: {_share_and_grade(now)}"
    if line["causes"] and better is not None:
        said += f"; after the changes {_share_and_grade(better)}"
    return [wrap(f"{said}.", INDENT)]


def _share_and_grade(expected: Mapping[str, Any]) -> str:
    grade = f", grade {interval(expected['grade'])} %" if "grade" in expected else ""
    return f"{interval(expected['share'])} % of the feed{grade}"


def _verdict(line: Mapping[str, Any]) -> str:
    if line["gap"] is None:
        return "not sure"
    gap = line["gap"]["mean"]
    if not line["causes"]:
        return "no change is known to gain anything"
    if gap <= -LEAST_GAIN:
        return f"being sure of the grade costs {-100 * gap:.1f} points"
    return f"{100 * gap:.1f} points to win"


def _gain(gain: float) -> str:
    if abs(gain) < LEAST_GAIN:
        return "less than 0.1 points"
    return f"{100 * gain:+.1f} points"


def _curves(partition: Mapping[str, Any]) -> list[str]:
    """The lines of text about partition curves, the sharpest first."""
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
        lines.append(f"   {name:<11}{cut:<24}{ep:<26}{whole_percent(line['chance_sharpest'])}")
        if not line["cut_inside"]:
            lines.append(wrap("! the cut lies outside the fractions: it is extrapolated.", INDENT))
    if partition["lines"]:
        lines.append(
            wrap(
                "Half of a fraction at the cut density goes to the product. Ep is the probable "
                "error, (d75 - d25) / 2, which is small if the deck separates sharply. The last "
                "column is the chance that the line is the sharpest, estimated from the scatter "
                "about the curves."
            )
        )
    for left in partition["not_compared"]:
        lines.append(wrap(f"{left['line']} has no curve: {left['reason']}"))
    return lines


def _spread(value: Mapping[str, float]) -> str:
    return f"{worth(value['mean'])} ({worth(value['low'])}-{worth(value['high'])})"


def _what(ranked_by: str) -> str:
    return "the gap" if ranked_by == "gap" else f"{ranked_by} recovery"
