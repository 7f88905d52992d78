"""The site file and the trial brief as validated, frozen models.

In come TOML files, JSON bodies and command options; out come a ``Site`` (what the plant is: its
settings, material variables, column names, lines) and a ``Brief`` (what is wanted today). All
checking of what a user wrote happens here, once; everything inside trusts it.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property, partial
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, field_validator, model_validator

from optimizer.documents import Strict, located, read_toml, validate
from optimizer.errors import InputError, nearest
from optimizer.settings import GRAVITY_TABLE, Coupling, Region, Setting, SettingSpace
from optimizer.shares import Confidence, Fraction, measure
from optimizer.units import check_heading_unit, factor, share_factor, stored_unit_of

FEED_GRADE = "feed_grade"
"""The one material column with a fixed meaning: share of wanted material in the feed."""

MAX_TRIALS = 50
DEFAULT_CONFIDENCE = 0.9
DEFAULT_TRIALS = 4
DEFAULT_SETTLE_MINUTES = 20.0
DEFAULT_SAMPLE_MINUTES = 10.0


class SettingFields(Strict):
    """What a site file may say of one setting; what is left out keeps its default."""

    unit: str | None = None
    low: float | None = None
    high: float | None = None
    step: float | None = None
    max_change: float | None = None

    def given(self) -> dict[str, Any]:
        """The fields that were written."""
        return self.model_dump(exclude_none=True)


class MaterialVariable(Strict):
    """A measured property of the feed: context for the surrogate, never searched."""

    unit: str = ""
    low: float
    high: float

    @model_validator(mode="after")
    def _ordered(self) -> MaterialVariable:
        if not self.low < self.high:
            raise ValueError(f"low {self.low:g} must be below high {self.high:g}")
        return self


class LineFields(Strict):
    """What differs on one line."""

    settings: dict[str, SettingFields] = {}


class SiteName(Strict):
    """The ``[site]`` table."""

    name: str = "site"


class SiteFile(Strict):
    """The site file as written."""

    site: SiteName = SiteName()
    settings: dict[str, SettingFields] = {}
    material: dict[str, MaterialVariable] = {}
    columns: dict[str, str] = {}
    lines: dict[str, LineFields] = {}

    @field_validator("lines", mode="before")
    @classmethod
    def _short_form(cls, lines: Any) -> Any:
        """``[lines.X.air]`` is read as ``[lines.X.settings.air]``."""
        if not isinstance(lines, Mapping):
            return lines
        known = set(LineFields.model_fields)
        return {
            name: {"settings": dict(fields)}
            if isinstance(fields, Mapping) and fields and not known & set(fields)
            else fields
            for name, fields in lines.items()
        }


class Site:
    """What the plant is: settings, material variables, column names, lines.

    Args:
        file: validated content of a site file.
        base: the settings that the file overrides; the five of a gravity table unless a library
            user brings others.

    Raises:
        InputError: when a setting is unknown, its range cannot be, or it is not measured in its
            unit.
    """

    def __init__(self, file: SiteFile | None = None, base: SettingSpace = GRAVITY_TABLE) -> None:
        self.file = file or SiteFile()
        self.base = base
        self.name = self.file.site.name
        self.columns = dict(self.file.columns)
        self._check_names()
        self.material = dict(self.file.material)
        self.material.setdefault(FEED_GRADE, MaterialVariable(unit="", low=0.0, high=1.0))
        self._spaces: dict[str | None, SettingSpace] = {None: _override(base, self.file.settings)}
        for line, fields in self.file.lines.items():
            self._spaces[line] = _override(self._spaces[None], fields.settings)
        self._check_units()

    def _check_names(self) -> None:
        taken = {*self.base.names, *RUN_COLUMNS}
        for name in self.file.material:
            if name in taken:
                raise InputError(
                    f"[material.{name}]: '{name}' is already a column of every log.",
                    hint="Give the material variable another name.",
                )
            if not name.isidentifier():
                raise InputError(
                    f"[material.{name}]: a material variable is one word of letters, digits "
                    "and underscores.",
                    hint="Map the log's own heading to it under [columns].",
                )

    def _check_units(self) -> None:
        """That what is declared can be planned in, written down and read back."""
        for line, space in self._spaces.items():
            where = "settings" if line is None else f"lines.{line}.settings"
            for setting in space.settings:
                check = partial(stored_unit_of, setting.name, setting.unit)
                located(f"[{where}.{setting.name}] unit", check)
        for name, variable in self.material.items():
            located(f"[material.{name}] unit", partial(check_heading_unit, variable.unit))
        feed = self.material[FEED_GRADE]
        scale = located(f"[material.{FEED_GRADE}] unit", partial(share_factor, feed.unit))
        if feed.low * scale < 0 or feed.high * scale > 1:
            raise InputError(
                f"[material.{FEED_GRADE}]: {feed.low:g} to {feed.high:g} {feed.unit or 'fraction'} "
                "is no range of a share.",
                hint='Write a range from 0 to 1, or declare unit = "%".',
            )

    @classmethod
    def read(cls, path: str | Path | None) -> Site:
        """The site of a TOML file; without a file, the defaults.

        Raises:
            InputError: naming the file, the key and what was expected.
        """
        if path is None:
            return cls()
        return cls.from_dict(read_toml(path, "site file"), source=str(path))

    @classmethod
    def from_dict(cls, content: Mapping[str, Any], source: str = "site") -> Site:
        """The site of a parsed TOML or JSON document."""
        return located(source, lambda: cls(validate(SiteFile, content, source)))

    @property
    def space(self) -> SettingSpace:
        """The settings common to all lines."""
        return self._spaces[None]

    def space_of(self, line: str | None) -> SettingSpace:
        """The settings of one line, with its overrides."""
        return self._spaces.get(line, self._spaces[None])

    @cached_property
    def material_names(self) -> tuple[str, ...]:
        """Material variables in declared order."""
        return tuple(self.material)

    @property
    def feed_grade_scale(self) -> float:
        """What one unit of the declared feed grade is as a fraction: 1, or 0.01 for per cent."""
        return share_factor(self.material[FEED_GRADE].unit)

    def tonnes_per_hour(self, line: str | None) -> float:
        """What one declared unit of feed rate is in t/h; 1 when feed rate is not a setting."""
        space = self.space_of(line)
        if "feed_rate" not in space.names:
            return 1.0
        return rate_in_tonnes_per_hour(space["feed_rate"].unit)


# Columns that every log may have besides settings and material variables.
RUN_COLUMNS = (
    "run_id",
    "line",
    "started_at",
    "material",
    "grade",
    "recovery",
    "grade_se",
    "recovery_se",
    "grade_count",
    "deck_state",
    "note",
)
DECK_STATES = ("even", "boiling", "sluggish", "starved", "flooded")


def rate_in_tonnes_per_hour(unit: str) -> float:
    """Factor from a rate unit to t/h.

    Raises:
        InputError: when the unit is not a mass rate.
    """
    return factor(unit, "t/h")


def _override(space: SettingSpace, changes: Mapping[str, SettingFields]) -> SettingSpace:
    for name, fields in changes.items():
        setting = space[name]
        given = fields.given()
        moved = given.get("unit", setting.unit) != setting.unit
        missing = [k for k in ("low", "high", "step") if moved and k not in given]
        if missing:
            raise InputError(
                f"[settings.{name}]: unit '{given['unit']}' differs from the default "
                f"'{setting.unit}', so {', '.join(missing)} must be given too."
            )
    return space.override({name: fields.given() for name, fields in changes.items()})


Positive = Annotated[float, Field(gt=0)]


class Prices(Strict):
    """What an hour of running earns and costs, in one currency."""

    product: float
    """For a tonne of product that meets the grade."""
    reject: float = 0.0
    """For a tonne of reject; below 0 when it costs to be rid of."""
    feed: float = 0.0
    """Of a tonne of feed."""
    hour: float = 0.0
    """Of an hour of running: power, wages."""
    currency: str = "value"


class Goal(Strict):
    """What is wanted of the deck."""

    maximise: Literal["recovery", "value", "trade-off"] = "recovery"
    prices: Prices | None = None
    min_grade: Fraction | None = None
    confidence: Confidence = DEFAULT_CONFIDENCE

    @model_validator(mode="after")
    def _priced(self) -> Goal:
        if self.maximise == "value" and self.prices is None:
            raise ValueError('maximise = "value" needs [goal.prices], at least product')
        if self.maximise != "value" and self.prices is not None:
            raise ValueError('prices are for maximise = "value"')
        return self


class Capacity(Strict):
    """Limits of what feeds the deck and takes away from it, in the site's feed rate unit."""

    min_feed_rate: Positive | None = None
    max_feed_rate: Positive | None = None
    max_product_rate: Positive | None = None
    max_reject_rate: Positive | None = None


