"""``KEY=VALUE``: the command line and the service parse a text to equal values."""

from __future__ import annotations

import pytest

from cli.options import read_brief
from optimizer import InputError, Site
from optimizer.service.api.parameters import brief_of_query
from optimizer.text.key_values import key_values

SHARE = {"unit": "%", "low": 0.0, "high": 100.0}
SITE = Site.from_dict({"material": {"moisture": SHARE, "feed_grade": SHARE}})


@pytest.mark.parametrize(
    ("entries", "material"),
    [
        (["material=lot=7"], {"material": "lot=7"}),
        ([" moisture = 11.2 ", "feed_grade=95.5%"], {"moisture": 11.2, "feed_grade": "95.5%"}),
    ],
)
def test_the_command_line_and_the_service_make_the_same_brief(entries, material):
    by_option = read_brief(None, "deck-1", entries)
    by_query = brief_of_query("deck-1", None, None, entries)
    assert by_query["material"] == material
    assert by_option.check_names(SITE) == read_brief(None, planned=by_query).check_names(SITE)


@pytest.mark.parametrize(
    "read", [lambda e: read_brief(None, None, e), lambda e: brief_of_query(None, None, None, e)]
)
@pytest.mark.parametrize(
    ("entries", "message"),
    [
        (["moisture"], "'moisture': expected KEY=VALUE"),
        (["=11"], "'=11': expected KEY=VALUE"),
        (["moisture= "], "'moisture= ': expected KEY=VALUE"),
        (["moisture=11", "moisture=12"], "'moisture' is given twice"),
    ],
)
def test_both_refuse_the_same_entries(read, entries, message):
    with pytest.raises(InputError, match=message):
        read(entries)


def test_a_heading_with_an_equals_sign_can_be_mapped():
    assert key_values(["U = f=feed_rate"], "--map", at_last=True) == {"U = f": "feed_rate"}
