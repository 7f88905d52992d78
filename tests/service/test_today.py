"""The page of today: the whole brief as a form, its faults, what it remembers and assumes."""

from __future__ import annotations

import html
import io
import json
import re
import time
from dataclasses import replace
from urllib.parse import parse_qsl, urlsplit

import numpy as np
import pandas as pd
import pytest

from optimizer import Brief, History, Site, suggest
from optimizer.service.exchange.configuration import Configuration
from optimizer.service.pages.brief_form.fields import fields_of, sections_of
from optimizer.service.pages.brief_form.reading import read_form_of_brief
from optimizer.service.pages.shared.forms import brief_of_form, filled_fields
from optimizer.text.figures import level, percent, whole_percent
from tests.service.test_page import HTML, issue_form
from tests.service.test_service import READ, RECORD, TOKENS, client_of, problem, row
from tests.serving import SECONDS

pytestmark = pytest.mark.usefixtures("small_plans")

SITE = """
[material.moisture]
unit = '%'
low = 0.0
high = 20.0
[lines.deck-2.air]
high = 50.0
"""
MOISTURES = [10.5, 11.5, 10.0, 12.0, 11.0, 12.5, 9.5, 11.8, 12.2, 10.9, 11.3, 11.6]
GRADES = [0.97 + k / 1000 for k in range(len(MOISTURES))]


@pytest.fixture(scope="module")
def options(tmp_path_factory) -> Configuration:
    folder = tmp_path_factory.mktemp("today")
    (folder / "site.toml").write_text(SITE, encoding="utf-8")
    return Configuration(str(folder / "history"), str(folder / "site.toml"), rate=0, planners=0)


@pytest.fixture(scope="module")
def client(options):
    """A service over twelve runs of deck-1, the last of them washed, and one run of deck-2."""
    with pytest.MonkeyPatch.context() as patch, client_of(options, **HTML) as made:
        patch.setattr(
            "optimizer.service.pages.shared.waiting.PATIENCE", SECONDS
        )  # for busy machines
        runs = [
            row(k, moisture=moisture, grade=grade, air=30 + 2 * k, feed_rate=1.5 + k % 4 / 2)
            for k, (moisture, grade) in enumerate(zip(MOISTURES, GRADES, strict=True))
        ]
        runs[-1]["material"] = "washed"
        made.post("/v1/runs", json=[*runs, row(50, line="deck-2")])
        yield made


WHOLE = {
    "m.moisture": "11,2", "m.material": "washed", "min_grade": "97.5", "trials": "2",
    "trials.material_available": "6", "trials.minutes_available": "90",
    "goal.maximise": "value", "goal.confidence": "80", "goal.prices.product": "2400",
    "goal.prices.reject": "-20", "goal.prices.currency": "credits",
    "capacity.min_feed_rate": "1.2", "capacity.max_feed_rate": "2.8",
    "capacity.max_product_rate": "2.5", "limits.air.low": "34", "limits.air.high": "50",
    "limits.end_raise.fixed": "2.4", "couplings.0.terms.side_tilt": "1",
    "couplings.0.terms.eccentric_speed": "-0.01", "couplings.0.at_most": "-1.5",
    "trials.settle_minutes": "15", "trials.sample_minutes": "5", "current.air": "40",
}  # fmt: skip
BRIEF = {
    "line": "deck-1",
    "material": {"moisture": 11.2, "material": "washed"},
    "goal": {
        "maximise": "value", "min_grade": 0.975, "confidence": 0.8,
        "prices": {"product": 2400.0, "reject": -20.0, "currency": "credits"},
    },
    "capacity": {"min_feed_rate": 1.2, "max_feed_rate": 2.8, "max_product_rate": 2.5},
    "limits": {"air": {"low": 34.0, "high": 50.0}, "end_raise": {"fixed": 2.4}},
    "couplings": [{"terms": {"side_tilt": 1.0, "eccentric_speed": -0.01}, "at_most": -1.5}],
    "trials": {
        "count": 2, "material_available": 6.0, "minutes_available": 90.0, "settle_minutes": 15.0,
        "sample_minutes": 5.0,
    },
    "current": {"air": 40.0},
}  # fmt: skip
"""What the fields above say, as ``cli/guide/plan.md`` writes a brief."""


