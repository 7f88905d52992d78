"""A site file that a person wrote by hand keeps all that a change of the plant does not name.

What a changed file says is read back by Python's own ``tomllib``, which shares no code with the
library that writes it.
"""

from __future__ import annotations

import difflib
import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from optimizer.errors import InputError
from optimizer.operations.demo import season_folder
from optimizer.plant.settings import GRAVITY_TABLE
from optimizer.plant.site import Site
from optimizer.plant.site_document import changed, merged
from optimizer.plant.template import site_template

BY_HAND = """\
# The mill at the river.
[site]
name = "river mill"   # as on the sign

[lines.deck-1]
# The old deck.
[lines.deck-1.air]
low = 10.00   # below, nothing moves
high = 60

[columns]
"Feed, kg" = "feed_rate [kg/h]"

[settings.air] # the knob
unit = "turn"
low = 0.0
high = 90.00
step = 1   # a mark
# Nobody has seen more than 80.

[lines.deck-2]
[material.moisture]
unit = "%"
low = 8
high = 16
was = [{ unit = "", at = [[0, 0], [1, 1]] }]
"""


def moved(text: str, wish: dict) -> list[str]:
    """Lines that a wish removes from a text or adds to it."""
    found = difflib.ndiff(text.splitlines(), changed(text, wish).splitlines())
    return [line for line in found if line[0] in "+-"]


def test_only_what_was_wished_changes():
    wish = {
        "site": {"name": "river mill", "mass": "lb"},
        "settings": {"air": {"low": 0, "high": 80.0, "max_change": 10.0, "was": None}},
    }
    assert moved(BY_HAND, wish) == [
        '+ mass = "lb"',
        "- high = 90.00",
        "+ high = 80",
        "+ max_change = 10",  # before the comment that closes the table
    ]
    after = changed(BY_HAND, wish)
    assert after.index("max_change") < after.index("# Nobody has seen")


def test_a_wish_that_the_file_fulfills_changes_no_byte():
    content = tomllib.loads(BY_HAND)
    wish = {"settings": content["settings"], "material": content["material"],
            "lines": {"deck-1": {"air": {"low": 10.0, "step": None}}, "deck-2": {}}}  # fmt: skip
    assert changed(BY_HAND, wish) == BY_HAND
    assert changed("\ufeff" + BY_HAND.replace("\n", "\r\n"), wish) == "\ufeff" + BY_HAND.replace(
        "\n", "\r\n"
    )


def test_lines_and_properties_that_are_not_wished_go_and_new_ones_come():
    wish = {
        "material": {"size": {"unit": "mm", "low": 4.5, "high": 7.5}},
        "lines": {"deck-1": {"air": {"low": None, "high": None}}, "deck 9": {"air": {"low": 5.0}}},
    }
    after = tomllib.loads(changed(BY_HAND, wish))
    assert after["material"] == {"size": {"unit": "mm", "low": 4.5, "high": 7.5}}
    assert after["lines"] == {"deck-1": {}, "deck 9": {"settings": {"air": {"low": 5}}}}
    assert after["columns"] == {"Feed, kg": "feed_rate [kg/h]"}
    assert "# The old deck." in changed(BY_HAND, wish)


def test_pairs_of_an_earlier_unit_stand_in_one_line():
    was = [{"unit": "turn", "at": [[0.0, 0.0], [90.0, 100.0]]}]
    after = changed(BY_HAND, {"settings": {"air": {"unit": "%", "was": was}}})
    assert '\nwas = [{unit = "turn", at = [[0, 0], [90, 100]]}]\n' in after
    assert Site.from_dict(tomllib.loads(after)).was("air", None)[0].unit == "turn"


def test_the_file_of_a_new_plant_keeps_its_comments():
    after = changed(site_template(), {"site": {"name": "my mill"}, "material": {}, "lines": {}})
    assert after == site_template().replace('name = "my plant"', 'name = "my mill"')


@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
def test_the_season_s_file_is_left_as_it_is(line_end):
    text = (season_folder() / "site.toml").read_text(encoding="utf-8").replace("\n", line_end)
    content = tomllib.loads(text)
    own = {name: fields.get("settings", {}) for name, fields in content["lines"].items()}
    wish = {"settings": content["settings"], "material": content["material"], "lines": own}
    assert changed(text, wish) == text


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[site\nname = 1", "is not valid TOML"),
        ('site = "a text"\n', "laid out in a way that cannot be changed"),
        ("settings = { air = 5 }\n", "laid out in a way that cannot be changed"),
    ],
)
def test_a_file_that_cannot_be_changed_is_refused(text, said):
    with pytest.raises(InputError, match=said):
        changed(text, {"site": {"name": "x"}, "settings": {"air": {"low": 2.0}}})


def test_a_change_that_would_say_something_else_is_refused(monkeypatch):
    """A fault of the writing library: it forgets the new value."""
    monkeypatch.setattr("optimizer.plant.site_document._plainest", lambda value: 7)
    monkeypatch.setattr("optimizer.plant.site_document.merged", lambda content, wish: dict(content))
    with pytest.raises(InputError, match="laid out in a way"):
        changed(BY_HAND, {"settings": {"air": {"low": 1.0}}})


NUMBERS = st.floats(-1000, 1000).map(lambda x: round(x, 3))
FIELDS = st.dictionaries(
    st.sampled_from(["low", "high", "step", "max_change"]), st.one_of(st.none(), NUMBERS)
)
SETTINGS = st.dictionaries(st.sampled_from(GRAVITY_TABLE.names), FIELDS, max_size=3)
NAMES = st.sampled_from(["deck-1", "deck-2", "deck 3", 'the "new" one', "é.1"])
WISHES = st.fixed_dictionaries(
    {},
    optional={
        "site": st.dictionaries(
            st.sampled_from(["name", "mass"]), st.text("ab\"'\\ é", max_size=4)
        ),
        "settings": SETTINGS,
        "material": st.dictionaries(st.sampled_from(["moisture", "size"]), FIELDS, max_size=2),
        "lines": st.dictionaries(NAMES, SETTINGS, max_size=3),
    },
)


@given(st.sampled_from([BY_HAND, site_template(), "", "# nothing\n"]), st.lists(WISHES, max_size=3))
def test_any_changes_say_what_was_wished_and_keep_the_rest(text, wishes):
    for wish in wishes:
        after = changed(text, wish)
        found = tomllib.loads(after)
        assert found == merged(tomllib.loads(text), wish)
        assert found.get("columns") == tomllib.loads(text).get("columns")
        for room in ("settings", "material"):
            for name, fields in wish.get(room, {}).items():
                for key, value in fields.items():
                    assert found.get(room, {}).get(name, {}).get(key) == value
        for line, settings in wish.get("lines", {}).items():
            own = found["lines"][line]
            for name, fields in settings.items():
                held = own.get("settings", own).get(name, {})
                assert {k: held.get(k) for k in fields} == fields
        text = after
