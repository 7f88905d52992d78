"""Site files and briefs: every refusal names the place of the fault and what was expected."""

from __future__ import annotations

import pytest

from optimizer import init
from optimizer.errors import HighsideError, InputError
from optimizer.plant.brief import Brief
from optimizer.plant.site import Site
from optimizer.plant.template import site_template


def test_a_site_overrides_only_what_it_names():
    site = Site.from_dict(
        {
            "site": {"name": "mill"},
            "settings": {"air": {"high": 60}},
            "lines": {"a": {"air": {"high": 50}}, "b": {"settings": {"air": {"low": 10}}}},
        }
    )
    assert site.name == "mill"
    assert (site.space["air"].low, site.space["air"].high) == (0, 60)
    assert site.space_of("a")["air"].high == 50
    assert site.space_of("b")["air"].low == 10
    assert site.space_of("b")["air"].high == 60
    assert site.space_of("other")["air"].high == 60


def test_a_feed_rate_in_another_unit_needs_its_own_numbers():
    fields = {"unit": "lb/h", "low": 1000, "high": 8000, "step": 100}
    site = Site.from_dict({"settings": {"feed_rate": fields}})
    assert site.tonnes_per_hour("any") == pytest.approx(0.00045359237)
    with pytest.raises(InputError, match=r"unit 'lb/h' differs.*low, high, step must be given"):
        Site.from_dict({"settings": {"feed_rate": {"unit": "lb/h"}}})


@pytest.mark.parametrize(
    ("document", "message"),
    [
        ({"setings": {}}, "unknown key 'setings'. Did you mean 'settings'"),
        ({"settings": {"air": {"hgh": 2}}}, "'settings.air.hgh'. Did you mean 'high'"),
        ({"settings": {"airr": {"high": 2}}}, "no setting 'airr'. Did you mean 'air'"),
        ({"settings": {"air": {"low": 100}}}, "low 100 must be below high 90"),
        ({"settings": {"air": {"low": "x"}}}, "settings.air.low: .* number .*got 'x'"),
        ({"material": {"moisture": {"low": 1}}}, "material.moisture.high"),
        ({"material": {"moisture": {"low": 3, "high": 2}}}, "low 3 must be below high 2"),
        ({"material": {"grade": {"low": 0, "high": 1}}}, "already a column of every log"),
        ({"material": {"bulk density": {"low": 0, "high": 1}}}, "one word of letters"),
        ({"lines": {"a": {"settings": {"tilt": {"low": 1}}}}}, "no setting 'tilt'"),
    ],
)
def test_site_refusals(document, message):
    with pytest.raises(InputError, match=message):
        Site.from_dict(document, source="site.toml")


@pytest.mark.parametrize(
    ("document", "message"),
    [
        ({"goal": {"min_grad": 0.9}}, "unknown key 'goal.min_grad'. Did you mean 'min_grade'"),
        ({"goal": {"min_grade": 98.5}}, "98.5 % is 0.985"),
        ({"goal": {"min_grade": 1.0}}, "less than 1"),
        ({"goal": {"confidence": 0.2}}, "goal.confidence"),
        ({"goal": {"maximise": "speed"}}, "goal.maximise.*'recovery'"),
        ({"trials": {"count": 0}}, "greater than or equal to 1"),
        ({"trials": {"count": 2.5}}, "trials.count"),
        ({"trials": {"material_available": -1}}, "greater than 0"),
        ({"couplings": [{"terms": {"air": 1.0}}]}, "needs at_most or at_least"),
        ({"couplings": [{"terms": {}, "at_most": 1}]}, "couplings.0.terms"),
        ({"limits": {"air": {"low": 3, "high": 2}}}, "low 3 is above high 2"),
        ({"limits": {"air": {"low": 3, "fixed": 2}}}, "either fixed, or low and high"),
        ({"capacity": {"max_feed": 3}}, "Did you mean 'max_feed_rate'"),
        ({"material": [1]}, "material"),
        (
            {"trials": {"material_available": 1e308}},
            r"material_available: 1e\+308 is larger",
        ),
        ({"capacity": {"min_feed_rate": 10**400}}, "capacity.min_feed_rate: .* is larger than any"),
        ({"pending": [{"air": -1e13}]}, r"pending.0.air: -1e\+13 is larger than any number of"),
        ({"trials": {"settle_minutes": float("inf")}}, "settle_minutes.*finite"),
    ],
)
def test_brief_refusals(document, message):
    with pytest.raises(InputError, match=message):
        Brief.from_dict(document)