def form_of(page: str) -> dict[str, str]:
    """The fields of the form for a brief, as a browser would send them."""
    (form,) = re.findall(r'<form class="today brief"[^>]*>(.*?)</form>', page, re.S)
    sent = {}
    for tag in re.findall(r"<input [^>]*>", form):
        parts = dict(re.findall(r'(\S+)="([^"]*)"', tag))
        sent[parts["name"]] = html.unescape(parts.get("value", ""))
    for name, options in re.findall(r'<select name="([^"]*)"[^>]*>(.*?)</select>', form, re.S):
        chosen = re.search(r'value="([^"]*)" selected', options)
        sent[name] = chosen[1] if chosen else ""
    return sent


def filled(page: str) -> dict[str, str]:
    """The fields of the form for a brief that are filled in."""
    return {name: text for name, text in form_of(page).items() if text and name != "form_token"}


def fault_beside(page: str, name: str) -> str:
    """What stands beside a field as its fault, which the field must refer to."""
    tag = re.search(rf'<(?:input|select) name="{re.escape(name)}"[^>]*>', page)[0]
    assert 'aria-invalid="true"' in tag, tag
    assert f"fault-{name}" in re.search(r'aria-describedby="([^"]*)"', tag)[1].split()
    said = re.search(rf'<p class="fault" id="fault-{re.escape(name)}">(.*?)</p>', page)[1]
    return html.unescape(said)


def planned(client, fields: dict[str, str], line: str = "deck-1"):
    """The answer to the form of a line, sent with fields filled in."""
    form = form_of(client.get("/", params={"choose": line, "empty": "yes"}).text)
    return client.post("/plan", data={**form, **fields}, follow_redirects=False)


# ------------------------------------------------------------------ the whole brief


def test_the_form_states_the_whole_brief_and_its_address_only_what_is_filled_in(client):
    done = planned(client, WHOLE)
    assert done.status_code == 303
    address = urlsplit(done.headers["location"])
    assert (address.path, dict(parse_qsl(address.query))) == ("/", {"line": "deck-1", **WHOLE})


def test_the_plan_of_the_form_is_that_of_the_command_for_the_same_brief(client, options):
    page = client.get(planned(client, WHOLE).headers["location"]).text
    site = Site.read(options.site)
    brief = Brief.from_dict(BRIEF)
    plan = suggest(History(options.history), site, brief, seed=options.seed).as_dict()
    shown = figures(page)
    now = plan["run_now"]
    assert shown[0] == [level(value) for value in now["settings"].values()]
    in_order = sorted(plan["recommendations"], key=lambda trial: trial["order"])
    assert shown[1:] == [[level(v) for v in trial["settings"].values()] for trial in in_order]
    assert f"<dd>{percent(now['grade']['mean'])} %" in page
    assert f"<dd>{whole_percent(now['chance_of_grade'])} %</dd>" in page
    assert re.search(r"<dt>Value</dt><dd>[\d,.−-]+ credits/h</dd>", page)
    assert len(re.findall("expected to add <span>[^<]* credits/h</span>", page)) == 2


def figures(page: str) -> list[list[str]]:
    """The settings to run now and those of each trial, as the page shows them."""
    shown = page.partition('id="now"')[2]  # open batches stand above
    lists = re.findall(r'<ul class="settings">(.*?)</ul>', shown, re.S)
    return [re.findall("<b>(.*?)</b>", each) for each in lists]


def test_what_is_shown_lies_inside_capacity_limits_and_couplings(client):
    page = client.get(planned(client, WHOLE).headers["location"]).text
    free = client.get("/?line=deck-1&min_grade=97.5&trials=2").text

    def inside(values: list[str]) -> bool:
        feed, end, tilt, speed, air = map(float, values)
        return 1.2 <= feed <= 2.8 and end == 2.4 and 34 <= air <= 50 and tilt - speed / 100 <= -1.5

    assert [inside(each) for each in figures(page)] == [True, True, True]
    assert False in [inside(each) for each in figures(free)]  # otherwise nothing is tested


def test_the_report_and_the_issued_batch_rest_on_the_whole_brief(client, options):
    page = client.get(planned(client, WHOLE).headers["location"]).text
    (button,) = re.findall(r'<form method="post" action="/report">(.*?)</form>', page, re.S)
    again = html.unescape(re.search('name="again" value="([^"]*)"', button)[1])
    asked = filled_fields(dict(parse_qsl(again)))
    assert brief_of_form(asked, Site.read(options.site)) == BRIEF
    client.post("/batches/issue", data=issue_form(page))
    (batch,) = client.get("/v1/batches", params={"line": "deck-1"}).json()["batches"]
    assert Brief.from_dict(batch["brief"]) == Brief.from_dict(BRIEF)
    done = client.get(planned(client, WHOLE).headers["location"]).text
    assert done.index("deck-1-1:") < done.index("Run now")  # open batches stand above the plan
    client.patch(f"/v1/batches/{batch['batch']}", json={"closed": True})


