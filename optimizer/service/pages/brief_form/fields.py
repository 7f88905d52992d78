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
from optimizer.text.figures import exact_percent, level
from optimizer.text.masses import mass_label
from optimizer.text.setting_names import setting_words

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
        _goal(bool(rates)),
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


def _words(name: str) -> str:
    return name.replace("_", " ")


def _range(variable: MaterialVariable | Setting) -> str:
    return f"{level(variable.low)} to {level(variable.high)} {variable.unit}".rstrip()


def _daily(site: Site, has_feed: bool) -> Section:
    """What is asked every day."""
    material = [
        Field(
            f"{MATERIAL}{name}",
            _words(name).capitalize(),
            "measured",
            variable.unit,
            f"{_range(variable)}{_of_share(name, variable)}",
            _words(name),
        )
        for name, variable in site.material.items()
    ]
    lot = Field(
        "trials.material_available", "Lot", unit=mass_label(site.file.site.mass),
        note="Feed for all trials together.",
    )  # fmt: skip
    note = "Whatever stays empty is assumed, and the plan says what was."
    return Section("daily", "", (Group((
        *material,
        Field(f"{MATERIAL}{LABEL}", "Name of the material", "text", said="material"),
        Field("min_grade", "Grade to reach", "per cent", "%",
              "When empty: the median grade of the runs.", "Grade"),
        Field("trials", "Trials", "whole", note=f"1 to {MAX_TRIALS}; {DEFAULT_TRIALS} when empty"),
        *([lot] if has_feed else []),
        Field("trials.minutes_available", "Time", unit="min", note="For all trials together.",
              said="time available"),
    )),), note)  # fmt: skip


def _of_share(name: str, variable: MaterialVariable) -> str:
    plain = name == FEED_GRADE and not variable.unit
    return ", or per cent with its sign" if plain else ""


def _over_the_shift(site: Site) -> Section:
    """Ranges of the material, and what must meet the grade over them."""
    ranges = []
    for name, variable in site.material.items():
        said, about = _words(name), partial(Field, kind="measured", unit=variable.unit)
        ranges.append(Group(
            (about(f"{MATERIAL}{name}.low", "From", said=f"{said} from"),
             about(f"{MATERIAL}{name}.high", "To", said=f"{said} to")),
            said.capitalize(), _range(variable),
        ))  # fmt: skip
    hold = Field("goal.hold", "What must meet the grade", "choice", choices=(
        ("", "the product of the whole shift"),
        ("throughout", "the product of every hour"),
    ))  # fmt: skip
    note = (
        f"A property that varies over the shift, at most {MOST_RANGES} of them, has its two ends "
        "here, and no value above."
    )
    groups = (*ranges, Group((hold,)))
    return Section("shift", "Material that varies over the shift", groups, note)


PRICES = {
    "product": ("Product, a tonne", "that meets the grade", "price of a tonne of product"),
    "middlings": ("Middlings, a tonne", "", "price of a tonne of middlings"),
    "reject": (
        "Reject, a tonne", "below 0 where it costs to be rid of", "price of a tonne of reject",
    ),
    "feed": ("Feed, a tonne", "", "price of a tonne of feed"),
    "hour": ("An hour of running", "such as power and wages", "cost of an hour"),
}  # fmt: skip
"""Label, note and name of each price."""


def _goal(has_feed: bool) -> Section:
    choices = [
        ("", "highest recovery at the grade"),
        *([("value", "highest value of an hour")] if has_feed else []),
        ("trade-off", "the whole trade-off of grade and recovery"),
    ]
    usual = exact_percent(DEFAULT_CONFIDENCE)
    goal = Group((
        Field("goal.maximise", "Goal", "choice", choices=tuple(choices)),
        Field("goal.confidence", "Confidence in the grade", "per cent", "%",
              f"50 to below 100; {usual} when empty"),
    ))  # fmt: skip
    prices = [_price(name) for name in Prices.model_fields if name != "currency"]
    currency = Field("goal.prices.currency", "Currency", "text")
    priced = Group((*prices, currency), "Prices", "Only where the goal is the value of an hour.")
    return Section("goal", "Goal and prices", (goal, *([priced] if has_feed else [])))


def _price(name: str) -> Field:
    label, note, said = PRICES.get(name, (_words(name).capitalize(), "", ""))
    return Field(f"goal.prices.{name}", label, "signed", note=note, said=said)


def _capacity(rates: list[Setting]) -> Section:
    labels = {"min": "at least", "max": "at most"}
    fields = []
    for rate in rates:
        for name in Capacity.model_fields:
            end, _, what = name.partition("_")
            said = f"{_words(what)} {labels.get(end, end)}"
            note = f"The deck allows {_range(rate)}." if what == FEED_RATE else ""
            fields.append(
                Field(f"capacity.{name}", said.capitalize(), unit=rate.unit, note=note, said=said)
            )
    return Section("capacity", "Capacity", (Group(tuple(fields)),) if fields else ())


def _limits(settings: tuple[Setting, ...]) -> Section:
    ends = {"low": "From", "high": "To", "fixed": "Fixed at"}
    groups = []
    for setting in settings:
        said = setting_words(setting.name)
        fields = tuple(
            Field(f"limits.{setting.name}.{end}", label, "signed", setting.unit,
                  said=f"{said} {label.lower()}")
            for end, label in ends.items()
        )  # fmt: skip
        note = f"The deck allows {_range(setting)} in steps of {level(setting.step)}."
        groups.append(Group(fields, said.capitalize(), note))
    return Section("limits", "Limits of the settings today", tuple(groups))


def _couplings(settings: tuple[Setting, ...], count: int) -> Section:
    groups = []
    for k in range(min(count, MOST_COUPLINGS)):
        said = f"coupling {k + 1}"
        terms = [
            Field(f"couplings.{k}.terms.{setting.name}", f"× {setting_words(setting.name)}",
                  "signed", setting.unit,
                  said=f"{said}, coefficient of {setting_words(setting.name)}")
            for setting in settings
        ]  # fmt: skip
        ends = [
            Field(f"couplings.{k}.{end}", label, "signed", said=f"{said}, {label.lower()}")
            for end, label in (("at_least", "At least"), ("at_most", "At most"))
        ]
        groups.append(Group((*terms, *ends), said.capitalize()))
    note = (
        "A limit on several settings together: each coefficient times its setting, added up. "
        "Settings without a coefficient are left out of the sum."
    )
    return Section("couplings", "Couplings between settings", tuple(groups), note)


def _minutes() -> Section:
    usual = {"settle": DEFAULT_SETTLE_MINUTES, "sample": DEFAULT_SAMPLE_MINUTES}
    fields = tuple(
        Field(f"trials.{name}_minutes", f"To {name}", unit="min",
              note=f"{level(minutes)} when empty", said=f"time to {name}")
        for name, minutes in usual.items()
    )  # fmt: skip
    return Section("minutes", "Time that one trial takes", (Group(fields),))


def _current(settings: tuple[Setting, ...]) -> Section:
    fields = tuple(
        Field(f"current.{setting.name}", setting_words(setting.name).capitalize(), "signed",
              setting.unit, said=f"{setting_words(setting.name)} now")
        for setting in settings
    )  # fmt: skip
    note = "An empty field: where the latest run left it."
    return Section("current", "Where the deck stands now", (Group(fields),), note)
