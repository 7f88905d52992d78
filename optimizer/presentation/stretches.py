"""The page of a load of readings over time: what was made of them, with a picture of each day."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from markupsafe import Markup

from optimizer.presentation.pages import render
from optimizer.presentation.svg import COLOR, drawing, inline, quiet
from optimizer.text.words import ENGLISH, Words

Doc = Mapping[str, Any]
MOST_PICTURES = 31
"""Largest number of days that get a picture; each has its table."""
MEASURED = ("grade", "recovery")


def stretches_html(days: Sequence[Doc], words: Words = ENGLISH) -> str:
    """The page as one HTML file that loads nothing from elsewhere.

    Args:
        days: what was made of the readings of each line and day, see
            ``optimizer.intake.stretches.days``.
        words: how the reader is told things.
    """
    entries = [
        {
            "day": day,
            "settings": [
                {"name": words.setting(s["name"]), "key": s["name"], "unit": words.unit(s["unit"])}
                for s in day["settings"]
            ],
            "picture": picture(day, k, words) if k < MOST_PICTURES else None,
        }
        for k, day in enumerate(days)
    ]
    return render(
        "stretches.html",
        days=entries,
        t=words["stretches"],
        language=words.language,
        date=words.date,
        level=words.figure,
        percent=words.figure,
        clock=clock,
    )


def clock(hours: float) -> str:
    """Hours since midnight as a time of day.

    >>> clock(6.65), clock(25.0)
    ('06:39', '25:00')
    """
    minutes = round(60.0 * hours)
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


def picture(day: Doc, number: int, words: Words) -> Markup:
    """The readings of one line and day over time, with the stretches as bands.

    A frame is a stretch, and its shaded part was averaged; an empty frame made no run.

    Args:
        day: the document of the day.
        number: number of the picture on the page.
        words: how the reader is told things.
    """
    say = words["stretches"]
    hours = np.array(day["hours"])
    averaged = np.array(day["averaged"], bool)
    rows = [
        (f"{words.setting(s['name'])}\n({words.unit(s['unit'])})", s["values"], "ink", 1.0)
        for s in day["settings"]
        if len({v for v in s["values"] if v is not None}) > 1
    ]
    rows += [(f"{say[q]}\n(%)", day[q], q, 100.0) for q in MEASURED if any(day[q])]
    with drawing(7.2, 0.4 + 1.05 * len(rows)) as figure:
        every = figure.subplots(len(rows), 1, sharex=True, squeeze=False)[:, 0]
        for axes, (label, values, color, scale) in zip(every, rows, strict=True):
            y = scale * np.array([np.nan if v is None else v for v in values], float)
            for stretch in day["stretches"]:
                _band(axes, stretch)
            used = y[averaged] if averaged.any() else y
            spread = max(float(np.nanmax(used) - np.nanmin(used)), 1e-9)
            # What a sensor read while it dropped out is drawn at the edge.
            y = np.clip(y, np.nanmin(used) - 0.2 * spread, np.nanmax(used) + 0.2 * spread)
            for mask, style in ((averaged, {"mfc": COLOR[color]}), (~averaged, {"mfc": "none"})):
                dots = {"ms": 2.6, "mew": 0.6, "mec": COLOR[color], **style}
                axes.plot(hours[mask], y[mask], "o", **dots)
            axes.set_ylabel(label, rotation=0, ha="right", va="center")
            axes.margins(x=0.01, y=0.15)
            quiet(axes)
        every[-1].set_xlabel(say["hour"])
        every[-1].xaxis.set_major_formatter(lambda value, _: clock(value))
        label = f"{day['line']}, {words.date(day['date'])}: {say['alt']}"
        return inline(figure, f"day{number}", label, words)


def _band(axes: Any, stretch: Doc) -> None:
    if stretch["run"]:
        axes.axvspan(
            stretch["averaged_first"],
            stretch["averaged_last"],
            color=COLOR["rule"],
            alpha=0.7,
            lw=0,
        )
    axes.axvspan(stretch["first"], stretch["last"], fill=False, ec=COLOR["muted"], lw=0.6)
