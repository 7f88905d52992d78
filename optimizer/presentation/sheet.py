"""The content of a trial sheet: the trials in the order they are run, with advice around them.

In come a plan and the conditions of today; out comes a ``Sheet``, whose words and numbers are laid
out by ``sheet_pdf`` and by the HTML template. The predictions of the model are left out on purpose,
so that they do not influence the readings.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from optimizer.text.figures import level
from optimizer.text.masses import feed_key, mass_kind, mass_unit_of
from optimizer.text.plan_middlings import keeps_middlings
from optimizer.text.sentences import retold
from optimizer.text.setting_names import gate_number, gates_together
from optimizer.text.todays_material import todays_material
from optimizer.text.trial_numbers import id_of_trial
from optimizer.text.words import ENGLISH, Words

SHEETS = (".pdf", ".html", ".csv")
"""Suffixes of the files that a sheet may be."""
# Number of cuts of a sample; common practice, so that a surge does not determine the sample.
INCREMENTS = 5


@dataclass(frozen=True)
class SettingCell:
    """One setting of a trial.

    Attributes:
        name, label, unit: name in documents, name on the sheet, and unit.
        value: value in the trial, as text.
        before: value before the trial, as text; empty when it is not known.
        moved: whether the setting must be moved, or its value before is not known.
        is_gate: whether it is one of several gates in turn.
    """

    name: str
    label: str
    unit: str
    value: str
    before: str
    moved: bool
    is_gate: bool = False


@dataclass(frozen=True)
class TrialBlock:
    """One trial.

    Attributes:
        order, rank: position in the batch, and rank in the plan.
        number: number of the trial; empty for a plan that was not issued.
        settings: the settings of the trial.
        moves: sentences that say how to get there from the trial before.
        watch: what to watch during the trial.
        needs: sentence that states the feed and the time that the trial takes.
    """

    order: int
    rank: int
    number: str
    settings: tuple[SettingCell, ...]
    moves: tuple[str, ...]
    watch: str
    needs: str


@dataclass(frozen=True)
class Box:
    """A titled list of lines."""

    title: str
    lines: tuple[str, ...]


@dataclass(frozen=True)
class Sheet:
    """The content of a trial sheet.

    Attributes:
        words: fixed words, by key (section ``sheet`` of the texts).
        language: language of the words.
        states: words for the deck states, by their name in logs.
        heading: id of the batch, or name of the line for a plan that was not issued.
        lot: phrases that describe the material and its amount.
        goal: sentence that states the required grade.
        limits: phrases that state today's limits.
        trials: the trials in the order they are run.
        checks, moving, watch, sampling, cautions: fixed advice.
        made: sentence that states history version and seed.
        middlings: whether the middlings are a product, whose share and grade are to be written
            down.
    """

    words: Mapping[str, Any]
    language: str
    states: Mapping[str, str]
    heading: str
    lot: tuple[str, ...]
    goal: str
    limits: tuple[str, ...]
    trials: tuple[TrialBlock, ...]
    checks: Box
    moving: Box
    watch: Box
    sampling: Box
    cautions: Box
    made: str
    middlings: bool = False


def make_sheet(
    plan: Mapping[str, Any],
    today: Mapping[str, Any],
    words: Words = ENGLISH,
    batch: str | None = None,
) -> Sheet:
    """Makes the content of the trial sheet of a plan.

    Args:
        plan: a ``highside.plan/1`` document.
        today: the entry ``today`` of a ``highside.landscape/1`` document, see
            ``optimizer.landscape``: ``site``, ``settings`` (name, unit, low, high, max_change and,
            of gates, max_taper of each), ``capacity``, ``trials``, ``start``.
        words: how the reader is told things.
        batch: id of the batch as which the plan was issued; None for a plan that was not issued.
    """
    say, plan = words["sheet"], retold(plan, words)
    trials, sampling = today["trials"], plan.get("sampling") or _counted_before(today, words)
    fill = {
        "settle": words.figure(trials["settle_minutes"], "minutes"),
        "sample": words.figure(trials["sample_minutes"], "minutes"),
        "count": sampling["count"],
        "why": sampling["why"],
        "increments": INCREMENTS,
    }

    def box(key: str) -> Box:
        lines = (line for line in say[key] if fill["count"] or "{count" not in line)
        return Box(say[f"{key}_title"], tuple(words.fill(line, **fill) for line in lines))

    grade, version = plan["goal"]["min_grade"], plan["history_version"]
    made = say["made_new"] if version is None else say["made"]
    available, middlings = trials["material_available"], keeps_middlings(plan)
    properties = todays_material(plan, words)
    lot = [f"{words.property(name)} {text}" for name, text in properties.items()]
    if available is not None:
        unit = words.unit(mass_unit_of(plan))
        lot.append(say["available"].format(mass=words.figure(available), unit=unit))
    return Sheet(
        words=say,
        language=words.language,
        states=words["states"],
        heading=batch or plan["line"] or "",
        lot=tuple(lot),
        goal=say["goal_unknown" if grade is None else "goal"].format(
            grade=words.figure(grade, "goal")
        ),
        limits=_limits(today, words),
        trials=_blocks(plan, today, words, batch),
        checks=box("checks") if words.checks is None else Box(say["checks_title"], words.checks),
        moving=box("moving"),
        watch=_with_drift(box("watch"), plan.get("drift")),
        sampling=_with_middlings(box("sampling"), say["sampling_middlings"], middlings),
        cautions=box("cautions"),
        made=made.format(version=version, seed=plan["seed"]),
        middlings=middlings,
    )


def _counted_before(today: Mapping[str, Any], words: Words) -> dict[str, Any]:
    """How much to count where a plan does not say it: batches of older programs say it here."""
    count = today.get("sample_count")
    return {"count": count, "why": words["sheet"]["counted_before"]}


def _with_middlings(sampling: Box, line: str, middlings: bool) -> Box:
    """How to sample, with a line about middlings where they are a product."""
    return Box(sampling.title, (*sampling.lines, line)) if middlings else sampling


def _with_drift(watch: Box, drift: Mapping[str, Any] | None) -> Box:
    """What to watch for, with a drift of the deck where one is worth saying."""
    if not drift or not drift["worth_saying"]:
        return watch
    return Box(watch.title, (*watch.lines, drift["says"]))


def _limits(today: Mapping[str, Any], words: Words) -> tuple[str, ...]:
    say = words["sheet"]
    settings = {s["name"]: s for s in today["settings"]}
    ranges = [
        text
        for whole, gates in gates_together(settings).items()
        for text in _ranges(whole, [settings[name] for name in gates], words)
    ]
    unit = next((s["unit"] for s in today["settings"] if s["name"] == "feed_rate"), "")
    rates = [
        say["rates"].format(name=say[f"{part}_rate"], value=words.figure(value), unit=unit)
        for part in ("product", "reject")
        if (value := today["capacity"].get(f"max_{part}_rate")) is not None
    ]
    return (*ranges, *rates)


def _ranges(whole: str, settings: list[Mapping[str, Any]], words: Words) -> list[str]:
    """The range of a setting, or the ranges of its gates: in one phrase where they are equal."""
    say, unit = words["sheet"], words.unit(settings[0]["unit"])
    ends = [{end: words.figure(s[end]) for end in ("low", "high")} for s in settings]
    if len(settings) > 1 and all(each == ends[0] for each in ends):
        called = words.setting(whole)
        found = [words.fill(say["each_gate"], name=called, count=len(ends), unit=unit, **ends[0])]
    else:
        found = [
            say["range"].format(name=words.setting(s["name"]), unit=unit, **each)
            for s, each in zip(settings, ends, strict=True)
        ]
    most = settings[-1].get("max_taper")
    if most is not None:
        found.append(say["apart"].format(value=words.figure(most), unit=unit))
    return found


def _blocks(
    plan: Mapping[str, Any],
    today: Mapping[str, Any],
    words: Words,
    batch: str | None,
) -> tuple[TrialBlock, ...]:
    say = words["sheet"]
    largest = {s["name"]: s["max_change"] for s in today["settings"]}
    before: dict[str, float] = dict(today["start"])
    places = {name: _places(plan, today, name) for name in plan["units"]}
    unit = mass_unit_of(plan)
    blocks = []
    for trial in by_order(plan):
        moved = {change["setting"] for change in trial["changes"]}
        cells = tuple(
            SettingCell(
                name,
                words.setting_at_place(name),
                words.unit(plan["units"][name]),
                words.local(f"{value:.{places[name]}f}"),
                words.local(f"{before[name]:.{places[name]}f}") if name in before else "",
                name not in before or name in moved,
                gate_number(name) is not None,
            )
            for name, value in trial["settings"].items()
        )
        moves = tuple(_move(change, largest, places, words) for change in trial["changes"])
        if not moves:
            first = "set_all_gates" if any(cell.is_gate for cell in cells) else "set_all"
            moves = (words.fill(say["no_moves" if before else first]),)
        feed = trial[feed_key(unit)]
        needs = say["needs"] if feed is not None else say["needs_minutes"]
        blocks.append(
            TrialBlock(
                trial["order"],
                trial["rank"],
                "" if batch is None else id_of_trial(batch, trial["order"]),
                cells,
                moves,
                trial["watch"],
                needs.format(
                    mass=words.figure(feed, mass_kind(unit)),
                    unit=words.unit(unit),
                    minutes=words.figure(trial["minutes"], "minutes"),
                ),
            )
        )
        before = trial["settings"]
    return tuple(blocks)


def _places(plan: Mapping[str, Any], today: Mapping[str, Any], name: str) -> int:
    """Number of decimals that is enough for every value of a setting on this sheet."""
    values = [trial["settings"][name] for trial in plan["recommendations"]]
    values += [today["start"][name]] if name in today["start"] else []
    return max(len(level(value).partition(".")[2]) for value in values)


def _move(change: Any, largest: Mapping[str, Any], places: Mapping[str, int], words: Words) -> str:
    say = words["sheet"]
    most = largest.get(change["setting"])
    decimals = places[change["setting"]]
    size = abs(change["to"] - change["from"])
    steps = 1 if not most else max(1, math.ceil(size / most - 1e-9))
    form = say["move"] if steps == 1 else say["move_in_steps"]
    return str(
        form.format(
            name=words.setting(change["setting"]),
            start=words.local(f"{change['from']:.{decimals}f}"),
            end=words.local(f"{change['to']:.{decimals}f}"),
            unit=words.unit(change["unit"]),
            steps=steps,
        )
    )


def by_order(plan: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """The trials of a ``highside.plan/1`` document in the order in which they are run."""
    return sorted(plan["recommendations"], key=lambda trial: trial["order"])
