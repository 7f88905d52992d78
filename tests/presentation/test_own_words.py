"""The plant's own words stand on sheet, report and page, and nowhere that a machine reads."""

from __future__ import annotations

import json

import pypdfium2
import pytest

from optimizer.errors import InputError
from optimizer.plant.site import Site
from optimizer.presentation.pages import sheet_html
from optimizer.presentation.sheet_csv import sheet_csv
from optimizer.presentation.sheet_pdf import sheet_pdf
from optimizer.service.pages.shared import rendering
from optimizer.text.sentences import listed, retold, sentence
from optimizer.text.words import Words
from tests.presentation.report_case import season_page, season_review

LONG = "Look at every seam of the deck cloth, from the wall side on, " * 3
CALLED = {"air": "Damper", "high_side": "wall side", "feed_end": "left"}
FILE = {"called": CALLED, "sheet": {"checks": ["Cloth brushed {twice}.", LONG]}}
WORDS = Site.from_dict(FILE).words


def test_the_sheet_has_the_plants_own_checks_in_place_of_the_general_start():
    sheet = season_review().sheet(WORDS)
    assert sheet.checks.lines == ("Cloth brushed {twice}.", LONG)
    assert "Nothing blocks the air." in season_review().sheet().checks.lines
    # The cautions are not the plant's to leave out.
    assert sheet.cautions == season_review().sheet().cautions


def test_a_long_check_stays_on_the_paper():
    document = pypdfium2.PdfDocument(sheet_pdf(season_review().sheet(WORDS)))
    whole = " ".join(" ".join(p.get_textpage().get_text_range().split()) for p in document)
    assert " ".join(LONG.split()) in whole
    for page in document:
        text = page.get_textpage()
        assert all(text.get_charbox(k)[2] <= page.get_width() for k in range(text.count_chars()))


def test_knobs_are_called_as_the_plant_calls_them():
    sheet = sheet_html(season_review().sheet(WORDS))
    page = season_review().page(words=WORDS)
    for text in (sheet, page):
        assert "Damper" in text
        assert ">Air<" not in text
    assert ">Air<" in season_page()
    assert "Damper" not in sheet_csv(season_review().plan.as_dict())
    assert "Damper" not in json.dumps(season_review().plan.as_dict())


def test_the_high_side_and_the_feed_end_stand_in_sentences():
    profile = [sentence("more_at_feed_end")]
    said = [
        sentence("watch_for", what=sentence("watch_side_tilt_down")),
        sentence("why_with_profile", why="Learns.", profile=profile),
    ]
    assert said[0] == "Watch for light material that leaves on the high side."
    told = retold(listed({"said": said}), WORDS)["said"]
    assert told == [
        "Watch for light material that leaves on the high side (wall side).",
        "Learns. Tries more air at the feed end (left) than run-now.",
    ]
    spanish = retold(listed({"said": said}), Words("es", {"high_side": "la pared"}))["said"]
    assert spanish[0] == "Esté atento a material liviano que sale por el lado alto (la pared)."


def test_gates_follow_their_setting():
    assert "Damper" in WORDS.setting("air_2")
    assert "2" in WORDS.setting("air_2")
    assert "Ar" in Words("pt").setting("air_2")
    assert "Damper" not in Words().setting("air_2")


def test_pages_use_them_too():
    shown = rendering.environment(WORDS).from_string("{{ 'air' | words }}").render()
    assert shown == "Damper"


def test_a_name_that_no_setting_has_is_refused():
    with pytest.raises(InputError, match=r"\[called\] aire: there is no such setting") as caught:
        Site.from_dict({"called": {"aire": "Damper"}})
    assert "air" in str(caught.value.hint)
