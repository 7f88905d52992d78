"""Sentences about a trial for the operator: moves, reasons, and what to watch for."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from optimizer.interval import Interval
from optimizer.planning.plan import Change
from optimizer.plant.profiles import profiles_of
from optimizer.plant.settings import SettingSpace
from optimizer.text.sentences import sentence

# Air comes last: how much of it the bed needs depends on the other settings (common practice). A
# lower feed rate is set before the other settings and a higher one after them, so that the other
# settings are moved at the lower feed rate.
ORDER = ("end_raise", "side_tilt", "eccentric_speed", "air")

MOVES = (
    "air",
    "feed_rate",
    "end_raise",
    "side_tilt",
    "eccentric_speed",
    "air_taper",
    "air_bow",
)
"""What a move may cause is known of these, by direction (``watch_air_up`` of the texts). Common
practice, no source: more end raise shortens the stay, more tilt shifts the bed to the low side and
more speed to the high side."""


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
    known = {name: size for name, size in sizes.items() if name in MOVES and size}
    if not known:
        return sentence("wait_for_cover")
    largest = max(known, key=lambda name: abs(known[name]))
    way = "up" if known[largest] > 0 else "down"
    return sentence("watch_for", what=sentence(f"watch_{largest}_{way}"))


def with_profile(
    why: str, space: SettingSpace, trial: Mapping[str, float], now: Mapping[str, float]
) -> str:
    """A reason, and how the profile of gates in a trial differs from that of the settings to run
    now; the reason alone where no gate differs by a step for its taper or bow.

    Args:
        why: why the trial is worth its material.
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
                said.append(sentence(more if part > 0 else less))
    return sentence("why_with_profile", why=why, profile=said) if said else why


PROFILES = (("more_at_feed_end", "more_at_discharge_end"), ("more_in_middle", "more_at_ends"))
"""What a taper and a bow are called, above and below 0, as keys of the texts."""


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
    if not now_meets and chance >= 0.8:
        return sentence("why_likely_meets", chance=chance)
    if not now_meets:
        return sentence("why_looks_for_grade", chance=chance, recovery=recovery.mean)
    if chance >= confidence and ahead > 0:
        return sentence("why_likely_better", ahead=ahead, chance=chance)
    if ahead > 0 and chance >= 0.5:
        return sentence("why_promising", ahead=ahead, chance=chance)
    if ahead > 0:
        return sentence("why_finds_edge", ahead=ahead, chance=chance)
    if chance >= confidence:
        return sentence("why_safe_ground", chance=chance)
    return sentence("why_learns", width=50.0 * (recovery.high - recovery.low))


def reason_of_gain(
    gain: float, bar: float, unit: str, chance: float | None, over: float | None = None
) -> str:
    """Why a trial is worth its material where the goal is value or a trade-off, in one sentence.

    Args:
        gain: expected gain of the trial, in ``unit``.
        bar: the smallest gain that makes a trial worth its cost, in ``unit``.
        unit: such as ``credits/h``; a fraction is shown in points.
        chance: chance that the trial meets the grade; None where every grade is accepted.
        over: the lowest of the grades over which a gain in recovery is averaged; None for one.
    """
    if unit.startswith("fraction of "):
        if gain < bar:
            return sentence("why_fills_points", least=100.0 * bar)
        if over:
            return sentence("why_adds_recovery_over_grades", gain=100.0 * gain, start=over)
        return sentence("why_adds_recovery", gain=100.0 * gain)
    if gain < bar:
        return sentence("why_fills", least=bar, unit=unit)
    if chance is None:
        return sentence("why_adds", gain=gain, unit=unit)
    return sentence("why_adds_sure", gain=gain, unit=unit, chance=chance)
