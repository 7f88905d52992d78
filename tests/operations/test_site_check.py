"""A site file that changed beside a history: what is said, refused, converted and planned."""

from __future__ import annotations

import json
import re
import tomllib

import pytest

from optimizer import Brief, History, InputError, Site, check_site, suggest
from optimizer.intake.settling.load import load_table
from optimizer.simulation import demo_deck, demo_material
from tests.history.runs import run as row

TURNS = """
[site]
name = "mill"

[settings.air]
unit = "turn"
low = 0.0
high = 80.0
step = 1.0

[material.moisture]
unit = "%"
low = 1.0
high = 30.0
"""
PER_CENT = TURNS.replace(
    'unit = "turn"\nlow = 0.0\nhigh = 80.0\nstep = 1.0',
    'unit = "%"\nlow = 0.0\nhigh = 40.0\nstep = 0.5',
)
# Two turns are one per cent, so that levels of one are levels of the other, exactly.
GIVEN = PER_CENT.replace(
    "step = 0.5", 'step = 0.5\nwas = [{ unit = "turn", at = [[0, 0], [60, 30], [80, 40]] }]'
)


def site(text):
    return Site.from_dict(tomllib.loads(text), "site.toml")


@pytest.fixture
def season(tmp_path):
    """The rows of a season on one line, with the air in turns."""
    import numpy as np

    rng = np.random.default_rng(5)
    space = site(TURNS).space
    settings = space.values(rng.integers(0, [s.top + 1 for s in space.settings], (40, 5)))
    settings[:, :4] = np.clip(settings[:, :4], space.low[:4], space.low[:4] + space.span[:4])
    measured = demo_deck("deck-1").measure(settings, demo_material(), rng)
    rows = []
    for k in range(40):
        values = dict(zip(space.names, settings[k].tolist(), strict=True))
        readings = {"grade": float(measured.grade[k]), "recovery": float(measured.recovery[k])}
        state = {"deck_state": str(measured.deck_state[k])}
        readings = {n: None if np.isnan(v) else v for n, v in readings.items()}
        stamp = f"2026-03-{1 + k // 4:02d} {8 + k % 4:02d}:00"
        rows.append({"line": "A", "started_at": stamp, **values, **readings, **state})
    return rows


@pytest.fixture
def few(monkeypatch):
    """Models with one draw and few candidates keep plans fast."""
    monkeypatch.setattr("optimizer.model.surrogate.MEMBERS", ())
    monkeypatch.setattr("optimizer.planning.limits.POOL", 64)


BRIEF = {"line": "A", "goal": {"min_grade": 0.97}, "trials": {"count": 2}}


# ------------------------------------------------------------------ a season in turns


def test_a_season_in_turns_is_refused_in_per_cent_until_the_conversion_is_given(
    season, tmp_path, monkeypatch, few, run
):
    history = History(tmp_path / "history")
    assert load_table(season, history, site(TURNS)).added == len(season)
    brief = Brief.from_dict(BRIEF)
    before = suggest(history, site(TURNS), brief).as_dict()

    new_run = {**season[0], "started_at": "2026-04-01", "air": 20.0}
    log = tmp_path / "new.csv"
    log.write_text(",".join(new_run) + "\n" + ",".join(str(v or "") for v in new_run.values()))
    settings = [f"--{n.replace('_', '-')}={season[0][n]}" for n in site(TURNS).space.names]
    (tmp_path / "site.toml").write_text(PER_CENT)
    for command in (
        ("load", log),
        ("record", "--line", "A", "--grade", "0.98", "--recovery", "0.9", *settings),
        ("suggest", "--line", "A"),
        ("diagnose", "--line", "A"),
        ("compare", "--min-grade", "0.97"),
        ("report", "--line", "A"),
        ("history",),
        ("site", "--check"),
    ):
        code, out, err = run(*command)
        assert code == 2, (command, out, err)
        said = re.sub(r"\s+", " ", out + err)
        for part in ("site.toml", "[settings.air]", "'turn'", "'%'", 'was = [{ unit = "turn"'):
            assert part in said, (command, part)
    assert history.version == 0

    (tmp_path / "site.toml").write_text(GIVEN)
    assert run("site", "--check")[0] == 0
    after = suggest(history, site(GIVEN), brief).as_dict()
    for plan in (before, after):
        plan.pop("units")
    moved = [after["run_now"], *after["recommendations"]]
    for each in moved:
        each["settings"]["air"] *= 2.0
    assert [each["settings"] for each in moved] == [
        each["settings"] for each in (before["run_now"], *before["recommendations"])
    ]
    for key in ("grade", "recovery", "chance_of_grade"):
        assert after["run_now"][key] == before["run_now"][key]

    assert run("load", log)[0] == 0  # 20 % are stored as the 40 turns that they are
    assert history.at().runs().sort_by("started_at")["air"].to_pylist()[-1] == 40.0
    assert history.at().runs(site(GIVEN)).sort_by("started_at")["air"].to_pylist()[-1] == 20.0
    assert history.at().description.lines["A"]["air"].stored == "turn"


def test_the_service_refuses_what_would_mix(season, tmp_path):
    from starlette.testclient import TestClient

    from optimizer import Configuration
    from optimizer.service.admission.access import Access
    from optimizer.service.http.app import create_app

    load_table(season[:5], History(tmp_path / "history"), site(TURNS))
    (tmp_path / "site.toml").write_text(PER_CENT)
    options = Configuration(str(tmp_path / "history"), str(tmp_path / "site.toml"), planners=0)
    with TestClient(create_app(options, Access({}, b"k" * 32))) as client:
        for answer in (
            client.get("/v1/history"),
            client.post("/v1/runs", json=[{**season[6], "air": 20.0}]),
            client.post("/v1/plans", json=BRIEF),
        ):
            assert answer.status_code == 422, answer.text
            assert "in 'turn' and the site declares '%'" in answer.json()["detail"]