def test_a_query_may_hold_a_whole_brief(client):
    page = client.get(planned(client, WHOLE).headers["location"]).text
    sheet = client.get("/v1/sheet", params={"form": "csv", "brief": json.dumps(BRIEF)})
    found = pd.read_csv(io.BytesIO(sheet.content), encoding="utf-8-sig")
    names = ("feed_rate [t/h]", "end_raise [deg]", "side_tilt [deg]", "eccentric_speed [rpm]",
             "air [turn]")  # fmt: skip
    rows = found[list(names)].to_numpy()
    assert [[level(value) for value in each] for each in rows] == figures(page)[1:]


@pytest.mark.parametrize(
    ("query", "code"),
    [
        ({"brief": "{}", "trials": "2"}, "two-briefs"),
        ({"brief": "[]"}, "not-a-brief"),
        ({"brief": "{"}, "not-json"),
        ({"brief": '{"limits": {"wind": {}}}'}, "input"),
    ],
)
def test_a_query_with_an_unusable_whole_brief_is_refused(client, query, code):
    problem(client.get("/v1/report", params=query), 422, code)


def test_a_trade_off_is_shown_as_a_table(client):
    page = client.get("/?line=deck-1&min_grade=97&trials=1&goal.maximise=trade-off").text
    brief = {"line": "deck-1", "goal": {"maximise": "trade-off", "min_grade": 0.97},
             "trials": {"count": 1}}  # fmt: skip
    curve = client.post("/v1/plans", json=brief).json()["trade_off"]
    table = re.search(r'aria-label="Trade-off of grade and recovery">(.*?)</section>', page, re.S)
    rows = re.findall(r'<tr><td class="number">([\d.]+)', table[1])
    assert rows == [percent(point["sure_grade"]) for point in curve]


def test_the_lot_is_in_the_mass_unit_of_the_site():
    site = Site.from_dict({"site": {"mass": "lb"}})
    lot = fields_of(sections_of(site, "a"))["trials.material_available"]
    assert (lot.label, lot.unit) == ("Lot", "lb")


def test_the_fields_are_those_of_the_line(client):
    text = {line: client.get("/", params={"choose": line}).text for line in ("deck-1", "deck-2")}
    assert "The deck allows 0 to 90 turn in steps of 1." in text["deck-1"]
    assert "The deck allows 0 to 50 turn in steps of 1." in text["deck-2"]
    for page in text.values():
        assert "placeholder=" not in page
        assert '<p class="note" id="note-m.moisture">0 to 20 %</p>' in page


def test_a_coupling_can_be_added_and_what_is_typed_stays(client):
    form = form_of(client.get("/?choose=deck-1&empty=yes").text)
    typed = {"min_grade": "wet", "couplings.0.terms.air": "2", "line": "deck-1"}
    more = client.post("/plan", data={**form, **typed, "more": "coupling"})
    assert more.status_code == 200
    assert filled(more.text) == typed
    assert "couplings.1.terms.air" in form_of(more.text)
    assert "couplings.2.terms.air" not in form_of(more.text)
    assert "cannot be used" not in more.text  # nobody asked for a plan yet


def test_couplings_are_numbered_without_gaps(client):
    site = Site.from_dict({})
    asked = {"line": "a", "couplings.3.terms.air": "2", "couplings.3.at_least": "1",
             "couplings.7.terms.air": "1", "couplings.7.at_most": "3"}  # fmt: skip
    form = read_form_of_brief(asked, site)
    ends = [(each.get("at_least"), each.get("at_most")) for each in form.brief["couplings"]]
    assert (ends, form.faults) == ([(1.0, None), (None, 3.0)], {})


# ------------------------------------------------------------------ what is wrong


