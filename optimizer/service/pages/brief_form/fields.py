"""The fields of the form for a brief, in sections, as the site describes the line.

A field has the name that an address and a form carry: the path of its key in the brief
(``limits.air.low``), or one of a few short names (``min_grade``, ``trials``, ``m.moisture``).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import partial
from typing import Literal

from optimizer.plant.brief import (
    DEFAULT_CONFIDENCE,
    DEFAULT_SAMPLE_MINUTES,
    DEFAULT_SETTLE_MINUTES,
    DEFAULT_TRIALS,
    MAX_TRIALS,
    MOST_RANGES,
    Capacity,
    Prices,
)
from optimizer.plant.settings import FEED_RATE, Setting
from optimizer.plant.site import FEED_GRADE, MaterialVariable, Site
from optimizer.service.exchange.queries import LABEL
from optimizer.text.masses import mass_label
from optimizer.text.sentences import Sentence, sentence

MATERIAL = "m."
SHORT = {"min_grade": ("goal", "min_grade"), "trials": ("trials", "count")}
PREFIXES = (MATERIAL, "goal.", "capacity.", "limits.", "couplings.", "trials.", "current.")
"""Beginnings of the names of all other fields."""
MOST_COUPLINGS = 6

Kind = Literal["number", "signed", "per cent", "whole", "measured", "text", "choice"]


@dataclass(frozen=True)
class Field:
    """One field of the form.

    Attributes:
        name: name in the form and in an address.
        label: label without the unit.
        kind: how the text of the field is read.
        unit: unit of the number; empty for none.
        note: text under the field, such as the range of the site.
        said: name of the field in messages and lists, which stand apart from its section.
        choices: values of a choice, each with its text.
    """

    name: str
    label: str
    kind: Kind = "number"
    unit: str = ""
    note: str = ""
    said: str = ""
    choices: tuple[tuple[str, str], ...] = ()

    @property
    def path(self) -> tuple[str, ...]:
        """Path of the key in the brief."""
        if self.name.startswith(MATERIAL):
            return ("material", *self.name.removeprefix(MATERIAL).split("."))
        return SHORT.get(self.name, tuple(self.name.split(".")))

    @property
    def called(self) -> str:
        """Name of the field outside its section."""
        return self.said or self.label


@dataclass(frozen=True)
class Group:
    """Fields that stand together, under a legend where there is one."""

    fields: tuple[Field, ...]
    legend: str = ""
    note: str = ""


@dataclass(frozen=True)
class Section:
    """A part of the form; one without a title is always open."""

    key: str
    title: str
    groups: tuple[Group, ...]
    note: str = ""

    @property
    def fields(self) -> tuple[Field, ...]:
        """The fields of all groups."""
        return tuple(field for group in self.groups for field in group.fields)


def is_of_brief(name: str) -> bool:
    """Whether a name may be that of a field of the form."""
    return name in SHORT or name.startswith(PREFIXES)


def sections_of(site: Site, line: str, couplings: int = 1) -> tuple[Section, ...]:
    """The sections of the form for a line.

    Args:
        site: the plant.
        line: name of the line, which may have ranges of its own.
        couplings: number of limits on several settings that the form has room for.
    """
    settings = site.space_of(line).settings
    rates = [setting for setting in settings if setting.name == FEED_RATE]
    found = [
        _daily(site, bool(rates)),
        _over_the_shift(site),
        _goal(bool(rates), site.mass.name),
        _capacity(rates),
        _limits(settings),
        _couplings(settings, couplings),
        _minutes(),
        _current(settings),
    ]
    return tuple(section for section in found if section.groups)


def fields_of(sections: Iterable[Section]) -> dict[str, Field]:
    """The fields of sections by name."""
    return {field.name: field for section in sections for field in section.fields}


def _range(variable: MaterialVariable | Setting) -> Sentence:
    ends = {"low": variable.low, "high": variable.high}
    if variable.unit:
        return sentence("field_range", unit=variable.unit, **ends)
    return sentence("field_range_bare", **ends)


def _daily(site: Site, has_feed: bool) -> Section:
    """What is asked every day."""
    material = [
        Field(
            f"{MATERIAL}{name}",
            sentence("field_setting", name=name),
            "measured",
            variable.unit,
            _property_range(name, variable),
            sentence("field_spoken", name=name),
        )
        for name, variable in site.material.items()
    ]
    lot = Field(
        "trials.material_available", sentence("field_lot"), unit=mass_label(site.file.site.mass),
        note=sentence("field_lot_note"),
    )  # fmt: skip
    note = sentence("field_daily_note")
    return Section("daily", "", (Group((
        *material,
        Field(f"{MATERIAL}{LABEL}", sentence("field_material_name"), "text",
              said=sentence("field_material")),
        Field("min_grade", sentence("field_grade_to_reach"), "per cent", "%",
              sentence("field_grade_note"), sentence("field_grade")),
        Field("trials", sentence("field_trials"), "whole",
              note=sentence("field_trials_note", most=MAX_TRIALS, usual=DEFAULT_TRIALS)),
        *([lot] if has_feed else []),
        Field("trials.minutes_available", sentence("field_time"), unit="min",
              note=sentence("field_time_note"), said=sentence("field_time_available")),
    )),), note)  # fmt: skip


def _property_range(name: str, variable: MaterialVariable) -> Sentence:
    """The range of a property, and for the feed grade how a share may be typed."""
    if name != FEED_GRADE or variable.unit:
        return _range(variable)
    return sentence("field_range_share", low=variable.low, high=variable.high)


def _over_the_shift(site: Site) -> Section:
    """Ranges of the material, and what must meet the grade over them."""
    ranges = []
    for name, variable in site.material.items():
        about = partial(Field, kind="measured", unit=variable.unit)
        ranges.append(Group(
            (about(f"{MATERIAL}{name}.low", sentence("field_low"),
                   said=sentence("field_from", name=name)),
             about(f"{MATERIAL}{name}.high", sentence("field_high"),
                   said=sentence("field_to", name=name))),
            sentence("field_setting", name=name), _range(variable),
        ))  # fmt: skip
    hold = Field("goal.hold", sentence("field_hold"), "choice", choices=(
        ("", sentence("field_blend")),
        ("throughout", sentence("field_throughout")),
    ))  # fmt: skip
    note = sentence("field_shift_note", most=MOST_RANGES)
    groups = (*ranges, Group((hold,)))
    return Section("shift", sentence("field_shift"), groups, note)


NOTED_PRICES = ("product", "reject", "hour")
"""Prices with a note under their field."""
CAPACITY = {
    "min_feed_rate": sentence("field_min_feed_rate"),
    "max_feed_rate": sentence("field_max_feed_rate"),
    "max_product_rate": sentence("field_max_product_rate"),
    "max_reject_rate": sentence("field_max_reject_rate"),
}
"""Label of each limit of a rate."""


def _goal(has_feed: bool, mass: str) -> Section:
    choices = [
        ("", sentence("field_goal_recovery")),
        *([("value", sentence("field_goal_value"))] if has_feed else []),
        ("trade-off", sentence("field_goal_trade_off")),
    ]
    goal = Group((
        Field("goal.maximise", sentence("field_goal"), "choice", choices=tuple(choices)),
        Field("goal.confidence", sentence("field_confidence"), "per cent", "%",
              sentence("field_confidence_note", usual=DEFAULT_CONFIDENCE)),
    ))  # fmt: skip
    prices = [_price(name, mass) for name in Prices.model_fields if name != "currency"]
    currency = Field("goal.prices.currency", sentence("field_currency"), "text")
    priced = Group((*prices, currency), sentence("field_prices"), sentence("field_prices_note"))
    return Section(
        "goal", sentence("field_goal_and_prices"), (goal, *([priced] if has_feed else []))
    )


def _price(name: str, mass: str) -> Field:
    key = f"field_price_{name}"
    note = sentence(f"{key}_note") if name in NOTED_PRICES else ""
    label, said = sentence(key, mass=mass), sentence(f"{key}_said", mass=mass)
    return Field(f"goal.prices.{name}", label, "signed", note=note, said=said)


def _capacity(rates: list[Setting]) -> Section:
    fields = []
    for rate in rates:
        for name in Capacity.model_fields:
            of_feed = name.endswith(FEED_RATE)
            note = sentence("field_deck_allows", range=_range(rate)) if of_feed else ""
            fields.append(Field(f"capacity.{name}", CAPACITY[name], unit=rate.unit, note=note))
    return Section(
        "capacity", sentence("field_capacity"), (Group(tuple(fields)),) if fields else ()
    )


def _limits(settings: tuple[Setting, ...]) -> Section:
    ends = {
        "low": ("field_low", "field_from"),
        "high": ("field_high", "field_to"),
        "fixed": ("field_fixed_at", "field_fixed"),
    }
    groups = []
    for setting in settings:
        fields = tuple(
            Field(f"limits.{setting.name}.{end}", sentence(label), "signed", setting.unit,
                  said=sentence(said, name=setting.name))
            for end, (label, said) in ends.items()
        )  # fmt: skip
        note = sentence("field_deck_allows_steps", range=_range(setting), step=setting.step)
        groups.append(Group(fields, sentence("field_setting", name=setting.name), note))
    return Section("limits", sentence("field_limits"), tuple(groups))


def _couplings(settings: tuple[Setting, ...], count: int) -> Section:
    groups = []
    for k in range(min(count, MOST_COUPLINGS)):
        terms = [
            Field(f"couplings.{k}.terms.{setting.name}", sentence("field_term", name=setting.name),
                  "signed", setting.unit,
                  said=sentence("field_coefficient", number=k + 1, name=setting.name))
            for setting in settings
        ]  # fmt: skip
        ends = [
            Field(
                f"couplings.{k}.{end}",
                sentence(f"field_{end}"),
                "signed",
                said=sentence(f"field_coupling_{end}", number=k + 1),
            )
            for end in ("at_least", "at_most")
        ]
        groups.append(Group((*terms, *ends), sentence("field_coupling", number=k + 1)))
    note = sentence("field_couplings_note")
    return Section("couplings", sentence("field_couplings"), tuple(groups), note)


def _minutes() -> Section:
    usual = {"settle": DEFAULT_SETTLE_MINUTES, "sample": DEFAULT_SAMPLE_MINUTES}
    fields = tuple(
        Field(f"trials.{name}_minutes", sentence(f"field_{name}"), unit="min",
              note=sentence("field_when_empty", usual=minutes),
              said=sentence(f"field_{name}_said"))
        for name, minutes in usual.items()
    )  # fmt: skip
    return Section("minutes", sentence("field_minutes"), (Group(fields),))


def _current(settings: tuple[Setting, ...]) -> Section:
    fields = tuple(
        Field(f"current.{setting.name}", sentence("field_setting", name=setting.name),
              "signed", setting.unit, said=sentence("field_now", name=setting.name))
        for setting in settings
    )  # fmt: skip
    note = sentence("field_current_note")
    return Section("current", sentence("field_current"), (Group(fields),), note)