class Limit(Strict):
    """A narrower range for today, or one fixed value."""

    low: float | None = None
    high: float | None = None
    fixed: float | None = None

    @model_validator(mode="after")
    def _one_way(self) -> Limit:
        if self.fixed is not None and (self.low is not None or self.high is not None):
            raise ValueError("give either fixed, or low and high")
        if self.low is not None and self.high is not None and self.low > self.high:
            raise ValueError(f"low {self.low:g} is above high {self.high:g}")
        return self


class CouplingFields(Strict):
    """A linear limit between settings."""

    terms: Annotated[dict[str, float], Field(min_length=1)]
    at_most: float | None = None
    at_least: float | None = None

    @model_validator(mode="after")
    def _bounded(self) -> CouplingFields:
        if self.at_most is None and self.at_least is None:
            raise ValueError("needs at_most or at_least")
        return self

    def coupling(self) -> Coupling:
        """The limit as the lattice uses it."""
        ends = {"at_most": self.at_most, "at_least": self.at_least}
        return Coupling(dict(self.terms), **{k: v for k, v in ends.items() if v is not None})


class Trials(Strict):
    """How many trials, and what they may consume."""

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
    material: dict[str, float | str] = {}
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
        """A recommendation pasted whole is read for its settings."""
        if not isinstance(pending, list):
            return pending
        return [p["settings"] if isinstance(p, dict) and "settings" in p else p for p in pending]

    @classmethod
    def read(cls, path: str | Path | None, **changes: Any) -> Brief:
        """The brief of a TOML file, with options laid over it.

        Raises:
            InputError: naming the file, the key and what was expected.
        """
        content = {} if path is None else read_toml(path, "brief")
        return cls.from_dict(content, source=str(path or "options"), **changes)

    @classmethod
    def from_dict(cls, content: Mapping[str, Any], source: str = "brief", **changes: Any) -> Brief:
        """The brief of a parsed document; ``changes`` are dotted keys such as ``goal.min_grade``
        written with ``__`` and win over the document."""
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
        """The same brief, its names checked against the site, its material as numbers in the
        site's units (a text may have a unit of its own: ``"95.5%"``).

        Raises:
            InputError: naming the table and the nearest known name, or what is no number.
        """
        settings = site.space.names
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
                    raise InputError(f"[{table}]: unknown name '{key}'.", hint=nearest(key, known))
        for k, trial in enumerate(self.pending, 1):
            missing = [n for n in settings if n not in trial]
            if missing:
                raise InputError(f"[[pending]] number {k} lacks {', '.join(missing)}.")
        material = {
            key: value if key == "material" else _in_site_unit(key, value, site.material[key])
            for key, value in self.material.items()
        }
        return self.model_copy(update={"material": material}) if material else self

    def as_document(self) -> dict[str, Any]:
        """The brief as a JSON document, without what is left at its default."""
        return self.model_dump(mode="json", exclude_defaults=True)

    def region(self, space: SettingSpace) -> Region:
        """The lattice points that today's limits leave.

        Raises:
            LimitError: when they leave none.
            InputError: when a fixed value is not a level of its setting.
        """
        region = Region.whole(space, [c.coupling() for c in self.couplings])
        for name, limit in self.limits.items():
            region = _narrow_by_limit(region, name, limit)
        if "feed_rate" in space.names:
            low, high = self.capacity.min_feed_rate, self.capacity.max_feed_rate
            if low is not None:
                region = region.narrow(
                    "feed_rate", low, float("inf"), f"capacity min_feed_rate {low:g}"
                )
            if high is not None:
                region = region.narrow(
                    "feed_rate", -float("inf"), high, f"capacity max_feed_rate {high:g}"
                )
        for name, value in self.current.items():
            setting = space[name]
            if setting.max_change is not None:
                region = region.narrow(
                    name,
                    value - setting.max_change,
                    value + setting.max_change,
                    f"{name} within {setting.max_change:g} {setting.unit} of current {value:g}",
                )
        return region


