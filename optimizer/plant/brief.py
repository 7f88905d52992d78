"""The trial brief as a validated, frozen model.

In come TOML files, JSON bodies and command options; out comes a ``Brief``: what is wanted today.
Its content is checked here once; all other modules rely on it.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Discriminator, Field, Tag, field_validator, model_validator

from optimizer.errors import InputError, nearest
from optimizer.plant.documents import Strict, read_toml, validate
from optimizer.plant.gates import names_on, values_on
from optimizer.plant.moments import Moment
from optimizer.plant.region import Coupling, Region
from optimizer.plant.settings import SettingSpace
from optimizer.plant.shares import Confidence, Fraction, measure
from optimizer.plant.site import MaterialVariable, Site

MAX_TRIALS = 50
DEFAULT_CONFIDENCE = 0.9
DEFAULT_TRIALS = 4
DEFAULT_SETTLE_MINUTES = 20.0
DEFAULT_SAMPLE_MINUTES = 10.0
MOST_RANGES = 4
"""Largest number of properties of the material that may vary over a shift."""
_RANGE = re.compile(r"^(?P<low>.*\d.*) to (?P<high>.*\d)(?P<unit>.*)$")

Positive = Annotated[float, Field(gt=0)]


class Prices(Strict):
    """What an hour of running earns and costs, in one currency; materials for each unit of the mass
    in which the site tells lots and product, a tonne unless it says otherwise."""

    product: float
    """Price of product that meets the grade."""
    reject: float = 0.0
    """Price of reject; below 0 when its disposal costs money."""
    middlings: float | None = None
    """Price of middlings that are kept as a product; None where there are none."""
    feed: float = 0.0
    """Price of feed."""
    hour: float = 0.0
    """Cost of an hour of running, such as power and wages."""
    currency: str | None = None  # that of the site file when None


class Range(Strict):
    """The range of a property of the material over the shift, in the site's unit."""

    low: float | str
    high: float | str

    @property
    def ends(self) -> tuple[float, float]:
        """Low and high end, once they are numbers."""
        return float(self.low), float(self.high)

    @property
    def middle(self) -> float:
        """The middle of the range."""
        return 0.5 * sum(self.ends)


def _kind_of_today(value: Any) -> str:
    return "(range)" if isinstance(value, Range | Mapping) else "(value)"


Today = Annotated[
    Annotated[float | str, Tag("(value)")] | Annotated[Range, Tag("(range)")],
    Discriminator(_kind_of_today),
]
"""A property of today's material: its value, or its range over the shift."""


class Goal(Strict):
    """The goal of the deck: what to maximize, and the grade to reach.

    Where the material varies over the shift, ``hold`` says what must meet the grade: the product of
    the whole shift ("blend"), or that of every hour ("throughout"). ``at`` is the moment that the
    settings are for; None for that of the latest run of the line.
    """

    maximise: Literal["recovery", "value", "trade-off"] = "recovery"
    prices: Prices | None = None
    min_grade: Fraction | None = None
    confidence: Confidence = DEFAULT_CONFIDENCE
    hold: Literal["blend", "throughout"] = "blend"
    at: Moment | None = None

    @model_validator(mode="after")
    def _priced(self) -> Goal:
        if self.maximise == "value" and self.prices is None:
            raise ValueError(
                'maximise = "value" needs [goal.prices], at least the price of the product for '
                "each unit of mass of the site, such as product = 2400.0"
            )
        if self.maximise != "value" and self.prices is not None:
            raise ValueError('prices are for maximise = "value": write that, or no [goal.prices]')
        return self


class Capacity(Strict):
    """Limits of feed, product and reject rates, in the site's unit of feed rate."""

    min_feed_rate: Positive | None = None
    max_feed_rate: Positive | None = None
    max_product_rate: Positive | None = None
    max_reject_rate: Positive | None = None


class Limit(Strict):
    """A narrower range of one setting for today, or one fixed value."""

    low: float | None = None
    high: float | None = None
    fixed: float | None = None

    @model_validator(mode="after")
    def _one_way(self) -> Limit:
        if self.fixed is not None and (self.low is not None or self.high is not None):
            raise ValueError("give either fixed, or low and high; fixed = 40 alone holds it at 40")
        if self.low is not None and self.high is not None and self.low > self.high:
            raise ValueError(f"low {self.low:g} is above high {self.high:g}")
        return self


class CouplingFields(Strict):
    """A linear limit on several settings, as written in a brief."""

    terms: Annotated[dict[str, float], Field(min_length=1)]
    at_most: float | None = None
    at_least: float | None = None

    @model_validator(mode="after")
    def _bounded(self) -> CouplingFields:
        if self.at_most is None and self.at_least is None:
            raise ValueError("needs at_most or at_least, such as at_most = -1.5")
        return self

    def coupling(self) -> Coupling:
        """The limit as a ``Coupling`` of a region of the lattice."""
        most = math.inf if self.at_most is None else self.at_most
        least = -math.inf if self.at_least is None else self.at_least
        return Coupling(dict(self.terms), most, least)