@pytest.mark.parametrize(
    ("name", "text", "said"),
    [
        ("m.moisture", "wet", "Moisture: 'wet' is not a number"),
        ("m.moisture", "31", "outside the declared range 0 to 20 %"),
        ("min_grade", "0.985", "write per cent, such as 98.7"),
        ("min_grade", "100", "only below 100 %"),
        ("trials", "0", "It should be greater than or equal to 1 (got 0)"),
        ("trials", "2.5", "'2.5' is not a whole number"),
        ("trials.minutes_available", "-5", "It should be greater than 0 (got -5.0)"),
        ("trials.minutes_available", "10", "not one trial fits: 10 minutes are available"),
        ("goal.confidence", "40", "from 50 to below 100 %"),
        ("goal.maximise", "gold", "'gold' is none of the choices"),
        ("capacity.max_feed_rate", "0.1", "no level of feed_rate is left"),
        ("limits.air.low", "95", "no level of air is left"),
        ("limits.air.fixed", "33.5", "The nearest are 33 and 34 turn"),
        ("current.air", "much", "Air now: 'much' is not a number"),
    ],
)
def test_what_is_wrong_stands_beside_its_field(client, name, text, said):
    typed = {"m.material": 'wet "lot"', "min_grade": "97.5", name: text}
    refused = client.get(planned(client, typed).headers["location"])
    assert refused.status_code == 422
    assert said.lower() in fault_beside(refused.text, name).lower()
    assert refused.text.count('class="fault"') == 1
    if text == "gold":  # a choice that does not exist cannot be shown as chosen
        del typed[name]
    assert filled(refused.text) == {"line": "deck-1", **typed}
    assert "Trials to run next" not in refused.text


def test_all_that_is_wrong_is_said_at_once_in_open_sections(client):
    typed = {
        "min_grade": "a", "limits.air.low": "50", "limits.air.high": "40",
        "limits.feed_rate.low": "9", "goal.prices.feed": "3", "couplings.0.at_most": "1",
        "couplings.1.terms.air": "1",
    }  # fmt: skip
    refused = client.get("/", params={"line": "deck-1", **typed})
    assert fault_beside(refused.text, "limits.air.low") == "Low 50 is above high 40."
    assert "no level of feed_rate" in fault_beside(refused.text, "limits.feed_rate.low").lower()
    assert "Prices count only where" in fault_beside(refused.text, "goal.maximise")
    assert "at least one setting" in fault_beside(refused.text, "couplings.0.terms.feed_rate")
    assert "at least, at most, or both" in fault_beside(refused.text, "couplings.1.at_least")
    assert "6 entries cannot be used" in refused.text
    opened = re.findall(r'<details class="section" id="section-(\w+)" open>', refused.text)
    assert opened == ["goal", "limits", "couplings"]


def test_the_value_of_an_hour_needs_a_price(client):
    refused = client.get("/?line=deck-1&goal.maximise=value")
    assert "price of the product" in fault_beside(refused.text, "goal.prices.product")


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ({"couplings.0.terms.air": "1", "couplings.0.at_most": "-1"}, "leave no settings to try"),
        ({"capacity.max_product_rate": "0.001"}, "no settings keep product and reject inside"),
        ({"limits.wind.low": "3"}, "The form has no field &#39;limits.wind.low&#39;"),
    ],
)
def test_what_belongs_to_no_field_stands_above_the_form(client, typed, said):
    refused = client.get("/", params={"line": "deck-1", **typed})
    assert refused.status_code == 422
    alert = re.search(r'<div class="refused" role="alert">(.*?)</div>', refused.text, re.S)[1]
    assert said in alert[:1].lower() + alert or said in alert.replace(said.capitalize(), said)
    assert 'class="fault"' not in refused.text
    known = {name: text for name, text in typed.items() if "wind" not in name}
    assert filled(refused.text) == {"line": "deck-1", **known}


def test_an_address_that_is_too_long_is_refused_with_what_was_typed(client, monkeypatch):
    monkeypatch.setattr("optimizer.service.pages.deck.trials.MOST_QUERY", 40)
    refused = planned(client, {"m.material": "x" * 60})
    assert refused.status_code == 422
    assert "no address can hold it" in refused.text
    assert filled(refused.text)["m.material"] == "x" * 60


@pytest.mark.parametrize("address", ["/?choose=", "/?choose=+", f"/?choose={'a' * 300}", "/?line="])
def test_a_line_that_cannot_be_chosen_is_said_beside_its_field(client, address):
    refused = client.get(address)
    assert refused.status_code == 422
    assert 'aria-describedby="wrong-line"' in refused.text
    assert re.search('id="wrong-line">[^<]*(no line is named|expected 1 to)', refused.text)


