"""Words and marks of dates and times that people and spreadsheets write around the numbers.

The words are those of English, German, French, Spanish, Portuguese, Italian and Dutch in the
Unicode Common Locale Data Repository (from memory). No word means two months.
"""

from __future__ import annotations

import pyarrow as pa
import pyarrow.compute as pc

from optimizer.history.arrow import matches

_WORDS = (
    "january jan januar jänner jän janvier janv enero ene janeiro gennaio gen januari",
    "february feb februar février févr fevrier fevr fév febrero fevereiro fev febbraio februari",
    "march mar märz mär mrz maerz mars marzo março marco maart mrt",
    "april apr avril avr abril abr aprile",
    "may mai mayo maio maggio mag mei",
    "june jun juni juin junio junho giugno giu",
    "july jul juli juillet juil julio julho luglio lug",
    "august aug août aout agosto ago augustus",
    "september sep sept septembre septiembre setiembre setembro set settembre",
    "october oct oktober okt octobre octubre outubro out ottobre ott",
    "november nov novembre noviembre novembro",
    "december dec dezember dez décembre déc decembre diciembre dic dezembro dicembre",
)
MONTHS = {word: number for number, words in enumerate(_WORDS, 1) for word in words.split()}
"""The number of each month by its name or abbreviation, in lower case."""

_WEEKDAY = (
    r"^(?i:mo|di|mi|do|fr|sa|so|ma|wo|vr|za|zo|mon|tues?|wed|thu|thurs?|fri|sat|sun|lun|mar|mer|jeu"
    r"|ven|sam|dim|mié|mie|jue|vie|sáb|sab|dom|seg|ter|qua|qui|sex|gio"
    r"|\p{L}+day|\p{L}+tag|mittwoch|\p{L}+di|dimanche|lunes|martes|mi[ée]rcoles|jueves|viernes"
    r"|s[áa]bado|domingo|\p{L}+-feira|\p{L}+dì|sabato|domenica|\p{L}+dag)"
    r"[.,]* +(\d{1,2}[./-]\d|\d{1,2}[. ]+(?:de |of )?\p{L}|\d{4}[-/.]\d|\p{L}{3,9}\.? \d)"
)
_BASIC = r"^(19|20)\d{2}(0[1-9]|1[0-2])(0[1-9]|[12]\d|3[01])([T ]|$)"
_BASIC_PARTS = r"^(\d{4})(\d{2})(\d{2})([T ].*)?$"
# Of a compact date and time, only dates in ISO 8601 have a compact time behind them.
_BASIC_TIME = r"^(\d{4}-\d{2}-\d{2})[T ](\d{2})(\d{2})"
_BASIC_SECONDS = r"^(\d{4}-\d{2}-\d{2}T\d{2}:\d{2})(\d{2})"
_ZONES = r"( ?Z|[+-]\d{2}(:?\d{2})?)"
TIME_OF_DAY = (
    r"^(\d{1,2}:\d{2}(:\d{2}(\.\d+)?)?( ?[AaPp]\.?[Mm]\.?)?|\d{1,2} ?[AaPp]\.?[Mm]\.?)"
    rf"{_ZONES}?$"
)
"""A time of day without a date, as ``spelled`` writes it."""
ABBREVIATED_ZONE = r"\d ?([A-Z]{3,5}|[A-Z][a-z]+/[A-Za-z_/]+)$"
"""A time whose zone is named and not stated as an offset."""

# Each: a sign of the notation, a pattern, and what takes its place.
_RULES = (
    (r"[\x{a0}\x{202f}\x{2009}]", r"[\x{a0}\x{202f}\x{2009}]", " "),
    (r"(?i)\d ?[ap]\.? m", r"(?i)([ap])\.? m\b\.?", r"\1m"),
    (r"(?i)\d ?(h|hrs|hs|uhr)$", r"(?i)(\d) ?(?:h|hrs|hs|uhr)$", r"\1"),
    (r"\d ?h ?\d", r"(\d{1,2}) ?h ?(\d{2})\b", r"\1:\2"),
    (r"^\p{L}", _WEEKDAY, r"\1"),
    (r"\]$", _ZONES + r"\[[A-Za-z_/+-]+\]$", r"\1"),  # RFC 9557
    (r"(UTC|GMT)$", r" ?(?:UTC|GMT)$", "Z"),
    (r"(UTC|GMT)[+-]\d(:|$)", r" ?(?:UTC|GMT)([+-])(\d(?::\d\d)?)$", r"\10\2"),
    (r"(UTC|GMT)[+-]\d\d", r" ?(?:UTC|GMT)([+-]\d\d(?::?\d\d)?)$", r"\1"),
    (_BASIC, _BASIC_PARTS, r"\1-\2-\3\4"),
    (_BASIC_TIME, _BASIC_TIME, r"\1T\2:\3"),
    (_BASIC_SECONDS, _BASIC_SECONDS, r"\1:\2"),
)


def spelled(text: pa.Array) -> pa.Array:
    """Texts in which zones, times of day, weekdays and compact dates are written in one way.

    >>> spelled(pa.array(["Mon, 02 Mar 2026 06:30 GMT", "6:30 p. m.", "20260302T0630"])).to_pylist()
    ['02 Mar 2026 06:30Z', '6:30 pm', '2026-03-02T06:30']
    """
    for sign, pattern, by in _RULES:
        if matches(text, sign).any():
            text = pc.replace_substring_regex(text, pattern, by)
    return text
