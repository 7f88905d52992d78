"""Report and sheet of the season in Spanish and Portuguese: whole, and with equal figures."""

from __future__ import annotations

import re
from functools import cache
from html import unescape

import pypdfium2
import pytest

from optimizer.presentation.pages import sheet_html
from optimizer.presentation.sheet_csv import sheet_csv
from optimizer.presentation.sheet_pdf import sheet_pdf
from optimizer.text.words import Words
from tests.languages import ENGLISH_WORDS
from tests.presentation.report_case import season_page, season_review

LANGUAGES = ("es", "pt")
NAMES = re.compile(r"deck-\d(-\d+)?|highside \w+")
"""Names of the plant and commands, which stay as they are."""


@cache
def page_in(language: str) -> str:
    return season_review().page(words=Words(language))


def shown(page: str) -> list[str]:
    """The texts that a page shows or reads out, without code and styles."""
    page = re.sub(r"<(style|code).*?</\1>", "", page, flags=re.DOTALL)
    said = re.findall(r">([^<]+)<", page) + re.findall(r'aria-label="([^"]*)"', page)
    return [unescape(text) for text in said if text.strip()]


@pytest.mark.parametrize("language", LANGUAGES)
def test_report_and_sheet_have_no_word_of_english(language):
    sheet = sheet_html(season_review().sheet(Words(language)))
    for page in (page_in(language), sheet):
        assert f'<html lang="{language}">' in page
        for text in shown(page):
            assert not ENGLISH_WORDS.search(NAMES.sub("", text)), text


@pytest.mark.parametrize("language", LANGUAGES)
def test_figures_are_the_same_and_have_a_comma(language):
    english = re.findall(r'(<data value="[^"]*" data-from="[^"]*" [^>]*>)([^<]*)', season_page())
    other = re.findall(r'(<data value="[^"]*" data-from="[^"]*" [^>]*>)([^<]*)', page_in(language))
    assert [place for place, _ in other] == [place for place, _ in english]
    told = [(a, b) for (_, a), (_, b) in zip(english, other, strict=True)]
    assert any("." in a for a, _ in told)
    assert all(b == a.replace(".", ",") for a, b in told if re.fullmatch(r"[-\d.?]+", a))
    plots = " ".join(re.findall(r"<svg.*?</svg>", page_in(language), flags=re.DOTALL))
    assert re.search(r">\d+,\d+</text>", plots)
    assert not re.search(r">\d+\.\d+</text>", plots)


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_printed_sheet_has_every_word_inside_the_paper(language):
    document = pypdfium2.PdfDocument(sheet_pdf(season_review().sheet(Words(language))))
    texts = [page.get_textpage() for page in document]
    whole = " ".join(" ".join(text.get_text_range().split()) for text in texts)
    for caution in Words(language)["sheet"]["cautions"]:
        assert caution.split(".")[0] in whole
    for page, text in zip(document, texts, strict=True):
        for k in range(text.count_chars()):
            _, _, right, _ = text.get_charbox(k)
            assert right <= page.get_width()


def test_what_a_machine_reads_is_the_same_in_every_language():
    review = season_review()
    blank = sheet_csv(review.plan.as_dict())
    assert "2,4" not in blank
    assert "eccentric_speed" in blank
