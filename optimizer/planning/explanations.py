"""Sentences about a trial for the operator: moves, reasons, and what to watch for."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from optimizer.interval import Interval
from optimizer.planning.plan import Change
from optimizer.plant.profiles import profiles_of
from optimizer.plant.settings import SettingSpace
from optimizer.text.figures import percent, whole_percent, worth

# Air comes last: how much of it the bed needs depends on the other settings (common practice). A
# lower feed rate is set before the other settings and a higher one after them, so that the other
# settings are moved at the lower feed rate.
ORDER = ("end_raise", "side_tilt", "eccentric_speed", "air")

WATCH = {
    ("air", 1): "a bed that bubbles and mixes; it needs less air",
    ("air", -1): "a bed that stands still and builds up; it needs more air",
    ("feed_rate", 1): "a bed too deep to sort",
    ("feed_rate", -1): "parts of the deck without material",
    ("end_raise", 1): "material that leaves the deck unsorted",
    ("end_raise", -1): "a bed that deepens because material travels more slowly",
    ("side_tilt", 1): "heavy material that leaves on the low side",
    ("side_tilt", -1): "light material that leaves on the high side",
    ("eccentric_speed", 1): "light material that leaves on the high side",
    ("eccentric_speed", -1): "heavy material that leaves on the low side",
    ("air_taper", 1): "a feed end that bubbles while the discharge end stands still",
    ("air_taper", -1): "a feed end that stands still while the discharge end bubbles",
    ("air_bow", 1): "a bed that bubbles in its middle and stands still at its ends",
    ("air_bow", -1): "a bed that stands still in its middle and bubbles at its ends",
}
"""What a move in each direction may cause, by setting. Common practice, no source: more end raise
shortens the stay, more tilt shifts the bed to the low side and more speed to the high side."""
STEADY = "the bed to cover the whole deck before you sample"


def changes_between(
    space: SettingSpace, start: Mapping[str, float], end: Mapping[str, float]
) -> tuple[Change, ...]:
    """The moves from one trial to the next, in the order in which an operator makes them.

    A control less than half a step away from its new value is not moved. Gates are moved one after
    another from the feed end, since the bed arrives from there (common practice).
    """
    moved = [n for n in space.names if n in start and space[n].differ(start[n], end[n])]

    def place(name: str) -> tuple[int, int]:
        if name == "feed_rate":
            return (0 if end[name] < start[name] else 2, 0)
        whole = space[name].gate_of or name
        return (1, ORDER.index(whole) if whole in ORDER else len(ORDER))

    return tuple(
        Change(n, float(start[n]), float(end[n]), space[n].unit) for n in sorted(moved, key=place)
    )


def watch_for(space: SettingSpace, changes: tuple[Change, ...]) -> str:
    """A sentence on what to watch for after the largest move of the trial."""
    # A gate that does not move keeps its value, of which only the difference matters: 0.
    profiles, moved = profiles_of(space), {c.setting: c.end - c.start for c in changes}
    of_gates = {name for name in moved if space[name].gate_of is not None}
    sizes = {name: by / (space[name].high - space[name].low) for name, by in moved.items()}
    for gates in profiles.gates:
        own = [space.names[column] for column in gates.columns]
        if of_gates & set(own):
            parts = gates.profile(np.array([[moved.get(name, 0.0) for name in own]]))[0]
            for column, part in zip(gates.columns, parts, strict=True):
                sizes[profiles.names[column]] = float(part) / gates.span
    known = {name: size for name, size in sizes.items() if name in WATCH_SETTINGS and size}
    if not known:
        return f"Wait for {STEADY}."
    largest = max(known, key=lambda name: abs(known[name]))
    return f"Watch for {WATCH[(largest, 1 if known[largest] > 0 else -1)]}."


def profile_against(
    space: SettingSpace, trial: Mapping[str, float], now: Mapping[str, float]
) -> str:
    """How the profile of gates in a trial differs from that of the settings to run now, as a
    sentence after a space; empty where no gate differs by a step for its taper or bow.

    Args:
        space: the settings of the line.
        trial, now: settings of the trial and those to run now, by name.
    """
    said = []
    for gates in profiles_of(space).gates:
        own = [space.settings[column] for column in gates.columns]
        by = gates.profile(np.array([[trial[s.name] - now[s.name] for s in own]]))[0]
        step = max(s.step for s in own)
        # With two gates there is no bow.
        for part, (more, less) in zip(by[1:], PROFILES, strict=False):
            if abs(part) >= step:
                said.append(f"{more if part > 0 else less}")
    return f" Tries {' and '.join(said)} than run-now." if said else ""


WATCH_SETTINGS = {name for name, _ in WATCH}
PROFILES = (
    ("more air at the feed end", "more air at the discharge end"),
    ("more air in the middle", "more air at both ends"),
)
"""What a taper and a bow are called, above and below 0."""


def reason(
    recovery: Interval, chance: float, confidence: float, now: Interval, now_meets: bool
) -> str:
    """Why a trial is worth its material, in one sentence.

    Args:
        recovery: predicted recovery of the trial, with its interval.
        chance: chance that the trial meets the grade.
        confidence: smallest chance of the grade that counts as sure.
        now: predicted recovery of the settings to run now.
        now_meets: whether the settings to run now are sure of the grade.
    """
    assert recovery.mean is not None
    assert now.mean is not None
    ahead = 100.0 * (recovery.mean - now.mean)
    more, sure = f"{ahead:.1f} points", f"{whole_percent(chance)} %"
    if not now_meets and chance >= 0.8:
        return f"Likely meets the grade ({sure}), and shows how much recovery it leaves."
    if not now_meets:
        expected = percent(recovery.mean, 0)
        return f"Looks for the grade: {sure} chance of it, {expected} % recovery."
    if chance >= confidence and ahead > 0:
        return f"Likely better: {more} more recovery, grade {sure} sure."
    if ahead > 0 and chance >= 0.5:
        return f"Promising: {more} more recovery if the grade holds ({sure})."
    if ahead > 0:
        return f"Finds the edge of the grade: {more} to win, {sure} chance."
    if chance >= confidence:
        return f"Safe ground: {sure} sure of the grade, should run-now fall short of it."
    width = 50.0 * (recovery.high - recovery.low)
    return f"Learns: recovery here is known to ±{width:.1f} points and may be the best."


def reason_of_gain(gain: float, bar: float, unit: str, chance: float | None) -> str:
    """Why a trial is worth its material where the goal is value or a trade-off, in one sentence.

    Args:
        gain: expected gain of the trial, in ``unit``.
        bar: the smallest gain that makes a trial worth its cost, in ``unit``.
        unit: such as ``credits/h``; a fraction is shown in points.
        chance: chance that the trial meets the grade; None where every grade is accepted.
    """
    if unit.startswith("fraction of "):
        if gain < bar:
            least = f"{100.0 * bar:.2g} points"
            return f"Fills the batch: expected to add less than the {least} that would show."
        return f"Expected to add {100.0 * gain:.2g} points of {unit.removeprefix('fraction of ')}."
    if gain < bar:
        return (
            f"Fills the batch: expected to add less than the {worth(bar)} {unit} that would show."
        )
    sure = "" if chance is None else f", grade {whole_percent(chance)} % sure"
    return f"Expected to add {worth(gain)} {unit} to what run-now earns{sure}."


FIRST_BATCH = "Spreads the first trials over the limits: nothing is known here yet."
