"""What a heading of a log may mean, by the words in it.

The words are those of the trade (common practice). A heading is taken for a field only where no
other heading of its log has as good a claim.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence

from optimizer.plant.site import FEED_GRADE
from optimizer.text.headings import split_unit

_WORD = re.compile(r"[A-Z]{2,}(?![a-z])|[A-Z]?[^\W\d_A-Z]+|[A-Z]+|\d+")
_TRAILING_UNIT = re.compile(
    r"^(?P<name>.*\S)[\s,:_]+(?P<unit>t/hr?|kg/hr?|lbs?/hr?|tph|rpm|r/min|hz|deg|degrees|°|mm|cm|in"
    r"|turns?|%|pct|°C|°F|kg/m3|g/l|lb/ft3)\.?$",
    re.I,
)
_SPELLINGS = {"pct": "%"}
_TILT = {"raise", "slope", "tilt", "height", "elevation", "inclination", "angle", "pitch"}
# Each: the field, and sets of words of which the heading needs one each.
_RULES: tuple[tuple[str, tuple[set[str], ...]], ...] = (
    (FEED_GRADE, ({"feed", "head", "incoming"}, {"grade", "purity", "quality"})),
    ("end_raise", ({"end", "long", "longitudinal", "lengthwise"}, _TILT)),
    ("side_tilt", ({"side", "cross", "lateral", "transverse"}, _TILT)),
    ("grade_count", ({"counted", "count", "particles", "seeds", "kernels", "beans"},)),
    ("deck_state", ({"state", "bed"},)),
    ("grade", ({"grade", "purity"},)),
    ("recovery", ({"recovery", "recovered"},)),
    ("eccentric_speed", ({"speed", "rpm", "frequency", "eccentric", "vibration", "shake"},)),
    ("air", ({"air", "fan", "blower"},)),
    ("feed_rate", ({"feed", "throughput", "capacity"},)),
    ("run_id", ({"run", "test", "trial"},)),
    ("line", ({"line", "deck", "table", "machine"},)),
    ("lot", ({"lot", "batch"},)),
    ("material", ({"material", "variety", "cultivar", "origin", "product"},)),
    ("note", ({"note", "notes", "remark", "remarks", "comment", "comments"},)),
)
MATERIALS: Mapping[str, set[str]] = {
    "moisture": {"moisture"},
    "bulk_density": {"density", "hectolitre", "hectoliter"},
    "humidity": {"humidity", "rh"},
    "temperature": {"temperature", "temp"},
    "size": {"size", "screen", "sieve"},
    "defects": {"defects", "defect"},
    "seed_mass": {"tkw", "tgw", "thousand"},
}
"""Words of measured properties that are proposed as material variables."""


def name_and_unit(heading: str) -> tuple[str, str | None]:
    """Name and unit of a heading; the unit may also stand behind the name without brackets.

    >>> name_and_unit("Feed t/h"), name_and_unit("Deck speed (rpm)"), name_and_unit("Air")
    (('Feed', 't/h'), ('Deck speed', 'rpm'), ('Air', None))
    """
    name, unit = split_unit(heading)
    if unit is None and (match := _TRAILING_UNIT.match(name)):
        return match["name"], _SPELLINGS.get(match["unit"].lower(), match["unit"])
    return name, unit


def words_of(heading: str) -> frozenset[str]:
    """The words of a heading in lower case, without its unit.

    >>> sorted(words_of("sideTilt_deck2 [deg]"))
    ['2', 'deck', 'side', 'tilt']
    """
    return frozenset(word.lower() for word in _WORD.findall(name_and_unit(heading)[0]))


def field_of(heading: str) -> str | None:
    """The field that the words of a heading mean; None where they mean none of them.

    >>> field_of("Feed t/h"), field_of("Cross slope"), field_of("Purity of product, %")
    ('feed_rate', 'side_tilt', 'grade')
    """
    words = words_of(heading)
    return next((f for f, sets in _RULES if all(words & each for each in sets)), None)


def material_of(heading: str) -> str | None:
    """The material variable that the words of a heading mean; None where they mean none."""
    words = words_of(heading)
    return next((name for name, each in MATERIALS.items() if words & each), None)


def claims(
    headings: Sequence[str], taken: Iterable[str]
) -> tuple[dict[str, str], dict[str, list[str]]]:
    """The fields of headings that alone have a claim on theirs, and the claims that several have.

    Args:
        headings: headings that mean no field yet.
        taken: fields that have a column.
    """
    found: dict[str, list[str]] = {}
    for heading in headings:
        field = field_of(heading)
        if field is not None and field not in taken:
            found.setdefault(field, []).append(heading)
    alone = {each[0]: field for field, each in found.items() if len(each) == 1}
    return alone, {field: each for field, each in found.items() if len(each) > 1}
