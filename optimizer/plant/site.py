"""The plant as its site file describes it: settings, material variables, column names, lines."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from datetime import datetime
from functools import cached_property, partial
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, field_validator, model_validator

from optimizer.errors import InputError
from optimizer.plant.conversions import EarlierUnit, conversion
from optimizer.plant.documents import Strict, located, read_toml, validate
from optimizer.plant.gates import LineSettings, SettingColumns, number_of_gates
from optimizer.plant.mass import MassName, MassUnit
from optimizer.plant.moments import DateOrder, Moment, instant_of
from optimizer.plant.run_columns import RUN_COLUMNS
from optimizer.plant.settings import GRAVITY_TABLE, Setting, SettingSpace
from optimizer.plant.shares import Fraction
from optimizer.plant.time_zone import DEFAULT, TimeZone
from optimizer.plant.units import check_heading_unit, factor, share_factor, stored_unit_of
from optimizer.text.texts import DEFAULT_LANGUAGE
from optimizer.text.words import Words

FEED_GRADE = "feed_grade"
"""The one material column with a fixed meaning: share of wanted material in the feed."""
FEED_SAMPLED = ("before_return", "after_return")
"""Where the feed may be sampled: before streams that are led back join it, or after."""


Word = Annotated[str, Field(min_length=1, max_length=200)]


class SettingFields(Strict):
    """The fields of one setting in a site file; a field that is left out keeps its default."""

    unit: str | None = None
    low: float | None = None
    high: float | None = None
    step: float | None = None
    max_change: float | None = None
    gates: Annotated[int | None, BeforeValidator(number_of_gates)] = None
    """Number of gates at which it is set in turn; None where one control sets the whole."""
    max_taper: Annotated[float | None, Field(ge=0)] = None
    """Largest difference between neighboring gates."""
    was: tuple[EarlierUnit, ...] | None = None

    def given(self) -> dict[str, Any]:
        """The fields of a setting that the site file contains."""
        return self.model_dump(exclude_none=True, exclude={"was"})


class MaterialVariable(Strict):
    """A measured property of the feed: an input of the surrogate that is never optimized."""

    unit: str = ""
    low: float
    high: float
    was: tuple[EarlierUnit, ...] = ()

    @model_validator(mode="after")
    def _ordered(self) -> MaterialVariable:
        if not self.low < self.high:
            raise ValueError(f"low {self.low:g} must be below high {self.high:g}")
        return self


class LineFields(Strict):
    """Fields that differ on one line."""

    settings: dict[str, SettingFields] = {}


class Event(Strict):
    """Something that changed a deck for good at one moment: a screen cleaned, a cloth changed."""

    at: Moment
    what: Annotated[str, Field(min_length=1)]
    line: str | None = None
    """The line that it happened to; all lines when None."""


class SiteName(Strict):
    """The ``[site]`` table."""

    name: str = "site"
    time_zone: str = DEFAULT
    mass: MassName = "t"
    date_order: DateOrder | None = None
    language: str = DEFAULT_LANGUAGE
    """Language of sheets, report and pages, a code such as ``es``."""
    currency: Annotated[str, Field(min_length=1)] | None = None
    """Currency of all prices, unless a brief names another; None where no site file names it."""


class Measurement(Strict):
    """The ``[measurement]`` table: how the plant weighs, assays, samples and counts."""

    weighing_error: Fraction | None = None
    """Relative standard error of a weight that states none."""
    assay_error: Fraction | None = None
    """Relative standard error of an assay that states none."""
    streams: tuple[str, ...] = ("feed", "product", "reject")
    """Names of the streams of a deck, the feed first, as sheets to fill in list them."""
    returned: tuple[str, ...] = ()
    """Names of the streams that are led back to the feed."""
    feed_sampled: Literal["before_return", "after_return"] = "before_return"
    """Whether the feed is sampled before these streams join it, or after (``FEED_SAMPLED``)."""
    grade_difference: Fraction = 0.005
    """Difference of grade between two settings that a count of particles should show."""


class SheetFields(Strict):
    """The ``[sheet]`` table."""

    checks: tuple[Word, ...] | None = None
    """What is checked before the first trial, in the plant's words; None for a general start."""


