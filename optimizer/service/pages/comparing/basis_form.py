"""Reads the forms of comparison and diagnosis: on what they rest, and what is wrong with which
field."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import partial
from typing import Any

from optimizer.errors import HighsideError
from optimizer.plant.site import Site
from optimizer.service.exchange.problems import Problem
from optimizer.service.exchange.queries import LABEL, LONGEST_NAME
from optimizer.service.exchange.typed_numbers import fraction, measured, number
from optimizer.service.pages.shared.forms import MATERIAL

ANYWHERE = ""
"""Key of a fault that belongs to no field."""


@dataclass
class Typed:
    """A form as it was typed, and what is wrong with it.

    Attributes:
        fields: the fields as they were typed, by name.
        faults: what is wrong, by name of the field, or ``ANYWHERE``.
        hint: what to do about a fault that belongs to no field.
    """

    fields: Mapping[str, str]
    faults: dict[str, str] = field(default_factory=dict)
    hint: str = ""

    def read(self, name: str, convert: Callable[[str], Any]) -> Any:
        """A field, converted; None where it is empty or faulty, which is then noted.

        Args:
            name: name of the field.
            convert: function from the text to the value, which raises ``Problem``.
        """
        text = self.fields.get(name, "").strip()
        if not text:
            return None
        try:
            return convert(text)
        except Problem as error:
            self.faults[name] = f"{error.message} {error.hint}".strip()
            return None

    def refuse(self, error: HighsideError) -> None:
        """Note an error that belongs to no field."""
        self.faults[ANYWHERE], self.hint = error.message, error.hint


def read_brief(typed: Typed, site: Site) -> dict[str, Any]:
    """The brief of a form: material, grade to reach and confidence, where they are typed; faults
    are noted in ``typed``."""
    goal = {
        name: typed.read(name, partial(fraction, field=label))
        for name, label in (("min_grade", "Grade"), ("confidence", "Confidence"))
    }
    material = {
        name: typed.read(f"{MATERIAL}{name}", partial(measured, field=name))
        for name in site.material
    }
    material[LABEL] = typed.read(f"{MATERIAL}{LABEL}", _name)
    known = {
        key: {name: value for name, value in values.items() if value is not None}
        for key, values in (("goal", goal), ("material", material))
    }
    return {key: values for key, values in known.items() if values}


def positive(text: str, label: str) -> float:
    """A number above 0.

    Raises:
        Problem: when the text is not one.
    """
    value = number(text, label)
    if value <= 0.0:
        raise Problem(422, f"{label}: expected a number above 0.", code="not-positive")
    return value


def _name(text: str) -> str:
    if len(text) > LONGEST_NAME:
        said = f"Material: expected at most {LONGEST_NAME} characters."
        raise Problem(422, said, code="too-long")
    return text