def test_what_the_latest_refusal_said_is_not_asked_for_again(client, monkeypatch):
    """A plan that is refused after the page stopped waiting for it is not planned for ever."""
    asked = "/?line=deck-1&capacity.max_reject_rate=0.0001&trials=1"
    monkeypatch.setattr("optimizer.service.pages.shared.waiting.PATIENCE", 0.0)
    page = client.get(asked)
    assert "Making the plan" in page.text
    job = re.search('data-job="([0-9a-f]+)"', page.text)[1]
    while client.get(f"/v1/jobs/{job}").json()["state"] in ("waiting", "running"):
        time.sleep(0.05)
    refused = client.get(asked)
    assert refused.status_code == 422
    assert "product and reject inside the capacity" in refused.text


def test_a_page_that_asks_again_by_itself_has_no_field(client, monkeypatch):
    monkeypatch.setattr("optimizer.service.pages.shared.waiting.PATIENCE", 0.0)
    page = client.get("/?line=deck-1&trials=3&m.moisture=10.1").text
    assert 'http-equiv="refresh"' in page
    assert not re.findall(r"<(?:input|select|textarea)(?! type=\"hidden\")", page)


# ------------------------------------------------------------------ what is remembered


def test_a_line_remembers_for_everybody_what_it_was_last_planned_with(client, options):
    planned(client, WHOLE)
    with client_of(options, **HTML) as another:
        page = another.get("/?choose=deck-1").text
        assert filled(page) == {"line": "deck-1", **WHOLE}
        assert "Filled in as last planned with on this line, 20" in page
        assert filled(another.get("/?choose=deck-2").text) == {"line": "deck-2"}
        assert filled(another.get("/?choose=deck-1&empty=yes").text) == {"line": "deck-1"}
    planned(client, {"trials": "3"})
    assert filled(client.get("/?choose=deck-1").text) == {"line": "deck-1", "trials": "3"}


@pytest.mark.parametrize("fields", [{"trials": "0"}, {"trials": "5", "form_token": "0" * 64}])
def test_neither_a_wrong_brief_nor_another_page_s_form_is_remembered(client, fields):
    planned(client, {"trials": "7"})
    assert planned(client, fields).status_code == 303
    assert filled(client.get("/?choose=deck-1").text)["trials"] == "7"


def test_who_may_only_read_plans_without_being_remembered(options):
    found = {}
    for token in (RECORD, READ):
        with client_of(options, TOKENS, **HTML) as person:
            person.post("/sign-in", data={"token": token})
            done = planned(person, {"trials": "9" if token == RECORD else "8"})
            assert done.status_code == 303
            found[token] = person.get("/?choose=deck-1").text
    assert [filled(page)["trials"] for page in found.values()] == ["9", "9"]
    assert "by mill." in found[READ]


def test_a_damaged_memory_is_an_empty_form(client, options):
    planned(client, {"trials": "7"})
    (options.folder / "briefs").mkdir(exist_ok=True)
    for path in (options.folder / "briefs").iterdir():
        path.write_text('{"fields": 3', encoding="utf-8")
    page = client.get("/?choose=deck-1")
    assert (page.status_code, filled(page.text)) == (200, {"line": "deck-1"})


def test_what_a_changed_site_has_no_field_for_is_left_out(client, options):
    planned(client, {"trials": "7", "m.moisture": "11"})
    with client_of(replace(options, site=None), **HTML) as without:
        assert filled(without.get("/?choose=deck-1").text) == {"line": "deck-1", "trials": "7"}


def test_the_only_line_needs_no_choice(options, tmp_path):
    with client_of(replace(options, history=str(tmp_path / "h")), **HTML) as one:
        site_lines = one.get("/").text
        assert "<h1>Today on deck-2</h1>" in site_lines  # from the site file
        one.post("/v1/runs", json=[row(1)])
        assert "Which line is it for?" in one.get("/").text


# ------------------------------------------------------------------ what is assumed


def told(page: str) -> list[str]:
    """What the page says was assumed."""
    part = re.search(r'<ul class="told">(.*?)</ul>', page, re.S)[1]
    return [html.unescape(each) for each in re.findall("<li>(.*?)</li>", part)]