def _in_site_unit(name: str, written: float | str, variable: MaterialVariable) -> float:
    """A value of today's material in its declared unit."""
    value = measure(written, variable.unit)
    if value is None:
        unit = f" ({variable.unit})" if variable.unit else ""
        raise InputError(f"[material] {name}: expected a number{unit}, got '{written}'.")
    if not variable.low <= value <= variable.high:
        raise InputError(
            f"[material] {name}: {value:g} is outside the declared range "
            f"{variable.low:g} to {variable.high:g} {variable.unit}.".replace(" .", "."),
            hint="Correct the value, or widen the range in the site file.",
        )
    return value


def _narrow_by_limit(region: Region, name: str, limit: Limit) -> Region:
    setting = region.space[name]
    if limit.fixed is not None:
        _require_level(setting, limit.fixed)
        return region.narrow(name, limit.fixed, limit.fixed, f"{name} fixed at {limit.fixed:g}")
    low = -float("inf") if limit.low is None else limit.low
    high = float("inf") if limit.high is None else limit.high
    return region.narrow(name, low, high, f"limits {name} {low:g} to {high:g} {setting.unit}")


def _require_level(setting: Setting, value: float) -> None:
    a, b = setting.levels_between(value, value)
    if a > b and setting.low <= value <= setting.high:
        below = setting.low + int((value - setting.low) / setting.step) * setting.step
        raise InputError(
            f"[limits.{setting.name}] fixed = {value:g} is not a step of the deck.",
            hint=f"The nearest are {below:.6g} and {below + setting.step:.6g} {setting.unit}.",
        )
