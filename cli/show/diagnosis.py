"""Writes a diagnosis as text of at most 80 columns."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

from cli.show.text import WIDTH, bold, wrap
from optimizer.text.figures import exact_percent, level, percent
from optimizer.text.sentences import profiles_told
from optimizer.text.setting_names import setting_words

INDENT = "  "
MOST_DOUBTS, MOST_PAIRS, MOST_DAYS = 5, 3, 3
# An effect with a p-value below this counts as found.
LEVEL = 0.05


def diagnosis(document: Mapping[str, Any], details: bool = False) -> str:
    """The text of a ``highside.diagnosis/1`` document.

    Args:
        document: the document.
        details: whether all pairs of settings and all doubtful runs are listed.
    """
    if not document["lines"]:
        why = [f"{s['line']}: {s['reason']}" for s in document["skipped"]]
        return "\n".join(["Nothing can be diagnosed yet.", *(wrap(w, INDENT) for w in why)])
    lines: list[str] = []
    for line in document["lines"]:
        lines += [*_line(document, line, details), ""]
    lines += [wrap(f"{s['line']} was left out: {s['reason']}") for s in document["skipped"]]
    tests = len(document["drift"])
    if tests > 1:
        lines.append(
            wrap(
                f"{tests} tests for drift were made. Even if nothing drifts, "
                f"{percent(LEVEL, 0)} % of the tests, here {LEVEL * tests:.1f}, find a drift by "
                "chance."
            )
        )
    return "\n".join(lines).rstrip()


def _line(document: Mapping[str, Any], line: Mapping[str, Any], details: bool) -> list[str]:
    name = line["line"]

    def mine(key: str) -> list[Mapping[str, Any]]:
        return [entry for entry in document[key] if entry["line"] == name]

    return [
        bold(f"{name or 'one line'}: {line['runs']} runs at {line['set_points']} set-points"),
        wrap(line["description"]["says"]),
        *_matters(mine("sensitivity"), mine("pairs"), details),
        *_noise(line["noise"]),
        *_calibration(line["calibration"], line["min_grade"]),
        *_fit(line["lack_of_fit"]),
        *_drift(mine("drift")),
        *(_item(entry["says"]) for entry in mine("unlogged") if entry["says"]),
        *_doubtful(mine("doubtful"), details),
        *_unknown(line),
    ]


def _matters(
    effects: Sequence[Mapping[str, Any]], pairs: Sequence[Mapping[str, Any]], details: bool
) -> list[str]:
    lines = [
        "What matters (share of the variance over the range tried, 90 % interval)",
        f"{'':<4}{'setting':<17}{'tried':<20}{'grade %':<17}recovery %",
    ]
    ordered = sorted(effects, key=lambda e: -e["recovery"])
    for e in ordered:
        low, high = (level(round(e["tried"][end], 6)) for end in ("low", "high"))
        between = " to " if low.startswith("-") else "-"
        tried = f"{low}{between}{high} {e['unit']}"
        total = [_share(e["indices"][q]["total"]) for q in ("grade", "recovery")]
        name = setting_words(e["setting"])
        lines.append(f"{'':<4}{name:<17}{tried:<20}{total[0]:<17}{total[1]}")
    lines += [_item(text) for text in profiles_told(e["setting"] for e in effects)]
    lines += [_item(e["in_words"]) for e in ordered]
    shown = sorted(pairs, key=lambda p: -p["recovery"]["mean"])
    for p in shown if details else shown[:1]:
        both = " and ".join(map(setting_words, p["settings"]))
        lines.append(
            _item(
                f"{both}, only together: {_share(p['recovery'])} % of recovery's variance, "
                f"{_share(p['grade'])} % of grade's."
            )
        )
    return lines


def _share(value: Mapping[str, float]) -> str:
    mean, low, high = (100.0 * max(0.0, value[k]) for k in ("mean", "low", "high"))
    return f"{mean:.0f} ({low:.0f}-{high:.0f})"


def _noise(noise: Mapping[str, Any]) -> list[str]:
    lines = ["Noise of one reading, standard deviation in points"]
    for name in ("grade", "recovery"):
        n = noise[name]
        sampling = n["sampling_sd"]
        if sampling is None:
            parts = "no run states its error, so all of the noise counts as the deck's own"
        else:
            parts = (
                f"{100 * sampling:.2f} from the sample, {100 * n['process_sd']:.2f} from the "
                f"deck; {percent(n['sampling_share'], 0)} % of the variance is from the sample"
            )
        lines.append(_item(f"{name} {100 * n['reading_sd']:.2f}: {parts}."))
    return lines


def _calibration(found: Mapping[str, Any], min_grade: float) -> list[str]:
    lines = [
        "Prediction of left-out runs, equal settings and material together "
        f"({found['set_points']} times)"
    ]
    for name in ("grade", "recovery"):
        f = found[name]
        low, high = f["coverage_interval"]
        lines.append(
            _item(
                f"{name}: the 90 % interval held {percent(f['coverage'])} % of the readings "
                f"({percent(low)} to {percent(high)} % by chance); it is "
                f"{100 * f['mean_width']:.1f} points wide."
            )
        )
    gap = found["chance_of_grade"]["gap"]
    if gap is not None:
        lines.append(
            _item(
                f"the stated chance of a grade of {exact_percent(min_grade)} % was off by "
                f"{100 * gap:.1f} points on average."
            )
        )
    return lines


def _fit(found: Mapping[str, Mapping[str, Any] | None]) -> list[str]:
    bad = [f"{k} (p {v['p_value']:.3f})" for k, v in found.items() if v and v["p_value"] < LEVEL]
    if bad:
        return [
            _item(
                f"Lack of fit in {' and '.join(bad)}: set-points stray from the surface by more "
                "than repeats do from each other. Either repeats were taken one right after "
                "another and share their day, or a setting or material is missing from the log."
            )
        ]
    if all(v is None for v in found.values()):
        return [_item("Lack of fit cannot be tested: too few repeats at the same settings.")]
    return [_item("No lack of fit: set-points stray no more than repeats do.")]


def _drift(entries: Sequence[Mapping[str, Any]]) -> list[str]:
    if not entries:
        return ["Drift: not judged; too few dated runs."]
    lines = ["Drift"]
    for d in entries:
        week, error = 700.0 * d["per_day"], 700.0 * d["per_day_se"]
        p = f"p {d['p_value']:.3f}" if d["p_value"] >= 0.001 else "p below 0.001"
        slope = f"{week:+.2f} ±{1.645 * error:.2f} points a week ({p})"
        if d["pattern"] == "none":
            text = (
                f"{d['quantity']}: none found, {slope}; {700 * d['visible_per_week'] / 7:.2f} "
                "points a week would have shown four times in five."
            )
        elif d["pattern"] == "trend":
            text = f"{d['quantity']}: a slow trend, {slope}."
        else:
            steps = ", ".join(
                f"{c['date']} by {100 * c['size']:+.1f} points" for c in d["change_points"]
            )
            text = f"{d['quantity']}: sudden change on {steps}; trend {slope}."
        lines.append(_item(text))
        days = d["days_out_of_line"]
        if days:
            more = f" and {len(days) - MOST_DAYS} more" if len(days) > MOST_DAYS else ""
            lines.append(_item(f"days out of line: {', '.join(days[:MOST_DAYS])}{more}.", 6))
        if d["checks"]:
            causes = ", ".join(c["check"] for c in d["checks"])
            lines.append(_item(f"check first (common practice, no proof): {causes}.", 6))
    return lines


def _doubtful(entries: Sequence[Mapping[str, Any]], details: bool) -> list[str]:
    if not entries:
        return ["Doubtful runs: none."]
    shown = entries if details else entries[:MOST_DOUBTS]
    lines = [f"Doubtful runs ({len(entries)}; look at them, nothing was removed)"]
    lines += [_item(f"{d['run_id'][:16]}: {d['reason']}.") for d in shown]
    if len(shown) < len(entries):
        lines.append(_item(f"... and {len(entries) - len(shown)} more, with --details."))
    return lines


def _unknown(line: Mapping[str, Any]) -> list[str]:
    known = line["unexplored"]["known_share"]
    lines = [
        f"Not known: the runs are informative about {percent(known, 0)} % of what the limits allow"
    ]
    for gap in line["unexplored"]["gaps"]:
        lines.append(
            _item(
                f"{setting_words(gap['setting'])} {gap['low']:g} to {gap['high']:g} "
                f"{gap['unit']} was never tried ({percent(gap['share'], 0)} % of its range)."
            )
        )
    for c in line["collinear"]:
        lines.append(
            _item(
                f"{setting_words(c['setting'])} moved with {setting_words(c['with'])} "
                f"(correlation {c['correlation']:.2f}): their effects are hard to tell apart."
            )
        )
    lines += [_item(w) for w in line["warnings"]]
    sampling = line["sampling"]
    best = sampling["options"][0]
    lines.append(
        _item(
            f"Most helpful: {best['sampling']}. Recovery inside the limits is known to "
            f"±{100 * sampling['half_width_now']:.1f} points on average; this would make it "
            f"±{100 * best['half_width']:.1f}."
        )
    )
    others = "; ".join(
        f"{o['sampling']} ±{100 * o['half_width']:.1f}" for o in sampling["options"][1:]
    )
    return [*lines, _item(f"Alternatives: {others}.")]


def _item(text: str, indent: int = 4) -> str:
    """A list item, folded to the width and indented."""
    first, rest = " " * (indent - 2) + "- ", " " * indent
    return textwrap.fill(text, WIDTH, initial_indent=first, subsequent_indent=rest)