class SiteFile(Strict):
    """The content of a site file."""

    site: SiteName = SiteName()
    settings: dict[str, SettingFields] = {}
    material: dict[str, MaterialVariable] = {}
    columns: dict[str, str] = {}
    lines: dict[str, LineFields] = {}
    events: tuple[Event, ...] = ()
    measurement: Measurement = Measurement()
    called: dict[str, Word] = {}
    """What the plant calls its settings, its ``high_side`` and its ``feed_end``."""
    sheet: SheetFields = SheetFields()

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
    """The description of a plant: settings, material variables, column names, lines.

    Args:
        file: validated content of a site file.
        base: the settings that the file overrides: the five of a gravity table, unless the caller
            supplies others.
        source: name of the file, for messages.

    Raises:
        InputError: when a setting or the time zone is unknown, a range is impossible, or a unit
            measures something else.
    """

    def __init__(
        self,
        file: SiteFile | None = None,
        base: SettingSpace = GRAVITY_TABLE,
        source: str = "no site file",
    ) -> None:
        self.file = file or SiteFile()
        self.base = base
        self.source = source
        zone = self.file.site.time_zone
        self.time_zone = located("[site] time_zone", lambda: TimeZone(zone))
        self.name = self.file.site.name
        self.mass = MassUnit(self.file.site.mass)
        self.date_order = self.file.site.date_order
        self.currency = self.file.site.currency
        self.measurement = self.file.measurement
        self.columns = dict(self.file.columns)
        self._events = [
            (instant_of(e.at, self.time_zone, f"events.{k}.at"), e)
            for k, e in enumerate(self.file.events)
        ]
        common = LineSettings.of(base).with_fields(_given(self.file.settings), "settings")
        self._lines: dict[str | None, LineSettings] = {None: common}
        for line, fields in self.file.lines.items():
            own = _given(fields.settings)
            self._lines[line] = common.with_fields(own, f"lines.{line}.settings")
        self.setting_columns = SettingColumns.of(self._lines.values())
        self._check_names()
        self.words = self.words_in()
        self.material = dict(self.file.material)
        self.material.setdefault(FEED_GRADE, MaterialVariable(unit="", low=0.0, high=1.0))
        self._check_units()

    def _check_names(self) -> None:
        taken = {*self.setting_columns.names, *(column.name for column in RUN_COLUMNS)}
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
        """Refuse units that cannot be stored, or cannot be written in a heading and read back."""
        for line, settings in self._lines.items():
            where = "settings" if line is None else f"lines.{line}.settings"
            for setting in settings.whole.settings:
                check = partial(stored_unit_of, setting.name, setting.unit)
                located(f"[{where}.{setting.name}] unit", check)
                _check_earlier(
                    f"[{where}.{setting.name}]", setting.unit, self.was(setting.name, line)
                )
        for name, variable in self.material.items():
            located(f"[material.{name}] unit", partial(check_heading_unit, variable.unit))
            _check_earlier(f"[material.{name}]", variable.unit, variable.was)
        feed = self.material[FEED_GRADE]
        scale = located(f"[material.{FEED_GRADE}] unit", partial(share_factor, feed.unit))
        if feed.low * scale < 0 or feed.high * scale > 1:
            raise InputError(
                f"[material.{FEED_GRADE}]: {feed.low:g} to {feed.high:g} {feed.unit or 'fraction'} "
                "is not a range of a share.",
                hint='Write a range from 0 to 1, or declare unit = "%".',
            )

    def words_in(self, language: str | None = None) -> Words:
        """How readers of the plant are told things; in its own language where none is given.

        Raises:
            InputError: when there are no texts in the language.
        """
        asked = language or self.file.site.language
        words = located(
            "[site] language", lambda: Words(asked, self.file.called, self.file.sheet.checks)
        )
        return words.check_names({*self.set_names, *(s.name for s in self.wholes)})

    @classmethod
    def read(cls, path: str | Path | None) -> Site:
        """The site of a TOML file, or the default site where no file is given.

        Raises:
            InputError: when the file is not a valid site file; the message names the file, the key
                and what was expected.
        """
        if path is None:
            return cls()
        return cls.from_dict(read_toml(path, "site file"), source=str(path))

    @classmethod
    def from_dict(cls, content: Mapping[str, Any], source: str = "site") -> Site:
        """The site of a parsed TOML or JSON document."""
        return located(source, lambda: cls(validate(SiteFile, content, source), source=source))

    @property
    def space(self) -> SettingSpace:
        """The settings without the overrides of any line."""
        return self.settings_of(None).space

    def space_of(self, line: str | None) -> SettingSpace:
        """The settings of one line as they are set, gate by gate, with the overrides of that
        line."""
        return self.settings_of(line).space

    def settings_of(self, line: str | None) -> LineSettings:
        """The settings of one line, as they are set and with each gated one as a whole."""
        return self._lines.get(line, self._lines[None])

    @property
    def line_settings(self) -> tuple[LineSettings, ...]:
        """The settings of lines that the file does not name, then those of each that it names."""
        return tuple(self._lines.values())

    def setting(self, name: str, line: str | None) -> Setting:
        """The setting of one of ``setting_columns`` on a line, see ``LineSettings``."""
        return self.settings_of(line)[name]

    @property
    def wholes(self) -> tuple[Setting, ...]:
        """The settings without the overrides of any line, one with gates as a single setting."""
        return self.settings_of(None).whole.settings

    @property
    def set_names(self) -> tuple[str, ...]:
        """Names of the settings that some line has, gate by gate, in column order."""
        used = {name for each in self._lines.values() for name in each.space.names}
        return tuple(name for name in self.setting_names if name in used)

    @property
    def setting_names(self) -> tuple[str, ...]:
        """Names of the columns of settings that the lines of the plant need together."""
        return self.setting_columns.names

    def events_of(self, line: str | None) -> tuple[datetime, ...]:
        """Moments of the events of a line in UTC, in order."""
        return tuple(sorted(at for at, event in self._events if event.line in (None, line)))

    def lines_with(self, with_runs: Iterable[str]) -> tuple[str, ...]:
        """Lines of the plant in alphabetical order: those that have runs, and those that only the
        site file names."""
        return tuple(sorted({*with_runs, *self.file.lines}))

    def was(self, name: str, line: str | None) -> tuple[EarlierUnit, ...]:
        """The earlier units of a setting on a line, or of a material variable.

        A line that declares its own unit has only the earlier units that it names itself. Those of
        a gate are those of the setting as a whole.
        """
        if name in self.material:
            return self.material[name].was
        name = self.settings_of(None).whole_name(name)
        common = self.file.settings.get(name, SettingFields())
        lines = self.file.lines
        own = lines[line].settings.get(name) if line is not None and line in lines else None
        if own is not None and own.was is not None:
            return own.was
        if own is not None and own.unit is not None and own.unit != self.setting(name, None).unit:
            return ()
        return common.was or ()

    @cached_property
    def fingerprint(self) -> str:
        """SHA-256 of the content of the site file as canonical JSON, in hexadecimal digits.

        The JSON has sorted keys and no spaces. Comments and the order of keys do not change it.
        """
        content = self.file.model_dump(mode="json", exclude_unset=True)
        text = json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        return hashlib.sha256(text.encode()).hexdigest()

    @cached_property
    def material_names(self) -> tuple[str, ...]:
        """Material variables in declared order."""
        return tuple(self.material)

    def material_units(self, names: Iterable[str]) -> dict[str, str]:
        """Declared units of the material variables among the names, by name; that of a share
        without a unit is ``fraction``."""
        units = {name: self.material[name].unit for name in names if name in self.material}
        if FEED_GRADE in units:
            units[FEED_GRADE] = units[FEED_GRADE] or "fraction"
        return units

    @property
    def feed_grade_scale(self) -> float:
        """Factor from the declared unit of the feed grade to a fraction: 1, or 0.01 for per
        cent."""
        return share_factor(self.material[FEED_GRADE].unit)

    def tonnes_per_hour(self, line: str | None) -> float:
        """Factor from the declared unit of feed rate to t/h; 1 when feed rate is not a setting."""
        space = self.space_of(line)
        if "feed_rate" not in space.names:
            return 1.0
        return rate_in_tonnes_per_hour(space["feed_rate"].unit)

    def mass_per_hour(self, line: str | None) -> float:
        """Factor from the declared unit of feed rate to the site's unit of mass an hour."""
        return self.tonnes_per_hour(line) * self.mass.per_tonne


def rate_in_tonnes_per_hour(unit: str) -> float:
    """Factor from a rate unit to t/h.

    Raises:
        InputError: when the unit is not a mass rate.
    """
    return factor(unit, "t/h")


def _check_earlier(where: str, unit: str, earlier: tuple[EarlierUnit, ...]) -> None:
    """Refuse an earlier unit that needs no pairs, since it converts to the declared unit."""
    for each in earlier:
        located(f"{where} was", partial(check_heading_unit, each.unit))
        if not each.unit.strip() or not unit.strip():
            continue  # numbers without a unit mean what the pairs say
        try:
            conversion(each.unit, unit)
        except InputError:
            continue
        raise InputError(
            f"{where} was: '{each.unit}' is converted to '{unit}' without it.",
            hint="Leave this entry out: pairs are for units that cannot be converted.",
        )


def _given(settings: Mapping[str, SettingFields]) -> dict[str, dict[str, Any]]:
    """The fields of settings that a table of a site file contains."""
    return {name: fields.given() for name, fields in settings.items()}
