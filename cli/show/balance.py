"""Writes balanced tests and sampling plans as text."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from cli.show.text import INDENT, bold, warning_lines, wrap
from optimizer.text.figures import UNKNOWN, exact_percent, percent, points


def balance(document: Mapping[str, Any]) -> str:
    """The text of a ``highside.balance/1`` document."""
    shown = ["grade", "recovery", "yield"]
    heads = ["grade %", "recovery %", "yield %"]
    if any("middlings_share" in test for test in document["tests"]):
        shown += ["middlings_share", "middlings_grade"]
        heads += ["middlings %", "their grade %"]
    weighed = any(test["missing_share"] is not None for test in document["tests"])
    head = ("test", *heads, *(["missing mass %"] if weighed else []), "closes", "method")
    rows = [head]
    for test in document["tests"]:
        figures = [_figure(test.get(name), test.get(f"{name}_se")) for name in shown]
        closes = "-" if test["p_value"] is None else f"p {test['p_value']:.3f}"
        missing = [percent(test["missing_share"], 2)] if weighed else []
        rows.append((test["test_id"], *figures, *missing, closes, test["method"]))
    widths = [max(len(row[j]) for row in rows) for j in range(len(head))]
    lines = []
    for k, row in enumerate(rows):
        line = "  ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)).rstrip()
        lines.append(bold(line) if k == 0 else line)
        if k and document["tests"][k - 1]["suspect"]:
            lines.append(f"{INDENT}most likely wrong: {document['tests'][k - 1]['suspect']}")
        for warning in document["tests"][k - 1]["warnings"] if k else ():
            lines.append(wrap(warning, INDENT))
    if document["not_filled_in"]:
        lines.append(wrap(f"Not filled in yet: {', '.join(document['not_filled_in'])}."))
    lines.append(f"Wrote {document['runs']} runs to {document['log']}; next: highside load")
    return "\n".join(lines)


def sheets(document: Mapping[str, Any]) -> str:
    """The text of a ``highside.sample_sheets/1`` document."""
    lines = [f"Sheet:  {sheet}" for sheet in document["sheets"]]
    filled = [sheet for sheet in document["sheets"] if sheet.endswith(".csv")]
    if filled:
        lines.append(f"When it is filled in: highside balance {filled[0]}")
    return "\n".join(lines)


def _figure(value: float | None, error: float | None) -> str:
    """A fraction in per cent, with its standard error in points if it is known."""
    if value is None:
        return UNKNOWN
    return percent(value, 2) + ("" if error is None else f" ±{points(error)}")


def sampling(document: Mapping[str, Any]) -> str:
    """The text of a ``highside.sampling/1`` document."""
    d = document
    lines = [
        bold(
            f"To show {exact_percent(d['difference'])} points of grade at "
            f"{exact_percent(d['purity'])} %: count {d['count']:,} particles at each setting."
        )
    ]
    if d["grams"] is not None:
        lines.append(f"  That is {d['grams']:.0f} g.")
    lines += [
        f"  One such count has a standard error of {points(d['purity_se'])} points; its exact 95 %",
        f"  interval is {percent(d['purity_low'], 2)} to {percent(d['purity_high'], 2)} %.",
        f"  A count that finds no defect still leaves up to {percent(d['none_found_below'], 3)} %;",
        f"  to exclude {exact_percent(d['difference'])} %, count {d['zero_defect_count']:,} "
        "and find none.",
    ]
    if d["repeats"] is not None:
        lines.append(
            f"  To show the same difference in recovery, make {d['repeats']} runs at each setting."
        )
    if d["fundamental_se"] is not None:
        lines += [
            f"  Fundamental error of the sample (Gy): {100 * d['fundamental_se']:.2g} % of the",
            "  assay, relative, as one standard error.",
        ]
    return "\n".join([*lines, *warning_lines(d["notes"])])
