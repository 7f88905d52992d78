"""Dates, times and numbers as the locales of the Unicode CLDR write them are read back.

Source: the Common Locale Data Repository as shipped with the library Babel, which writes what a
spreadsheet of that country shows.
"""

from __future__ import annotations

from datetime import date, datetime, time

import numpy as np
import pyarrow as pa
import pytest
from babel import Locale
from babel.dates import format_date, format_time
from babel.numbers import format_decimal

from optimizer.intake.checking.dates import Reading
from optimizer.intake.checking.times import times
from optimizer.intake.reading.values import numbers

LATEST = 2**62
LOCALES = ("en_GB", "en_US", "de_DE", "de_AT", "fr_FR", "es_CO", "es_ES", "pt_BR", "it_IT", "nl_NL")
DAYS = [date(2025, month, day) for month in range(1, 13) for day in (2, 28)]


def order_of(locale: str) -> str:
    pattern = Locale.parse(locale).date_formats["short"].pattern.lower()
    return {"d": "day-first", "m": "month-first", "y": "year-first"}[pattern.strip("'")[0]]


def read(texts: list[str], order: str | None) -> list[datetime | None]:
    found = times(pa.chunked_array([texts]), LATEST, proof=0, how=Reading(stated=order))
    return found.values.to_pylist()


@pytest.mark.parametrize("locale", LOCALES)
@pytest.mark.parametrize("length", ["medium", "long", "full"])
def test_days_with_a_whole_year_are_read_in_the_order_of_their_country(locale, length):
    texts = [format_date(day, length, locale=locale) for day in DAYS]
    assert [at and at.date() for at in read(texts, order_of(locale))] == DAYS


@pytest.mark.parametrize("locale", LOCALES)
def test_short_days_need_the_order_and_are_read_with_it(locale):
    texts = [format_date(day, "short", locale=locale) for day in DAYS]
    assert [at and at.date() for at in read(texts, order_of(locale))] == DAYS
    unread = [at for at in read(texts[:1], None) if at is not None]
    assert not unread  # 02/01/25 can be two days


@pytest.mark.parametrize("locale", LOCALES)
@pytest.mark.parametrize("length", ["short", "medium"])
def test_times_of_day_beside_a_day(locale, length):
    clocks = [time(0, 5), time(6, 30), time(12, 0), time(12, 45), time(18, 7), time(23, 59)]
    texts = [f"2025-03-04 {format_time(clock, length, locale=locale)}" for clock in clocks]
    assert [at and at.time() for at in read(texts, None)] == clocks


@pytest.mark.parametrize("locale", LOCALES)
@pytest.mark.parametrize("value", [0.985, 1.5, 12.25, 1234567.25, 98.7, 0.5])
def test_numbers_as_a_country_writes_them(locale, value):
    text = format_decimal(value, locale=locale)
    decimal = "comma" if Locale.parse(locale).number_symbols["latn"]["decimal"] == "," else "point"
    found = numbers(pa.chunked_array([[text]]), decimal)
    assert np.array_equal(found.values, [value]), (text, found.faults)


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        # RFC 3339, section 5.8 (examples), without the leap second, which no log has.
        ("1985-04-12T23:20:50.52Z", datetime(1985, 4, 12, 23, 20, 50, 520000)),
        ("1996-12-19T16:39:57-08:00", datetime(1996, 12, 20, 0, 39, 57)),
        # RFC 9557, section 1.2 and 4.1 (an offset and the name of its zone); from memory.
        ("2022-07-08T00:14:07+01:00[Europe/Paris]", datetime(2022, 7, 7, 23, 14, 7)),
        # RFC 5322, appendix A.1.1 (the date of a message).
        ("Fri, 21 Nov 1997 09:55:06 -0600", datetime(1997, 11, 21, 15, 55, 6)),
        # ISO 8601, basic format; from memory.
        ("19850412T232050Z", datetime(1985, 4, 12, 23, 20, 50)),
        ("19850412T2320", datetime(1985, 4, 12, 23, 20)),
        ("19850412", datetime(1985, 4, 12)),
    ],
)
def test_examples_of_the_standards(text, utc):
    (found,) = read([text], None)
    assert found is not None
    assert found.replace(tzinfo=None) == utc
