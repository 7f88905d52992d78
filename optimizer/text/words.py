"""How a reader is told things: the language, its figures and dates, and the plant's own words.

Texts come from ``texts/<language>.toml``. In a text, ``{name}`` stands for a value, and what
follows a colon is the kind of the value (``KINDS``) or a format of Python: ``{chance:chance}``.
A text with the forms ``one`` and ``other`` is chosen by its value ``count``. What machines read
(JSON, CSV, the values of forms) never passes through here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from string import Formatter
from typing import Any

from optimizer.errors import InputError, nearest
from optimizer.text import figures
from optimizer.text.masses import pounds
from optimizer.text.setting_names import gate_number, setting_words
from optimizer.text.texts import DEFAULT_LANGUAGE, texts

KINDS: dict[str, Callable[[Any], str]] = {
    "level": figures.level,
    "percent": figures.percent,
    "percent0": lambda v: figures.percent(v, 0),
    "goal": figures.exact_percent,
    "chance": figures.whole_percent,
    "percent2": lambda v: figures.percent(v, 2),
    "tonnes": figures.tonnes,
    "pounds": pounds,
    "worth": figures.worth,
    "minutes": figures.minutes,
    "sigmas": lambda v: f"{v:.1f}",
    "count": lambda v: f"{v:d}",
    "text": str,
}
"""How each kind of figure is written, with a decimal point."""
NAMES = {
    "setting": "named",
    "property": "named",
    "spoken": "spoken",
    "label": "labeled",
    "unit": "unit",
    "mass": "mass_word",
    "date": "date",
}
"""The method of ``Words`` that tells each kind of name. Others are a list (``list``, ``and``)."""
PARTS = ("taper", "bow")
"""Parts of a profile of gates that people are told of, besides its level."""


@dataclass(frozen=True)
class Words:
    """How one reader is told things.

    Attributes:
        language: code of a language that has a file of texts.
        called: what the plant calls its settings, its high side and its feed end, by the names of
            documents, ``high_side`` and ``feed_end``.
        checks: what the plant checks before the first trial; None for a general start.

    Raises:
        InputError: when there are no texts in the language.

    >>> Words("es").figure(98.25), Words("es").figure(0.9, "chance"), Words("es").date("2026-03-09")
    ('98,25', '90', '09/03/2026')
    """

    language: str = DEFAULT_LANGUAGE
    called: Mapping[str, str] = field(default_factory=dict, hash=False)
    checks: tuple[str, ...] | None = None

    def __post_init__(self) -> None:
        texts(self.language)

    def check_names(self, settings: Iterable[str]) -> Words:
        """These words, whose names are those of settings or places of the deck.

        Raises:
            InputError: when a name is another one; the hint names the nearest.
        """
        known = [*settings, *self["places"]]
        for name in self.called:
            if name not in known:
                raise InputError(
                    f"[called] {name}: there is no such setting.", hint=nearest(name, known)
                )
        return self

    def __getitem__(self, section: str) -> Any:
        """The texts of one section, by key."""
        return texts(self.language)[section]

    def local(self, figure: str) -> str:
        """A figure that was written with a decimal point, in the reader's manner."""
        form = self["figures"]
        marks = {".": form["decimal"], ",": form["group"]}
        return "".join(marks.get(character, character) for character in figure)

    def figure(self, value: Any, kind: str = "level") -> str:
        """A number in the format of its kind; a text is left as it is."""
        return str(value) if isinstance(value, str) else self.local(KINDS[kind](value))

    def date(self, moment: str) -> str:
        """A date, or a date and a time after it, that is written as ISO 8601 says."""
        day, rest = moment[:10], moment[10:].replace("T", " ", 1 if moment[10:11] == "T" else 0)
        year, month, number = day.split("-")
        if self.language == DEFAULT_LANGUAGE:
            return moment
        return str(self["figures"]["date"].format(year=year, month=month, day=number)) + rest

    def setting(self, name: str) -> str:
        """What a setting is called; one that has no name for people keeps that of documents."""
        if name in self.called:
            return self.called[name]
        known, forms = self["settings"], self["gates"]
        if gate := gate_number(name):
            return str(forms["gate"].format(name=self.setting(gate[0]), number=gate[1]))
        whole, _, part = name.rpartition("_")
        if part in PARTS and name not in known:
            return str(forms[part].format(name=self.setting(whole)))
        return str(known.get(name, name))

    def setting_at_place(self, name: str) -> str:
        """The same; the first of several gates with the end of the deck that it is at."""
        gate = gate_number(name)
        if gate is None or gate[1] != 1:
            return self.setting(name)
        forms = self["gates"]
        place = self.called.get("feed_end", forms["place"])
        return str(forms["first"].format(name=self.setting(gate[0]), number=1, place=place))

    def place(self, name: str) -> str:
        """A side or an end of the deck, with the plant's own word in brackets."""
        told = str(self["places"][name])
        return f"{told} ({self.called[name]})" if name in self.called else told

    def level_of(self, name: str) -> str:
        """What the mean of the gates of a setting is called."""
        return str(self["gates"]["level"].format(name=self.setting(name)))

    def property(self, name: str) -> str:
        """What a property of the material is called."""
        known: Mapping[str, str] = self["materials"]
        return known.get(name, name.replace("_", " "))

    def named(self, name: str) -> str:
        """A setting or a property of the material inside a sentence. In English it is the name of
        logs, which people look for there, unless the plant has its own word."""
        gate = gate_number(name)
        own = name in self.called or (gate is not None and gate[0] in self.called)
        if self.language == DEFAULT_LANGUAGE and not own:
            return setting_words(name) if gate else name
        called = self.property(name) if name in self["materials"] else self.setting(name)
        return called if own or called == name else called[:1].lower() + called[1:]

    def spoken(self, name: str) -> str:
        """A setting or a property inside a sentence, in English too in words."""
        return self.named(name).replace("_", " ")

    def labeled(self, name: str) -> str:
        """A setting or a property of the material as a label."""
        called = self.spoken(name)
        return called[:1].upper() + called[1:]

    def joined(self, told: Sequence[str]) -> str:
        """Parts of a sentence as a list, the last after an "and"."""
        rest = ", ".join(told[:-1])
        return f"{rest}{self['figures']['and']}{told[-1]}" if rest else "".join(told)

    def unit(self, unit: str) -> str:
        """A unit for people."""
        known: Mapping[str, str] = self["units"]
        return known.get(unit, unit)

    def mass_word(self, unit: str) -> str:
        """One of a unit of mass, as in "a price per tonne"."""
        known: Mapping[str, str] = self["mass_words"]
        return known.get(unit, unit)

    def told(self, sentence: Any) -> str:
        """A sentence, or what a document says it was made of, as this reader is told it."""
        made = sentence if isinstance(sentence, Mapping) else vars(sentence)
        return self.fill(self["sentences"][made["key"]], **made["values"])

    def fill(self, text: str | Mapping[str, str], **values: Any) -> str:
        """A text with its values, figures in the reader's manner."""
        form = text if isinstance(text, str) else text["one" if values["count"] == 1 else "other"]
        return _Filling(self).vformat(form, (), {**self._places(), **values})

    def _places(self) -> dict[str, str]:
        return {name: self.place(name) for name in self["places"]}


class _Filling(Formatter):
    """Fills texts in the manner of one reader."""

    def __init__(self, words: Words) -> None:
        self.words = words

    def format_field(self, value: Any, format_spec: str) -> str:
        if isinstance(value, list | tuple):
            told = [self.format_field(each, "") for each in value]
            return ", ".join(told) if format_spec == "list" else str(self.words.joined(told))
        if isinstance(value, Mapping) or hasattr(value, "key"):
            said = self.words.told(value)
            return said[:1].lower() + said[1:] if format_spec == "lower" else said
        if format_spec in NAMES:
            return str(getattr(self.words, NAMES[format_spec])(value))
        if format_spec in KINDS:
            return self.words.figure(value, format_spec)
        if isinstance(value, int | float):
            return self.words.local(format(value, format_spec))
        return str(format(value, format_spec))


ENGLISH = Words()