class Trials(Strict):
    """The number of trials, and the minutes and the feed (in the site's unit of mass) that they may
    consume."""

    count: Annotated[int, Field(ge=1, le=MAX_TRIALS)] = DEFAULT_TRIALS
    material_available: Positive | None = None
    minutes_available: Positive | None = None
    settle_minutes: Annotated[float, Field(ge=0)] = DEFAULT_SETTLE_MINUTES
    sample_minutes: Positive = DEFAULT_SAMPLE_MINUTES

    @property
    def minutes(self) -> float:
        """Minutes that one trial takes."""
        return self.settle_minutes + self.sample_minutes


class Brief(Strict):
    """What is wanted today: the material, the goal and the limits."""

    line: str | None = None
    material: dict[str, Today] = {}
    goal: Goal = Goal()
    capacity: Capacity = Capacity()
    limits: dict[str, Limit] = {}
    couplings: list[CouplingFields] = []
    trials: Trials = Trials()
    current: dict[str, float] = {}
    pending: list[dict[str, float]] = []

    @field_validator("pending", mode="before")
    @classmethod
    def _plain_settings(cls, pending: Any) -> Any:
        """Take only the settings from a recommendation that was pasted as a whole."""
        if not isinstance(pending, list):
            return pending
        return [p["settings"] if isinstance(p, dict) and "settings" in p else p for p in pending]

    @classmethod
    def read(cls, path: str | Path | None, **changes: Any) -> Brief:
        """The brief of a TOML file, with options that override its content.

        Raises:
            InputError: when the file is not a valid brief; the message names the file, the key and
                what was expected.
        """
        content = {} if path is None else read_toml(path, "brief")
        return cls.from_dict(content, source=str(path or "options"), **changes)

    @classmethod
    def from_dict(cls, content: Mapping[str, Any], source: str = "brief", **changes: Any) -> Brief:
        """The brief of a parsed document. ``changes`` are nested keys written with ``__``, such as
        ``goal__min_grade``, and override the document."""
        merged: dict[str, Any] = dict(content)
        for dotted, value in changes.items():
            if value is None:
                continue
            head, _, tail = dotted.partition("__")
            if not tail:
                merged[head] = value
            elif isinstance(merged.get(head, {}), Mapping):
                merged[head] = {**merged.get(head, {}), tail: value}
        brief: Brief = validate(cls, merged, source)
        return brief

    def check_names(self, site: Site) -> Brief:
        """This brief with its names checked against the site, its material as numbers in the
        site's units, and its prices in the site's currency where they name none. A text may state
        another unit, ``"95.5%"``, or a range, ``"10.8 to 12.6"``.

        Raises:
            InputError: when a name is unknown or a value is not a number; the message names the
                table and the nearest known name, or the value.
        """
        lines = [self.line] if self.line is not None else [None, *site.file.lines]
        spaces = list(dict.fromkeys(site.space_of(line) for line in lines))
        settings = tuple(dict.fromkeys(n for s in spaces for n in (*s.names, *s.gates)))
        named: list[tuple[str, Mapping[str, Any], tuple[str, ...]]] = [
            ("limits", self.limits, settings),
            ("current", self.current, settings),
            ("material", self.material, (*site.material_names, "material")),
        ]
        named += [("couplings.terms", c.terms, settings) for c in self.couplings]
        named += [("pending", p, settings) for p in self.pending]
        for table, keys, known in named:
            for key in keys:
                if key not in known:
                    if known is settings and len(spaces) == 1:
                        names_on(spaces[0], key, table)
                    raise InputError(
                        f"[{table}]: unknown name '{key}'.",
                        hint=nearest(key, known),
                        where=f"{table}.{key}",
                    )
        self._require_all_pending(spaces)
        material = {
            key: value if key == "material" else _today(key, value, site.material[key])
            for key, value in self.material.items()
        }
        ranges = [key for key, value in material.items() if isinstance(value, Range)]
        if "material" in ranges or len(ranges) > MOST_RANGES:
            raise InputError(
                f"[material]: {', '.join(ranges)} have a range; at most {MOST_RANGES} may, "
                "and never the name of the material.",
                hint="Give the others as one value each.",
            )
        changes: dict[str, Any] = {"material": material} if material else {}
        prices = self.goal.prices
        if prices is not None and prices.currency is None and site.currency is not None:
            priced = prices.model_copy(update={"currency": site.currency})
            changes["goal"] = self.goal.model_copy(update={"prices": priced})
        return self.model_copy(update=changes) if changes else self

    @property
    def ranges(self) -> dict[str, Range]:
        """The properties of the material that vary over the shift, once names are checked."""
        return {name: v for name, v in self.material.items() if isinstance(v, Range)}

    @property
    def usual_material(self) -> dict[str, float | str]:
        """The material with the middle of each range in place of the range."""
        return {k: v.middle if isinstance(v, Range) else v for k, v in self.material.items()}

    def as_document(self) -> dict[str, Any]:
        """The brief as a JSON document, without the fields that have their default values."""
        return self.model_dump(mode="json", exclude_defaults=True)

    def current_on(self, space: SettingSpace) -> dict[str, float]:
        """The settings on the deck now, gate by gate where a setting has gates on this line.

        Raises:
            InputError: when the line has no such setting or gate.
        """
        return values_on(space, self.current, "current")

    def pending_on(self, space: SettingSpace) -> list[dict[str, float]]:
        """The trials that were started, gate by gate where a setting has gates on this line.

        Raises:
            InputError: when the line has no such setting or gate, or a trial lacks one.
        """
        self._require_all_pending([space])
        return [values_on(space, trial, "pending") for trial in self.pending]

    def _require_all_pending(self, spaces: Sequence[SettingSpace]) -> None:
        """Refuse a pending trial that states the settings of none of these lines."""
        for k, trial in enumerate(self.pending, 1):
            if missing := min((_missing(trial, space) for space in spaces), key=len):
                raise InputError(f"[[pending]] number {k} lacks {', '.join(missing)}.")

    def region(self, space: SettingSpace) -> Region:
        """The lattice points that today's limits allow.

        Raises:
            LimitError: when the limits allow no lattice point.
            InputError: when a fixed value is not a level of its setting.
        """
        region = Region.whole(space, [c.coupling() for c in self.couplings])
        for name, limit in self.limits.items():
            for each in names_on(space, name, "limits"):
                region = _narrow_by_limit(region, each, limit, f"limits.{name}")
        if "feed_rate" in space.names:
            low, high = self.capacity.min_feed_rate, self.capacity.max_feed_rate
            if low is not None:
                region = region.narrow(
                    "feed_rate",
                    low,
                    float("inf"),
                    f"capacity min_feed_rate {low:g}",
                    "capacity.min_feed_rate",
                )
            if high is not None:
                region = region.narrow(
                    "feed_rate",
                    -float("inf"),
                    high,
                    f"capacity max_feed_rate {high:g}",
                    "capacity.max_feed_rate",
                )
        for name, value in self.current_on(space).items():
            setting = space[name]
            if setting.max_change is not None:
                region = region.narrow(
                    name,
                    value - setting.max_change,
                    value + setting.max_change,
                    f"{name} within {setting.max_change:g} {setting.unit} of current {value:g}",
                    f"current.{name if name in self.current else setting.gate_of}",
                )
        return region


