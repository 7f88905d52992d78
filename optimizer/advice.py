"""What a trial means for the person at the deck: order of moves, why, and what to watch for."""

from __future__ import annotations

from collections.abc import Mapping

from optimizer.plan import Change, Interval
from optimizer.settings import SettingSpace

# Moves from the least to the most sensitive control; air last, once the bed has its new depth
# (common practice). A lower feed goes first and a higher feed last, so that the deck is never
# asked to carry more than its other settings can spread.
ORDER = ("end_raise", "side_tilt", "eccentric_speed", "air")

WATCH = {
    ("air", 1): "boiling or dust at the feed end: then less air",
    ("air", -1): "a sluggish bed piling at the high side: then more air",
    ("feed_rate", 1): "the bed growing deep before it has spread",
    ("feed_rate", -1): "bare patches on the deck",
    ("end_raise", 1): "material running off before it has spread",
    ("end_raise", -1): "the bed growing deep at the feed end",
    ("side_tilt", 1): "good material slipping to the low side",
    ("side_tilt", -1): "light material climbing to the high side",
    ("eccentric_speed", 1): "light material carried to the high side",
    ("eccentric_speed", -1): "good material staying on the low side",
}
STEADY = "the deck to cover evenly before you sample"


def changes_between(
    space: SettingSpace, start: Mapping[str, float], end: Mapping[str, float]
) -> tuple[Change, ...]:
    """The controls to move, in the order an operator moves them, one at a time."""
    moved = [n for n in space.names if n in start and abs(end[n] - start[n]) > 1e-9]

    def place(name: str) -> tuple[int, int]:
        if name == "feed_rate":
            return (0 if end[name] < start[name] else 2, 0)
        return (1, ORDER.index(name) if name in ORDER else len(ORDER))

    return tuple(
        Change(n, float(start[n]), float(end[n]), space[n].unit) for n in sorted(moved, key=place)
    )


def watch_for(space: SettingSpace, changes: tuple[Change, ...]) -> str:
    """What the largest move of the trial may bring."""
    known = [c for c in changes if c.setting in WATCH_SETTINGS]
    if not known:
        return f"Wait for {STEADY}."
    spans = {s.name: s.high - s.low for s in space.settings}
    largest = max(known, key=lambda c: abs(c.end - c.start) / spans[c.setting])
    sign = 1 if largest.end > largest.start else -1
    return f"Watch for {WATCH[(largest.setting, sign)]}."


WATCH_SETTINGS = {name for name, _ in WATCH}


def reason(
    recovery: Interval, chance: float, confidence: float, now: Interval, now_meets: bool
) -> str:
    """Why the trial is worth its material, in one line."""
    assert recovery.mean is not None
    assert now.mean is not None
    ahead = 100.0 * (recovery.mean - now.mean)
    width = 50.0 * (recovery.high - recovery.low)
    if not now_meets and chance >= 0.8:
        return f"Likely meets the grade ({chance:.0%}), and shows how much recovery it leaves."
    if not now_meets:
        return f"Looks for the grade: {chance:.0%} chance of it, {recovery.mean:.0%} recovery."
    if chance >= confidence and ahead > 0:
        return f"Likely better: {ahead:.1f} points more recovery, grade {chance:.0%} sure."
    if ahead > 0 and chance >= 0.5:
        return f"Promising: {ahead:.1f} points more recovery if the grade holds ({chance:.0%})."
    if ahead > 0:
        return f"Finds the edge of the grade: {ahead:.1f} points to win, {chance:.0%} chance."
    if chance >= confidence:
        return f"Safe ground: {chance:.0%} sure of the grade, should run-now fall short of it."
    return f"Learns: recovery here is known to ±{width:.1f} points and may be the best."


def reason_of_gain(gain: float, bar: float, unit: str, chance: float | None) -> str:
    """Why the trial is worth its material where value or a trade-off is wanted, in one line.

    Args:
        gain: expected, in ``unit``.
        bar: the least that would show or pay, likewise.
        unit: such as ``credits/h``; a fraction is shown in points.
        chance: of the grade, or None where any will do.
    """
    if unit.startswith("fraction of "):
        if gain < bar:
            least = f"{100.0 * bar:.2g} points"
            return f"Fills the batch: expected to add less than the {least} that would show."
        return f"Expected to add {100.0 * gain:.2g} points of {unit.removeprefix('fraction of ')}."
    if gain < bar:
        return f"Fills the batch: expected to add less than the {bar:.3g} {unit} that would show."
    sure = "" if chance is None else f", grade {chance:.0%} sure"
    return f"Expected to add {gain:.3g} {unit} to what run-now earns{sure}."


FIRST_BATCH = "Spreads the first trials over the limits: nothing is known here yet."
