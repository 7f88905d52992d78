"""Each language says the same things, and figures and dates are in its reader's manner."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import date
from string import Formatter
from typing import Any

import pytest
from babel.dates import format_date
from babel.numbers import format_decimal, get_decimal_symbol

from optimizer.errors import InputError
from optimizer.plant.site import Site
from optimizer.text.sentences import sentence
from optimizer.text.texts import languages, texts
from optimizer.text.words import Words
from tests.languages import ENGLISH_WORDS

OTHERS = [code for code in languages() if code != "en"]
SAME = {
    "figures.range", "materials.material", "report.drift_line", "report.material",
    "report.probable_error", "sheet.move", "sentences.column_material", "sentences.field_material",
}  # fmt: skip
"""Texts that may be as in English: figures alone, and words that both languages have."""


def leaves(found: Any, path: str = "") -> Iterator[tuple[str, str]]:
    """Every text with its path."""
    if isinstance(found, str):
        yield path, found
        return
    for key, value in found.items() if isinstance(found, dict) else enumerate(found):
        yield from leaves(value, f"{path}.{key}".lstrip("."))


def every_text(language: str) -> dict[str, str]:
    """The texts of a language by path, but for those of pages, whose English is the templates."""
    return dict(leaves({k: v for k, v in texts(language).items() if k not in ("pages", "scripts")}))


def places(text: str) -> set[str]:
    """Names of the values of a text."""
    return {name for _, name, _, _ in Formatter().parse(text) if name is not None}


def test_there_are_spanish_and_portuguese():
    assert OTHERS == ["es", "pt"]


@pytest.mark.parametrize("language", OTHERS)
def test_a_language_has_every_text_and_no_other(language):
    english, other = every_text("en"), every_text(language)
    assert list(other) == list(english)


@pytest.mark.parametrize("language", OTHERS)
def test_a_text_shows_the_same_values_in_every_language(language):
    other = every_text(language)
    for path, text in every_text("en").items():
        assert places(other[path]) == places(text), path


@pytest.mark.parametrize("language", OTHERS)
def test_nothing_is_left_in_english(language):
    english = every_text("en")
    for path, text in every_text(language).items():
        said = re.sub(r"\{[^}]*\}|highside \w+", "", text)
        assert not ENGLISH_WORDS.search(said), (path, text)
        if re.search(r"[^\W\d]{3}", said) and path not in SAME:
            assert text != english[path], path


@pytest.mark.parametrize("language", OTHERS)
@pytest.mark.parametrize("value", [0.5, 2.4, 98.725, -3.25, 450.0])
def test_the_decimal_sign_is_that_of_the_unicode_locale_data(language, value):
    """Reference: the Unicode CLDR, through babel."""
    assert Words(language).figure(value) == format_decimal(value, locale=language)
    assert texts(language)["figures"]["decimal"] == get_decimal_symbol(language)


def test_english_figures_have_a_point():
    assert Words().figure(98.725) == format_decimal(98.725, locale="en") == "98.725"


@pytest.mark.parametrize("language", OTHERS)
def test_thousands_are_parted_by_a_space_that_is_read_alike_everywhere(language):
    """ISO 80000-1 (from memory): digits are grouped by a small space, never by a point or comma,
    which readers of another country take for the decimal sign."""
    assert Words(language).figure(123456.7, "worth") == "123\u00a0457"
    assert Words().figure(123456.7, "worth") == "123,457"


@pytest.mark.parametrize("language", OTHERS)
def test_dates_are_day_month_year(language):
    """Reference: the order of the Unicode CLDR, through babel, with all digits."""
    day = date(2026, 3, 9)
    told = Words(language).date(day.isoformat())
    assert told == format_date(day, "dd/MM/yyyy", locale=language) == "09/03/2026"
    order = re.sub(r"[^dMy]", "", re.sub(r"(.)\1+", r"\1", _short(language)))
    assert order == "dMy"
    assert Words(language).date("2026-03-09T06:30") == "09/03/2026 06:30"
    assert Words(language).date("2026-03-09 06:30 UTC") == "09/03/2026 06:30 UTC"
    assert Words().date("2026-03-09T06:30") == "2026-03-09T06:30"


def _short(language: str) -> str:
    from babel import Locale

    return str(Locale(language).date_formats["short"].pattern)


def test_the_site_file_names_the_language_and_an_unknown_one_is_refused():
    site = Site.from_dict({"site": {"language": "es"}})
    assert site.words == Words("es")
    assert site.words_in("pt") == Words("pt")
    assert Site().words == Words()
    with pytest.raises(
        InputError, match=r"\[site\] language: there are no texts in 'ptt'"
    ) as caught:
        Site.from_dict({"site": {"language": "ptt"}})
    assert "pt" in str(caught.value.hint)


@pytest.mark.parametrize(
    ("language", "first", "along"),
    [
        ("en", "Air gate 1, left", "Gate, from the feed end (left) to the discharge end"),
        ("es", "Aire, compuerta 1 (left)",
         "Compuerta, del extremo de alimentación (left) al extremo de descarga"),
        ("pt", "Ar, comporta 1 (left)",
         "Comporta, do extremo de alimentação (left) ao extremo de descarga"),
    ],
)  # fmt: skip
def test_gates_are_told_from_the_plants_own_word_for_the_feed_end(language, first, along):
    words = Words(language, {"feed_end": "left"})
    assert words.setting_at_place("air_1") == first
    assert words.fill(words["plots"]["along"]) == along
    assert "left" not in words.setting_at_place("air_2")
    for key in ("set_all_gates", "each_gate"):
        assert "{feed_end}" in words["sheet"][key]
    assert "(left)" in words.told(sentence("profile_told", name="air"))