def test_options_override_the_brief_file(tmp_path):
    file = tmp_path / "brief.toml"
    file.write_text('line = "a"\n[goal]\nmin_grade = 0.9\nconfidence = 0.8\n', encoding="utf-8")
    brief = Brief.read(file, goal__min_grade=0.95, line=None, material__moisture=11.0)
    assert (brief.line, brief.goal.min_grade, brief.goal.confidence) == ("a", 0.95, 0.8)
    assert brief.material == {"moisture": 11.0}


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"line = ", "not valid TOML"),
        (b"\xff\xfe\x00", "cannot be read"),
        (b"[goal]\nmin_grade = 0,9\n", "not valid TOML.*decimal point"),
        (b"[trials]\ncount = " + b"9" * 5000, "not valid TOML"),
    ],
)
def test_unreadable_files_are_named(tmp_path, content, message):
    file = tmp_path / "brief.toml"
    file.write_bytes(content)
    with pytest.raises(InputError, match=f"(?s)brief.toml.*{message}"):
        Brief.read(file)


def test_a_missing_site_file_says_how_to_make_one(tmp_path):
    with pytest.raises(InputError, match=r"does not exist.*highside init"):
        Site.read(tmp_path / "none.toml")


def test_the_template_is_a_site_file_with_the_defaults(tmp_path):
    file = tmp_path / "site.toml"
    init(file)
    # Air in per cent open says the same at every deck; without a file it stays in turns.
    made, usual = Site.read(file).space, Site().space
    assert [s for s in made.settings if s.name != "air"] == list(usual.settings)[:-1]
    assert (made["air"].unit, made["air"].low, made["air"].high) == ("%", 0, 100)
    assert usual["air"].unit == "turn"
    with pytest.raises(InputError, match="exists and was left alone"):
        init(file)
    # The commented lines of the template must also be valid once uncommented.
    text = site_template()
    examples = text[text.index("# [material.feed_grade]") :].splitlines()
    lines = [x.removeprefix("# ") for x in examples]
    lines = [x for x in lines if x.startswith("[") or " = " in x]
    file.write_text("\n".join(lines), encoding="utf-8")
    site = Site.read(file)
    assert site.space_of("deck-1")["air"].high == 60
    assert site.columns["Purity"] == "grade [%]"
    assert len(site.events_of("deck-1")) == 1


def test_a_recommendation_pasted_as_pending_is_read_for_its_settings():
    settings = {"feed_rate": 1.0, "end_raise": 2.0, "side_tilt": 2.0}
    brief = Brief.from_dict({"pending": [{"settings": settings}]})
    assert brief.pending == [settings]


@pytest.mark.parametrize(
    ("brief", "where"),
    [
        ({"goal": {"confidence": 0.4}}, "goal.confidence"),
        ({"limits": {"air": {"low": 50, "high": 30}}}, "limits.air"),
        ({"limits": {"air": {"low": 95}}}, "limits.air"),
        ({"limits": {"air": {"fixed": 30.5}}}, "limits.air.fixed"),
        ({"limits": {"wind": {"low": 3}}}, "limits.wind"),
        ({"capacity": {"min_feed_rate": 9}}, "capacity.min_feed_rate"),
        ({"capacity": {"max_feed_rate": 0.1}}, "capacity.max_feed_rate"),
        ({"trials": {"minutes": 3}}, "trials.minutes"),
        ({"couplings": [{"terms": {"air": 1}}]}, "couplings.0"),
        ({"material": {"feed_grade": 2}}, "material.feed_grade"),
        ({"material": {"feed_grade": {"low": 0.5, "high": 2}}}, "material.feed_grade.high"),
        ({"material": {"feed_grade": {"low": 0.9, "high": 0.8}}}, "material.feed_grade.low"),
        ({"current": {"air": 1e15}}, "current.air"),
    ],
)
def test_an_error_names_the_key_of_the_brief_that_is_at_fault(brief, where):
    site = Site()
    with pytest.raises(HighsideError) as refused:
        Brief.from_dict(brief).check_names(site).region(site.space)
    assert refused.value.where == where


def test_lines_are_those_with_runs_and_those_that_the_site_file_names():
    site = Site.from_dict({"lines": {"deck-3": {}, "deck-1": {}}})
    assert site.lines_with(["deck-2", "deck-1"]) == ("deck-1", "deck-2", "deck-3")
    assert Site().lines_with([]) == ()
