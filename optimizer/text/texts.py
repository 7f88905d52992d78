"""The texts for people, with one file for each language."""

from __future__ import annotations

import tomllib
from functools import cache
from pathlib import Path
from typing import Any

from optimizer.errors import InputError, nearest

FOLDER = Path(__file__).parent / "texts"
DEFAULT_LANGUAGE = "en"


def languages() -> list[str]:
    """Codes of the languages that have a file of texts, sorted."""
    return sorted(path.stem for path in FOLDER.glob("*.toml"))


@cache
def texts(language: str = DEFAULT_LANGUAGE) -> dict[str, Any]:
    """All texts of one language, by section and key.

    Raises:
        InputError: when there is no file for the language.
    """
    if language not in languages():
        raise InputError(
            f"there are no texts in '{language}'.", hint=nearest(language, languages())
        )
    return tomllib.loads((FOLDER / f"{language}.toml").read_text(encoding="utf-8"))
