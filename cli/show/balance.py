"""Balanced tests and sampling plans, as text."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from cli.show.text import INDENT, bold, warning_lines, wrap


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
    return "\n".join([*lines, *warning_lines(d["notes"])])
