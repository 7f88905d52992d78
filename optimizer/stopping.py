"""Whether another trial is worth it, and by which figure."""

from __future__ import annotations

import numpy as np

from optimizer.plan import Interval, Stopping

# Stop when a further dozen trials, each worth as much as the best next one, would not add half a
# point of recovery, or a quarter of what one reading scatters: neither would pay or show. On 20
# simulated decks (seeds 7 to 11 of ``tests.benchmarks.stopping``) a bar of 0.1 points a trial
# stopped after 21 trials and a dozen more gained a point in 5 of 20; this one stopped 17 of them
# within 40 trials, after 25, and going on gained a point in 2 of the 17. On decks that chose
# nothing both are right less often (reports/benchmark.md).
DOZEN = 12
SMALLEST_GAIN = 0.005 / DOZEN
SHARE_OF_SCATTER = 0.25 / DOZEN


def bar_of(reading_sd: tuple[float, float], recovery: Interval) -> float:
    """The least gain in recovery (fraction) of a trial that would show or pay.

    Args:
        reading_sd: process noise of one reading, of sharpness and balance.
        recovery: of the settings to run now.
    """
    r = recovery.mean or 0.5
    # d recovery = r (1 - r) da, a = (S + C) / 2.
    scatter = r * (1.0 - r) * 0.5 * float(np.hypot(*reading_sd))
    return max(SMALLEST_GAIN, SHARE_OF_SCATTER * scatter)


def advise(gain: float, bar: float, unit: str, sure: bool, tried: int, few: int) -> Stopping:
    """Advice on going on.

    Args:
        gain: expected of the best next trial, in ``unit``.
        bar: the least that would show or pay, likewise.
        unit: of the gain; a fraction of recovery is shown in points.
        sure: whether the settings to run now are sure enough of the grade.
        tried: distinct settings tried.
        few: fewer than this are too few to stop on.
    """
    if unit.startswith("fraction"):
        # Near the bar two decimals would look alike.
        digits = 3 if gain < 2 * bar else 2
        shown = f"{100 * gain:.{digits}f} points of recovery"
        least = f"{100 * bar:.{digits}f} points"
    else:
        shown, least = f"{gain:.4g} {unit}", f"{bar:.4g} {unit}"
    said = f"the best next trial is expected to add {shown}"
    if not sure:
        return Stopping("continue", gain, "no settings are sure enough of the grade yet.")
    if tried < few:
        return Stopping(
            "continue", gain, f"{said}; fewer than {few} settings tried is too few to stop on."
        )
    if gain < bar:
        return Stopping("stop", gain, f"{said}, less than the {least} that would show or pay.")
    return Stopping("continue", gain, f"{said}, above the bar of {least}.")