def test_the_same_season_in_per_cent_is_known(season, tmp_path):
    history = History(tmp_path / "history")
    load_table(season, history, site(TURNS))
    converted = [{**each, "air": each["air"] / 2.0} for each in season]
    assert load_table(converted, history, site(GIVEN)).already_known == len(season)
    turns = [{"air [turns]" if k == "air" else k: v for k, v in each.items()} for each in season]
    assert load_table(turns, history, site(GIVEN)).already_known == len(season)


def test_a_line_may_change_alone(tmp_path):
    history = History(tmp_path / "history")
    load_table([row(), row(line="B")], history, site(TURNS))
    own = TURNS + '\n[lines.B.air]\nunit = "%"\nlow = 0\nhigh = 100\nstep = 1\n'
    with pytest.raises(InputError, match=r"\[lines\.B\.settings\.air\]: .* of line 'B'"):
        history.at().runs(site(own))
    assert history.at().runs(site(own), lines=["A"])["air"].to_pylist() == [30.0]
    given = own + 'was = [{ unit = "turn", at = [[0, 0], [60, 100]] }]\n'
    assert history.at().runs(site(given))["air"].to_pylist() == [30.0, 50.0]
    # A line without runs has nothing to convert.
    later = own.replace("lines.B", "lines.C")
    assert load_table([row(line="C", air=90)], history, site(later)).added == 1
    assert history.at().runs(site(later))["air"].to_pylist() == [30.0, 30.0, 90.0]
    assert history.at().description.lines["C"]["air"].stored == "%"


# ------------------------------------------------------------------ what is said


def texts(found):
    return [difference.text for difference in found.differences]


def test_an_empty_history_has_nothing_to_differ_from(tmp_path):
    found = check_site(History(tmp_path / "history"), site(TURNS))
    assert (found.version, found.differences, found.mixes) == (None, (), False)
    assert {column.relation for column in found.columns} == {"new"}
    assert found.as_dict()["history"]["described"] is False


def test_what_agrees_is_said_to_agree(tmp_path, run):
    load_table([row(moisture=11.0)], History(tmp_path / "history"), site(TURNS))
    (tmp_path / "site.toml").write_text(TURNS)
    code, out, _ = run("site", "--check")
    assert code == 0
    assert "The site file and the history agree." in out
    document = json.loads(run("site", "--json")[1])
    assert document["schema"] == "highside.site/1"
    assert document["site"]["fingerprint"] == document["history"]["fingerprint"]
    assert document["history"]["lines"] == ["A"]
    assert {c["column"]: c["stored"] for c in document["columns"]} == {
        "feed_rate": "t/h", "end_raise": "deg", "side_tilt": "deg", "eccentric_speed": "rpm",
        "air": "turn", "moisture": "%", "feed_grade": "",
    }  # fmt: skip


def test_each_difference_is_said(tmp_path):
    history = History(tmp_path / "history")
    load_table([row(moisture=11.0)], history, site(TURNS + '[columns]\n"Luft" = "air"\n'))
    changed = TURNS.replace("moisture", "water").replace('name = "mill"', 'name = "mill 2"')
    changed += '[lines.B.air]\nhigh = 70\n[columns]\n"Luft" = "feed_rate"\n"W" = "water"\n'
    assert texts(check_site(history, site(changed))) == [
        "the history has 'moisture', which the site file no longer declares; its values are not "
        "used.",
        "the site file declares 'water', which the history does not have yet.",
        "the history has line 'A', which the site file does not declare.",
        "the site file declares line 'B', which has no runs.",
        "the heading 'Luft' meant 'air' and now means 'feed_rate'.",
        "the heading 'W' meant what it says and now means 'water'.",
        "the site file has changed since the history was last described (version 0).",
    ]


def test_a_converted_unit_is_said_and_does_not_mix(tmp_path):
    history = History(tmp_path / "history")
    load_table([row(moisture=11.0)], history, site(TURNS))
    text = TURNS.replace('"%"\nlow = 1.0\nhigh = 30.0', '"fraction"\nlow = 0.01\nhigh = 0.3')
    found = check_site(history, site(text))
    assert not found.mixes
    assert texts(found)[0] == (
        "moisture was declared in '%' and is now declared in 'fraction': its runs are stored in "
        "'%' and converted."
    )


def test_a_history_without_a_description_is_said_to_have_none(tmp_path):
    source, history = History(tmp_path / "with"), History(tmp_path / "without")
    load_table([row()], source, site(TURNS))
    history.append(source.at().runs())
    assert "the history does not describe itself yet" in texts(check_site(history, site(TURNS)))[0]


def test_an_old_version_has_its_own_description(tmp_path):
    history = History(tmp_path / "history")
    load_table([row(moisture=11.0)], history, site(TURNS))
    load_table([row(air=12)], history, site(GIVEN))
    assert check_site(history, site(GIVEN)).as_dict()["history"]["described_in_version"] == 1
    assert check_site(history, site(GIVEN), 0).as_dict()["history"]["described_in_version"] == 0


def test_a_plan_says_which_variable_is_not_used(season, tmp_path, few):
    history = History(tmp_path / "history")
    load_table([{**each, "moisture": 11.0} for each in season], history, site(TURNS))
    dropped = TURNS.replace("moisture", "water")
    plan = suggest(history, site(dropped), Brief.from_dict(BRIEF))
    assert (
        "The history has 'moisture', which the site file no longer declares; its values are not "
        "used."
    ) in plan.warnings
