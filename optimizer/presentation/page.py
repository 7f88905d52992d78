"""The report: one HTML page on which to decide.

In come documents: a plan and its landscape, and optionally a diagnosis and a comparison. Every
number on the page is looked up in one of the documents by its path, and the page states that path:
``<data value=... data-from="plan:run_now.grade.mean">``.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any

from markupsafe import Markup, escape

from optimizer.presentation import plots
from optimizer.presentation.pages import render
from optimizer.presentation.sheet import make_sheet
from optimizer.presentation.svg import inline
from optimizer.text.figures import UNKNOWN
from optimizer.text.masses import (
    feed_key,
    mass_kind,
    mass_unit_of,
    product_key,
)
from optimizer.text.money import prices_told, season_value
from optimizer.text.sentences import retold
from optimizer.text.setting_names import gates_together
from optimizer.text.todays_material import FRACTION, unit_text
from optimizer.text.words import ENGLISH, Words

Doc = Mapping[str, Any]

# Most rows and columns of the tables beside plots; the documents contain all values.
EFFECT_ROWS, MAP_ROWS, MAP_COLUMNS = 7, 7, 8


class Numbers:
    """Looks up numbers in documents by path, and writes them as HTML that states the path.

    Args:
        documents: the documents by name.
        words: how the reader is told things.
    """

    def __init__(self, documents: Mapping[str, Doc], words: Words = ENGLISH) -> None:
        self.documents = documents
        self.words = words

    def value(self, path: str) -> Any:
        """The value at a path such as ``document:key.key.0``; None when part of the path is None.

        Raises:
            KeyError, IndexError: when the path does not exist.
        """
        name, _, keys = path.partition(":")
        found: Any = self.documents[name]
        for key in keys.split("."):
            if found is None:
                return None
            found = found[int(key)] if isinstance(found, list | tuple) else found[key]
        return found

    def __call__(self, path: str, kind: str = "percent") -> Markup:
        """The number at a path as HTML, in the format of its kind (``words.KINDS``)."""
        value = self.value(path)
        if value is None:
            return Markup(f'<span class="unknown">{UNKNOWN}</span>')
        return Markup('<data value="{}" data-from="{}" data-kind="{}">{}</data>').format(
            json.dumps(value), path, kind, self.words.figure(value, kind)
        )

    def interval(self, path: str, kind: str = "percent") -> Markup:
        """The interval at a path as HTML: its mean, followed by both ends in brackets."""
        mean = self(f"{path}.mean", kind)
        if self.value(f"{path}.mean") is None:
            return mean
        low, high = (self(f"{path}.{end}", kind) for end in ("low", "high"))
        return Markup('{} <span class="interval">({}–{})</span>').format(mean, low, high)


def report_html(
    plan: Doc,
    landscape: Doc,
    *,
    diagnosis: Doc | None = None,
    comparison: Doc | None = None,
    command: str = "",
    version: str = "",
    paper: str = "a4",
    words: Words = ENGLISH,
) -> str:
    """The report as one self-contained HTML page.

    Args:
        plan: a ``highside.plan/1`` document.
        landscape: the plan's ``highside.landscape/1`` document.
        diagnosis: a ``highside.diagnosis/1`` document of the line, or None.
        comparison: a ``highside.comparison/1`` document, or None.
        command: the command that makes this page.
        version: version of the program.
        paper: paper of the trial sheet in the page, ``a4`` or ``letter``.
        words: how the reader is told things.
    """
    plan, diagnosis, comparison = (retold(each, words) for each in (plan, diagnosis, comparison))
    documents = {"plan": plan, "landscape": landscape}
    documents |= {} if diagnosis is None else {"diagnosis": diagnosis}
    documents |= {} if comparison is None else {"comparison": comparison}
    units = plan.get("material_units", {})
    return render(
        "report.html",
        language=words.language,
        paper=paper,
        t=words["report"],
        **_settings_told(plan, landscape, words),
        w=words,
        plan=plan,
        land=landscape,
        diagnosis=diagnosis,
        comparison=comparison,
        n=Numbers(documents, words),
        pictures=pictures(plan, landscape, diagnosis, comparison, words),
        rows=_rows(plan, landscape),
        total=_total(plan, words),
        mass=_mass(plan, words),
        bands=_bands(plan, words),
        alone=False,
        season_value=season_value,
        prices_told=prices_told,
        kind_of=lambda name: "goal" if units.get(name) == FRACTION else "level",
        unit_of=lambda name: unit_text(units.get(name, ""), words),
        sheet=make_sheet(plan, landscape["today"], words),
        command=command,
        version=version,
        fill=lambda text, **values: escape(text).format(**values),
        level=words.figure,
        percent=lambda value: words.figure(value, "percent"),
        by_rank=range(len(plan["recommendations"])),
    )


def pictures(
    plan: Doc,
    land: Doc,
    diagnosis: Doc | None,
    comparison: Doc | None,
    words: Words,
    finish: plots.Finish = inline,
) -> dict[str, Any]:
    """The plots of the page by name, as SVG or as ``finish`` makes them; plots without data are
    left out."""
    found: dict[str, Any] = {
        "profiles": [
            plots.profile(whole, gates, plan, land, words, finish)
            for whole, gates in _profiles(plan).items()
        ]
    }
    if land["progress"]:
        found["progress"] = plots.progress(land, plan, words, finish)
    if plan["run_now"]:
        found["trade_off"] = plots.trade_off(plan, land, words, finish)
        found["effects"] = [plots.effect(e, plan, land, words, finish) for e in land["effects"]]
        if land["map"]:
            found["map"] = plots.interaction(plan, land, words, finish)
    if diagnosis is not None:
        bins = diagnosis["calibration"]["chance_of_grade"]["bins"]
        if bins:
            found["calibration"] = plots.calibration(bins, words, finish)
    if comparison is not None and comparison["lines"]:
        found["comparison"] = plots.comparison(comparison["lines"], words, finish)
    return found


def _settings_told(plan: Doc, land: Doc, words: Words) -> dict[str, Any]:
    """What the settings of the plan are called, and those of its effects; which are gates."""
    profiles = _profiles(plan)
    named = (*plan["units"], *(effect["setting"] for effect in land.get("effects", ())))
    means = {whole: words.level_of(whole) for whole in profiles}
    return {
        "names": {name: words.setting(name) for name in named} | means,
        "profiles": profiles,
        "first_gates": [gates[0] for gates in profiles.values()],
    }


def _profiles(plan: Doc) -> dict[str, tuple[str, ...]]:
    """The gates of each setting that has them, by its name."""
    return {k: names for k, names in gates_together(plan["units"]).items() if names[0] != k}


def _rows(plan: Doc, land: Doc) -> dict[str, Any]:
    """Positions of the levels that the tables of effects and of the map show.

    They are evenly spaced and include the settings to run now.
    """
    if not plan["run_now"]:
        return {}
    rows: dict[str, Any] = {
        "effects": [
            _even(len(e["levels"]), EFFECT_ROWS, e["levels"].index(e["now"]))
            for e in land["effects"]
        ]
    }
    if land["map"]:
        now = plan["run_now"]["settings"]
        for axis, most in (("x", MAP_COLUMNS), ("y", MAP_ROWS)):
            levels = land["map"][f"{axis}_levels"]
            rows[axis] = _even(len(levels), most, levels.index(now[land["map"][axis]]))
    return rows


def _even(length: int, most: int, through: int) -> Sequence[int]:
    """About ``most`` evenly spaced positions below ``length`` that include ``through``."""
    step = max(1, -(-length // most))
    return list(range(through % step, length, step))


def _total(plan: Doc, words: Words) -> dict[str, str]:
    """Feed and time of all trials together, as texts; the feed is empty when not known."""
    unit = mass_unit_of(plan)
    each = [t[feed_key(unit)] for t in plan["recommendations"]]
    known = all(feed is not None for feed in each)
    return {
        "mass": words.figure(sum(each), mass_kind(unit)) if known else "",
        "minutes": words.figure(sum(t["minutes"] for t in plan["recommendations"]), "minutes"),
    }


def _mass(plan: Doc, words: Words) -> dict[str, str]:
    """The unit of mass of the page: its label, the keys of feed and product, the kind of figure."""
    unit = mass_unit_of(plan)
    return {
        "unit": words.unit(unit),
        "feed": feed_key(unit),
        "product": product_key(unit),
        "kind": mass_kind(unit),
    }


def _bands(plan: Doc, words: Words) -> list[str]:
    """Texts of the map's legend, the lowest band of chance first."""
    say = words["report"]
    edges = [words.figure(e, "goal") for e in plots.chance_bands(plan["goal"]["confidence"])]
    inner = [say["between"].format(low=low, high=high) for low, high in pairwise(edges)]
    return [
        str(escape(text))
        for text in (
            say["below"].format(value=edges[0]),
            *inner,
            say["above"].format(value=edges[-1]),
        )
    ]
