"""Reads and validates the documents that a user writes: TOML or JSON in, a frozen model out.

An error message names the file, the key, what was expected and the nearest known key.
"""

from __future__ import annotations

import math
import sys
import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError

from optimizer.errors import HighsideError, InputError, nearest, reason_of
from optimizer.text.names import composed

T = TypeVar("T")

LARGEST = 1e12
"""The largest number that a user may write, so that sums and products stay finite."""
_MOST = sys.float_info.max


class Strict(BaseModel):
    """Base of the models of user documents: they are frozen, and an unknown key is an error."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


def read_toml(path: str | Path, what: str) -> dict[str, Any]:
    """The content of a TOML file.

    Args:
        path: path of the file.
        what: kind of file, such as "site file", for messages.

    Raises:
        InputError: when the file cannot be read or is not TOML.
    """
    try:
        return tomllib.loads(Path(path).read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise InputError(
            f"{what} '{path}' does not exist.",
            hint="Write one with 'highside init'." if what == "site file" else "Check the path.",
        ) from None
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{what} '{path}' cannot be read: {reason_of(error)}.") from None
    except ValueError as error:  # a number with thousands of digits raises this too
        raise InputError(
            f"{what} '{path}' is not valid TOML: {reason_of(error)}.",
            hint="Text stands in quotes, numbers use a decimal point.",
        ) from None


def located(source: str, build: Callable[[], T]) -> T:
    """The result of ``build``; the source is added to the message of an ``InputError``."""
    try:
        return build()
    except HighsideError as error:
        if not error.message.startswith(source):
            error.message = f"{source}: {error.message}"
        raise


def validate(model: Any, content: Mapping[str, Any], source: str) -> Any:
    """The content as a validated model; Pydantic's errors are reworded for users.

    Names are put into one spelling, that of the names of a history, before they are compared.

    Raises:
        InputError: when the content is invalid; the message says where, what was expected, and the
            nearest known key.
    """
    content = composed(content)
    if found := _too_large(content):
        where, value = found
        raise InputError(
            f"{source}: {where}: {value:.3g} is larger than any number of a plant ({LARGEST:g}).",
            code="invalid-value",
            where=where,
        )
    try:
        return model.model_validate(content)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        # A part in brackets names one of several forms that a value may have, and no key.
        path = [p for p in map(str, first["loc"]) if not p.startswith("(")]
        where = ".".join(path)
        if first["type"] == "extra_forbidden":
            known = _fields_at(model, path[:-1])
            raise InputError(
                f"{source}: unknown key '{where}'.",
                code="unknown-key",
                hint=nearest(path[-1], known),
                where=where,
            ) from None
        text = first["msg"].removeprefix("Value error, ")
        got = first.get("input")
        shown = f" (got {got!r})" if isinstance(got, str | int | float) else ""
        raise InputError(
            f"{source}: {where}: {text}{shown}.", code="invalid-value", where=where
        ) from None


def _too_large(content: Any) -> tuple[str, float] | None:
    """Place and value of the first number that is too large; None where all are within range."""
    left = [("", content)]
    while left:
        where, value = left.pop()
        if isinstance(value, Mapping):
            left += [(f"{where}.{key}" if where else str(key), v) for key, v in value.items()]
        elif isinstance(value, list | tuple):
            left += [(f"{where}.{k}", v) for k, v in enumerate(value)]
        elif isinstance(value, int | float) and LARGEST < abs(value) < math.inf:
            return where, float(min(max(value, -_MOST), _MOST))
    return None


def _fields_at(model: Any, path: list[str]) -> list[str]:
    """Field names of the model that ``path`` leads to, through tables and lists."""
    for part in path:
        field = model.model_fields.get(part) if hasattr(model, "model_fields") else None
        annotation = field.annotation if field else model
        model = _model_inside(annotation)
    return list(model.model_fields) if hasattr(model, "model_fields") else []


def _model_inside(annotation: Any) -> Any:
    if hasattr(annotation, "model_fields"):
        return annotation
    for argument in getattr(annotation, "__args__", ()):
        found = _model_inside(argument)
        if found is not None:
            return found
    return None