def _today(name: str, written: float | str | Range, variable: MaterialVariable) -> float | Range:
    """Today's value of a property of the material, or its range, in the declared unit."""
    where = f"material.{name}"
    places = (f"{where}.low", f"{where}.high")
    if isinstance(written, str) and (found := _RANGE.match(written)):
        written = Range(low=found["low"], high=found["high"] + found["unit"])
        places = (where, where)
    if not isinstance(written, Range):
        return _in_site_unit(name, written, variable, where)
    low = _in_site_unit(name, written.low, variable, places[0])
    high = _in_site_unit(name, written.high, variable, places[1])
    if low > high:
        raise InputError(f"[material] {name}: low {low:g} is above high {high:g}.", where=places[0])
    return low if low == high else Range(low=low, high=high)


def _in_site_unit(name: str, written: float | str, variable: MaterialVariable, where: str) -> float:
    """A value of today's material, which stands at ``where`` of the brief, in its declared unit."""
    value = measure(written, variable.unit)
    if value is None:
        unit = f" ({variable.unit})" if variable.unit else ""
        raise InputError(
            f"[material] {name}: expected a number{unit}, got '{written}'.",
            where=where,
        )
    if not variable.low <= value <= variable.high:
        raise InputError(
            f"[material] {name}: {value:g} is outside the declared range "
            f"{variable.low:g} to {variable.high:g} {variable.unit}.".replace(" .", "."),
            hint="Correct the value, or widen the range in the site file.",
            where=where,
        )
    return value


def _missing(trial: Mapping[str, float], space: SettingSpace) -> list[str]:
    """The settings of a line that a trial lacks; a whole setting states all of its gates."""
    return [s.name for s in space.settings if not {s.name, s.gate_of} & set(trial)]


def _narrow_by_limit(region: Region, name: str, limit: Limit, where: str) -> Region:
    """A region with the limit of one setting, which stands at ``where`` of the brief."""
    setting = region.space[name]
    if limit.fixed is not None:
        setting.require_level(limit.fixed, f"{where}.fixed")
        why = f"{name} fixed at {limit.fixed:g}"
        return region.narrow(name, limit.fixed, limit.fixed, why, f"{where}.fixed")
    low = -float("inf") if limit.low is None else limit.low
    high = float("inf") if limit.high is None else limit.high
    ends = [
        *([] if limit.low is None else [f"from {low:g}"]),
        *([] if limit.high is None else [f"up to {high:g}"]),
    ]
    why = " ".join(["limits", name, *ends, setting.unit])
    return region.narrow(name, low, high, why, where)
