"""The pictures of the report as figures of matplotlib, with axes that may be drawn on."""

from __future__ import annotations

import re
from functools import lru_cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.colors import to_hex, to_rgb
from matplotlib.contour import ContourSet
from matplotlib.figure import Figure
from matplotlib.text import Text

from optimizer.comparison import ComparisonRequest, compare
from optimizer.history.snapshot import snapshot_of
from optimizer.operations.reporting import review
from optimizer.planning.situation import situation_of
from optimizer.plant.brief import Brief
from optimizer.plant.site import Site
from optimizer.presentation.page import pictures
from optimizer.presentation.svg import COLOR
from optimizer.text.words import Words

if TYPE_CHECKING:
    from optimizer.history.snapshot import Source

PARTS = ("color", "facecolor", "edgecolor", "markerfacecolor", "markeredgecolor")
"""The colors that an artist may have, each with a getter and a setter."""


def report_figures(
    history: Source,
    site: Site | None = None,
    brief: Brief | None = None,
    *,
    compared: bool = False,
    seed: int = 0,
) -> dict[str, Figure]:
    """The pictures of the report of a plan, in the colors of its light page.

    Args:
        history, site, brief, seed: as of ``suggest``.
        compared: whether to compare all lines, too.

    Returns:
        Figures by name: ``progress``, ``trade_off``, ``effect of SETTING`` for each setting that
        the report shows, ``map``, ``calibration``, ``comparison``, and ``profile`` where a setting
        has gates, as far as the runs allow them.
        ``figure.axes`` are the axes of each. Grade and recovery are logits of fractions on the axes
        of ``trade_off``, and in per cent elsewhere.

    Raises:
        InputError, LimitError, HistoryError: as ``suggest``.
    """
    site, brief = site or Site(), brief or Brief()
    snapshot = snapshot_of(history, site)
    found = review(situation_of(snapshot, site, brief, seed=seed))
    comparison = None
    if compared:
        every_line = brief.model_copy(update={"line": None})
        comparison = compare(snapshot, site, every_line, ComparisonRequest(), seed=seed).as_dict()
    land = found.landscape.as_dict()
    drawn = pictures(
        found.plan.as_dict(),
        land,
        found.diagnosis_document(),
        comparison,
        site.words_in(None),
        painted,
    )
    effects, profiles = drawn.pop("effects", []), drawn.pop("profiles")
    named = {figure.get_label(): figure for figure in profiles} | {
        f"effect of {entry['setting']}": figure
        for entry, figure in zip(land["effects"], effects, strict=False)
    }
    return drawn | named


def painted(figure: Figure, name: str, description: str, words: Words) -> Figure:
    """A drawn figure with the colors of the page in place of the placeholders.

    Args:
        figure: a figure that was drawn inside ``svg.drawing``.
        name: label of the figure.
        description: what it shows, for readers who do not see it; its ``gid``.
        words: not needed, since figures on axes keep the manner of matplotlib.
    """
    colors = _colors()
    figure.draw_without_rendering()  # ticks are made by drawing
    artists = figure.findobj()
    boxes = [patch for text in figure.findobj(Text) if (patch := text.get_bbox_patch())]
    for artist in (*artists, *boxes):
        if isinstance(artist, ContourSet):
            artist.set_array(None)  # else each drawing takes the colors of its map again
        for part in PARTS:
            given = getattr(artist, f"get_{part}", lambda: None)()
            new = _replaced(given, colors)
            if new is not None:
                getattr(artist, f"set_{part}")(new)
    for axes in figure.axes:
        # Ticks that are made later, where limits change, have these colors.
        axes.tick_params(
            color=colors[COLOR["muted"]],
            labelcolor=colors[COLOR["ink"]],
            grid_color=colors[COLOR["rule"]],
        )
    figure.set_facecolor(colors[COLOR["paper"]])
    figure.set_label(name)
    figure.set_gid(description)
    return figure


@lru_cache(maxsize=1)
def _colors() -> dict[str, str]:
    """The color of the light page for each placeholder, as its style sheet has it."""
    sheet = files("optimizer.presentation").joinpath("templates/report.css")
    found = re.findall(r"--(\w+): (#[0-9a-f]{6});", sheet.read_text(encoding="utf-8"))
    light = dict(reversed(found))  # the light page stands first
    return {placeholder: light[name] for name, placeholder in COLOR.items()}


def _replaced(given: Any, colors: dict[str, str]) -> Any:
    """A color, or an array of colors, without placeholders; None where it has none."""
    if given is None or (isinstance(given, str) and given in ("none", "auto", "inherit")):
        return None
    if isinstance(given, np.ndarray) and given.ndim == 2:
        rows = given.copy()
        for row in rows:
            found = colors.get(to_hex(row[:3]))
            if found is not None:
                row[:3] = to_rgb(found)
        return None if np.array_equal(rows, given) else rows
    try:
        return _single(given, colors)
    except (ValueError, TypeError):  # not a color of this kind
        return None


def _single(given: Any, colors: dict[str, str]) -> Any:
    found = colors.get(to_hex(given))
    if found is None or isinstance(given, str):
        return found
    alpha = tuple(given)[3:]
    return (*to_rgb(found), *alpha)