def test_every_value_that_nobody_entered_is_told_as_assumed(client):
    page = client.get("/?line=deck-1&trials=1")
    moisture = level(round(float(np.median(MOISTURES[-10:])), 6))
    grade = level(round(100 * float(np.round(np.median(GRADES), 4)), 6))
    assert told(page.text) == [
        f"moisture {moisture} %: the median of the latest runs, at most 10, that state it and that "
        "the plan learns from",
        "feed grade: no run states one, so that the plan takes one with which every reading is "
        "possible; product rates follow from it",
        "material washed: that of the latest run that names one and that the plan learns from",
        f"grade to reach {grade} %: the median grade of the measured runs",
        "goal: the highest recovery",
        "confidence in the grade 90 %",
        "20 min for the deck to settle",
        "10 min to sample",
        "the lot and the time for all trials are not limited",
        "no limit of feed, product and reject rates besides the range of the deck",
        "every setting: the whole range of the deck",
        "the deck: where the latest run left it",
    ]
    assert "Asked for: trials 1." in page.text


def test_nothing_that_was_entered_is_told_as_assumed(client):
    page = client.get("/", params={"line": "deck-1", **WHOLE}).text
    assert told(page) == [
        "feed grade: no run states one, so that the plan takes one with which every reading is "
        "possible; product rates follow from it",
        "feed rate, side tilt, eccentric speed: the whole range of the deck",
        "feed rate, end raise, side tilt, eccentric speed: where the latest run left it",
    ]
    assert "goal: highest value of an hour; confidence in the grade 80 %;" in page
    assert "capacity" not in page[page.index("Asked for") : page.index("Run now")]
    assert "feed rate at most 2.8 t/h" in page


def test_a_line_without_any_run_to_learn_from_assumes_nothing_of_runs(options, tmp_path):
    with client_of(replace(options, history=str(tmp_path / "h")), **HTML) as one:
        page = one.get("/?line=deck-9&trials=2").text
    assert not [each for each in told(page) if "latest run" in each or "moisture" in each]
    assert "no grade to reach: there are too few runs to take one from" in told(page)
    assert "deck-9: no grade to reach" in page


# ------------------------------------------------------------------ material over the shift


def test_a_material_that_varies_is_planned_for_and_what_must_hold_is_told(client, options):
    varies = {"m.moisture.low": "10.2", "m.moisture.high": "12", "min_grade": "97.5", "trials": "1"}
    page = client.get(planned(client, varies).headers["location"]).text
    brief = {"line": "deck-1", "material": {"moisture": {"low": 10.2, "high": 12.0}},
             "goal": {"min_grade": 0.975}, "trials": {"count": 1}}  # fmt: skip
    made = Brief.from_dict(brief)
    plan = suggest(History(options.history), Site.read(options.site), made, seed=0).as_dict()
    worst = plan["hold"]["worst"]
    assert figures(page)[0] == [level(value) for value in plan["run_now"]["settings"].values()]
    assert (
        "The chance is that the product of the whole shift meets the grade; it is lowest at "
        f"moisture {level(worst['material']['moisture'])} %, where it is "
        f"{whole_percent(worst['chance_of_grade'])} %."
    ) in page
    assert not [each for each in told(page) if each.startswith("moisture")]
    said = "the product of the whole shift must meet the grade, not that of every hour"
    assert said in told(page)
    stated = client.get("/", params={"line": "deck-1", **varies, "goal.hold": "throughout"}).text
    assert said not in told(stated)
    assert "The chance is that every hour meets the grade" in stated


@pytest.mark.parametrize(
    ("typed", "name", "said"),
    [
        ({"m.moisture.low": "10"}, "m.moisture.high", "A range needs both ends."),
        ({"m.moisture.low": "10", "m.moisture.high": "40"}, "m.moisture.high", "40 is outside the"),
        ({"m.moisture.low": "12", "m.moisture.high": "10"}, "m.moisture.low", "low 12 is above"),
        ({"m.moisture": "11", "m.moisture.low": "10"}, "m.moisture.low", "a value and a range"),
        ({"m.moisture.low": "10", "m.moisture": "11"}, "m.moisture", "a value and a range"),
        ({"m.moisture": "12 to 40"}, "m.moisture", "40 is outside the declared range"),
    ],
)
def test_a_wrong_range_is_said_beside_one_of_its_fields(client, typed, name, said):
    refused = client.get("/", params={"line": "deck-1", **typed})
    assert refused.status_code == 422
    assert said in fault_beside(refused.text, name)
    assert len(re.findall('class="fault"', refused.text)) <= 2
