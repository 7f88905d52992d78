"""The template of a site file, with comments, which a new user edits."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from optimizer.errors import InputError, reason_of
from optimizer.files import write_whole
from optimizer.plant.settings import GRAVITY_TABLE

HEAD = """\
# Site file of highside: what your decks are. Edit the numbers, then load a log.
# Ranges are what the deck can really be set to; steps are the smallest change an operator can
# make. A run outside the range is rejected on loading, and no plan ever leaves it.
"""
_SITE_KEYS = {
    "time_zone": (
        "America/Bogota",
        "where your clocks are; times without an offset are then read so",
    ),
    "mass": ("lb", "unit of lots, feed used, product, prices: t (default), kg, lb, short_ton"),
    "date_order": ("day-first", '03/04/2026 is then 3 April; or "month-first", "year-first"'),
    "currency": ("credits", "of all prices"),
    "language": ("es", "of report, sheets and pages: en (default), es or pt"),
}
SITE_LINES = {
    key: f'# {key} = "{example}"'.ljust(33) + f"# {what}"
    for key, (example, what) in _SITE_KEYS.items()
}
"""The entries of ``[site]`` besides the name, as comments with an example each."""

_SETTING = """
[settings.{name}]
unit = "{unit}"{note}
low = {low}
high = {high}
step = {step}
# max_change = {max_change}   # largest move from the settings a brief gives as [current]
"""

_NOTES = {
    "feed_rate": '              # or "kg/h", "lb/h": numbers here and in plans are then in it',
    "end_raise": '             # or a height: "mm", "cm", "in"; so may the side tilt be',
    "air": '                # per cent open; or "turn": turns of the air-gate knob',
}
_WAS = """\
# A unit that changed and that no formula converts: pairs of an old value and the same in the unit
# above. The runs that you have stay as they are and are read in the new unit.
# was = [{ unit = "turn", at = [[0, 0], [90, 100]] }]
# Where air is set at several gates in turn: their number. air_1 at the feed end, air_2 ... are then
# settings of their own, in logs, briefs and plans. A log with the one column air has all alike.
# gates = 4
# max_taper = 20   # largest difference between neighboring gates
# [settings.air_2] # what differs at one gate
# high = 70
"""

_MATERIAL = """
# Measured properties of the feed, one table each. They are never searched; a plan is made for
# today's values. feed_grade, the share of wanted material in the feed, has a fixed meaning.
# [material.feed_grade]
# unit = "fraction"          # or "%"
# low = 0.5
# high = 1.0
# [material.moisture]
# unit = "%"
# low = 8
# high = 16
"""
TAIL = """
# How you weigh, assay, sample and count. Errors are relative, one standard error; they hold for
# measurements that state none.
# [measurement]
# weighing_error = "0.5 %"
# assay_error = "1 %"
# streams = ["feed", "product", "middlings", "reject"]   # rows of a sheet to fill in
# returned = ["middlings"]          # those that are led back to the feed
# feed_sampled = "before_return"    # or "after_return": where those streams have joined the feed
# grade_difference = "0.5 %"        # difference of grade that a count of particles should show

# What your people call the knobs, the high side and the feed end; report, sheets and pages say so.
# [called]
# air = "damper"
# high_side = "wall side"
# feed_end = "left"

# What is checked before the first trial, as it stands on the sheet; ours is a general start.
# [sheet]
# checks = ["Deck cloth brushed.", "Fan belt looked at."]

# Headings of your logs, when they are not the canonical names (feed_rate, end_raise, side_tilt,
# eccentric_speed, air, grade, recovery, grade_count, line, started_at, run_id, deck_state ...).
# [columns]
# "Feed kg/h" = "feed_rate [kg/h]"
# "Purity" = "grade [%]"

# What changed a deck for good, and when; it counts for all lines where none is named.
# [[events]]
# at = 2026-03-02T06:30:00
# what = "cloth of the deck changed"
# line = "deck-1"

# What differs on one line.
# [lines.deck-1.settings.air]
# high = 60
"""


def site_template() -> str:
    """The text of a site file with the default ranges."""
    # Air in per cent open says the same at every deck; turns differ with the knob.
    air = replace(GRAVITY_TABLE["air"], unit="%", low=0.0, high=100.0)
    tables = [
        _SETTING.format(
            name=s.name,
            unit=s.unit,
            note=_NOTES.get(s.name, ""),
            low=f"{s.low:g}",
            high=f"{s.high:g}",
            step=f"{s.step:g}",
            max_change=f"{5 * s.step:g}",
        )
        for s in (air if each.name == air.name else each for each in GRAVITY_TABLE.settings)
    ]
    site = "\n".join(["", "[site]", 'name = "my plant"', *SITE_LINES.values(), ""])
    return HEAD + site + "".join(tables) + _WAS + _MATERIAL + TAIL


def refuse_existing(path: Path) -> None:
    """Refuse to write a file that exists.

    Raises:
        InputError: when it exists.
    """
    if path.exists():
        raise _exists(path)


def _exists(path: Path) -> InputError:
    return InputError(
        f"'{path}' exists and was left alone.",
        hint="Name another file, move it away, or add --replace.",
    )


def write_site_file(path: Path, text: str, *, replace: bool = False) -> None:
    """Write the text of a site file.

    Args:
        path: path of the file.
        text: text of the file.
        replace: whether a file that exists is replaced.

    Raises:
        InputError: when the file exists and is not to be replaced, or cannot be written.
    """
    try:
        if replace:
            write_whole(path, text.encode())
            return
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        raise _exists(path) from None
    except OSError as error:
        raise InputError(f"'{path}' cannot be written: {reason_of(error)}.") from None
