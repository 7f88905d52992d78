"""What to expect at chosen settings: endpoint, page without JavaScript, model process."""

from __future__ import annotations

import asyncio
import html
import json
import os
import re
import signal
import threading
from concurrent.futures import Future
from concurrent.futures.process import BrokenProcessPool

import jsonschema
import pytest

from optimizer import Brief, History, Site, suggest
from optimizer.errors import HistoryError, InputError, LimitError
from optimizer.landscape.what_if import WhatIf
from optimizer.planning.situation import situation_of
from optimizer.service.answers import model_process
from optimizer.service.answers.expectations import MOST_BYTES, Expectations, of_fit
from optimizer.service.answers.order import Order
from optimizer.service.exchange.configuration import Configuration
from optimizer.service.exchange.problems import Problem
from optimizer.text.figures import percent, whole_percent
from tests.service.test_page import HTML
from tests.service.test_service import READ, TOKENS, bearer, client_of, options, problem, row
from tests.serving import SECONDS

__all__ = ["options"]  # a fixture

ASKED = {"line": "deck-1", "min_grade": 0.985}
AT = {"feed_rate": 2.1, "end_raise": 2.4, "side_tilt": 2.0, "eccentric_speed": 450.0, "air": 33.0}
FIGURES = ("settings", "grade", "recovery", "chance_even", "product_t_per_h")


def rows() -> list[dict]:
    """Eight runs that differ in air and feed rate; one more failed."""
    return [
        *(row(k, air=30 + k, feed_rate=1.6 + k / 10, grade=0.98 + k / 1000, moisture=10 + k / 4)
          for k in range(8)),
        row(8, air=60, grade=None, recovery=None, deck_state="boiling"),
    ]  # fmt: skip


@pytest.fixture(scope="module")
def service(tmp_path_factory):
    """A service with a history, for tests that change nothing: client and configuration."""
    folder = tmp_path_factory.mktemp("what-if")
    site = "[material.moisture]\nunit = '%'\nlow = 0.0\nhigh = 20.0\n"
    (folder / "site.toml").write_text(site, encoding="utf-8")
    made = Configuration(str(folder / "history"), str(folder / "site.toml"), rate=0, planners=0)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("optimizer.model.surrogate.MEMBERS", ())
        patch.setattr("optimizer.planning.limits.POOL", 64)
        patch.setattr("optimizer.service.pages.ahead.what_if.SOON", SECONDS)  # for busy machines
        with client_of(made) as client:
            assert client.post("/v1/runs", json=rows()).json()["added"] == 9
            yield client, made


@pytest.fixture
def client(service):
    return service[0]


@pytest.fixture
def line(service) -> WhatIf:
    """The line of the service as the library sees it."""
    _, made = service
    brief = Brief.from_dict({"line": "deck-1"})
    return WhatIf(situation_of(History(made.history), Site.read(made.site), brief))


def asked_for(settings, **more):
    """The query of the endpoint for some settings."""
    return {**ASKED, "setting": [f"{name}={value}" for name, value in settings.items()], **more}


def said(page: str) -> str:
    """The text of a page without tags."""
    return " ".join(html.unescape(re.sub("<[^>]*>", " ", page)).split())


def values(page: str) -> dict[str, str]:
    """The fields of the page by name."""
    return {
        name: html.unescape(value)
        for name, value in re.findall(r'<input name="([^"]+)"[^>]*? value="([^"]*)"', page)
    }


# -- figures ------------------------------------------------------------------------------


def test_figures_equal_those_of_a_plan_to_the_last_digit(client, service):
    _, made = service
    brief = {"line": "deck-1", "goal": {"min_grade": 0.985}, "trials": {"count": 3}}
    plan = suggest(History(made.history), Site.read(made.site), Brief.from_dict(brief)).as_dict()
    assert len(plan["recommendations"]) == 3
    for trial in plan["recommendations"]:
        found = client.get("/v1/expected", params=asked_for(trial["settings"])).json()
        for name in (*FIGURES, "chance_of_grade"):
            assert found[name] == trial[name], name
    found = client.get("/v1/expected", params=asked_for(plan["run_now"]["settings"])).json()
    for name in FIGURES:
        assert found[name] == plan["run_now"][name], name
    # Settings that a search picked may not be called surer than the same settings asked for.
    assert found["chance_of_grade"] > plan["run_now"]["chance_of_grade"]
    assert found["material"] == plan["material"]
    assert found["history_version"] == plan["history_version"]


@pytest.mark.parametrize("hold", ["blend", "throughout"])
def test_figures_of_a_material_that_varies_equal_those_of_its_plan(client, service, hold):
    _, made = service
    brief = {
        "line": "deck-1",
        "material": {"moisture": {"low": 10.2, "high": 11.4}},
        "goal": {"min_grade": "98.5%", "hold": hold},
        "trials": {"count": 2},
    }
    plan = suggest(History(made.history), Site.read(made.site), Brief.from_dict(brief)).as_dict()
    for each in (plan["run_now"], *plan["recommendations"]):
        setting = [f"{name}={value}" for name, value in each["settings"].items()]
        params = {"brief": json.dumps(brief), "setting": setting}
        found = client.get("/v1/expected", params=params).json()
        for name in FIGURES:
            assert found[name] == each[name], name
        if each is not plan["run_now"]:
            assert found["chance_of_grade"] == each["chance_of_grade"]
    assert found["over"] == plan["hold"]["over"]


def test_a_whole_brief_narrows_the_limits_and_states_where_the_deck_stands(client):
    brief = {"line": "deck-1", "limits": {"air": {"low": 32, "high": 40}}, "current": {"air": 39},
             "goal": {"min_grade": 0.985}}  # fmt: skip
    found = client.get("/v1/expected", params={"brief": json.dumps(brief)}).json()
    assert found["settings"]["air"] == 39
    params = {"brief": json.dumps(brief), "setting": "air=30"}
    refused = problem(client.get("/v1/expected", params=params), 422, "outside-limits")
    assert "air 30 turn is outside the limits, 32 to 40 turn" in refused["detail"]
    bad = {"brief": json.dumps({**brief, "lime": 1})}
    assert "lime" in problem(client.get("/v1/expected", params=bad), 422, "unknown-key")["detail"]


def test_neither_the_grade_nor_the_trials_ask_for_another_fit():
    brief = {"line": "a", "material": {"moisture": 11}, "goal": {"min_grade": "98.5%"},
             "trials": {"count": 9, "settle_minutes": 5}}  # fmt: skip
    fit = {"line": "a", "material": {"moisture": 11}, "trials": {"settle_minutes": 5}}
    assert of_fit(brief) == (fit, 0.985)
    assert of_fit({"line": "a", "trials": {"count": 3}}) == ({"line": "a"}, None)
    with pytest.raises(InputError, match="min_grade"):
        of_fit({"goal": {"min_grade": 98.5}})


def test_the_figures_of_an_earlier_version_and_material_are_those_of_their_plan(options):
    with client_of(options) as client:
        client.post("/v1/runs", json=rows())
        params = asked_for(AT, material="moisture=11", as_of=0)
        before = client.get("/v1/expected", params=params).json()
        client.post("/v1/runs", json=[row(20, air=40, grade=0.9)])
        assert client.get("/v1/expected", params=params).json() == before
        after = client.get("/v1/expected", params={**params, "as_of": 1}).json()
    assert before["material"] == {"moisture": 11.0}
    assert after["grade"] != before["grade"]


def test_the_answer_is_as_it_is_described(client):
    described = client.get("/openapi.json").json()
    assert "/v1/expected" in described["paths"]
    schema = {**described["components"]["schemas"]["Expected"],
              "components": described["components"]}  # fmt: skip
    found = client.get("/v1/expected", params=asked_for(AT))
    jsonschema.validate(found.json(), schema)
    again = {"If-None-Match": found.headers["etag"]}
    assert client.get("/v1/expected", params=asked_for(AT), headers=again).status_code == 304


def test_settings_left_out_are_those_of_the_latest_run_inside_the_limits(client, line):
    found = client.get("/v1/expected", params={"line": "deck-1"}).json()
    assert found["settings"] == line.start
    assert found["settings"]["air"] == 60  # the failed run is the latest
    assert found["min_grade"] == pytest.approx(0.9835)  # the median of the readings
    narrow = Brief.from_dict({"line": "deck-1", "limits": {"air": {"low": 31, "high": 34.4}}})
    site = line.situation.site
    start = WhatIf(situation_of(line.situation.snapshot, site, narrow)).start
    assert start["air"] == 34


def test_values_between_steps_are_allowed_and_said(client):
    on, off = (
        client.get("/v1/expected", params=asked_for({**AT, "air": air})).json()
        for air in (33, 33.5)
    )
    between = "air 33.5 turn is not a step of the deck; the nearest are 33 and 34."
    assert off["warnings"] == [between, *on["warnings"]]
    assert off["settings"]["air"] == 33.5
    assert off["grade"] != on["grade"]


def test_the_nearest_run_and_what_lies_outside_all_runs_are_told(client):
    near = client.get("/v1/expected", params=asked_for({**AT, "feed_rate": 1.9})).json()
    assert near["nearest_run"]["settings"]["air"] == 33
    assert near["nearest_run"]["differs"] == {}
    far = client.get("/v1/expected", params=asked_for({**AT, "feed_rate": 2.0, "air": 80})).json()
    assert far["nearest_run"]["settings"]["air"] == 37  # the failed run measured nothing
    assert far["nearest_run"]["differs"] == {"air": 43.0, "feed_rate": -0.3}
    assert (
        "air 80 turn lies outside the runs (30 to 37): the figures are extrapolated."
        in (far["warnings"])
    )
    assert far["recovery"]["high"] - far["recovery"]["low"] > (
        near["recovery"]["high"] - near["recovery"]["low"]
    )


@pytest.mark.parametrize(
    ("more", "code", "told"),
    [
        ({"setting": "ari=33"}, "input", "there is no setting 'ari'"),
        ({"setting": "air=900"}, "outside-limits", "air 900 turn is outside the limits, 0 to 90"),
        ({"setting": "air=x"}, "not-a-number", "air: 'x' is not a number"),
        ({"setting": "air"}, "input", "expected KEY=VALUE"),
        ({"setting": ["air=1", "air=2"]}, "input", "'air' is given twice"),
        ({"material": "moisture=99"}, "input", "outside the declared range 0 to 20"),
        ({"material": "wetness=9"}, "input", "unknown name 'wetness'"),
        ({"min_grade": 98.5}, "invalid-value", "min_grade"),
        ({"as_of": 99}, "no-version", "no version 99"),
    ],
)
def test_what_cannot_be_asked_is_refused(client, more, code, told):
    response = client.get("/v1/expected", params={"line": "deck-1", **more})
    assert told in problem(response, 422, code)["detail"]


def test_too_few_runs_tell_nothing(options):
    with client_of(options) as client:
        client.post("/v1/runs", json=rows()[:2])
        told = problem(client.get("/v1/expected"), 422, "too-few-runs")["detail"]
        page = client.get("/what-if", headers=HTML)
    assert "there are 2" in told
    assert page.status_code == 422
    assert "3 measured runs are needed" in said(page.text)


def test_limits_of_a_brief_hold(line):
    situation = line.situation
    coupling = {"terms": {"air": 1.0, "feed_rate": 10.0}, "at_most": 56.0}
    limits = {"limits": {"air": {"low": 32, "high": 40}}, "couplings": [coupling]}
    brief = Brief.from_dict({"line": "deck-1", **limits})
    narrow = WhatIf(situation_of(situation.snapshot, situation.site, brief))
    assert narrow.expected({**AT, "air": 35}).settings["air"] == 35
    with pytest.raises(InputError, match="air 30 turn is outside the limits, 32 to 40 turn"):
        narrow.expected({**AT, "air": 30})
    with pytest.raises(InputError, match="outside the limit 1·air"):
        narrow.expected({**AT, "air": 36})
    none = Brief.from_dict({"line": "deck-1", "limits": {"air": {"low": 200}}})
    with pytest.raises(LimitError, match="no level of air is left"):
        WhatIf(situation_of(situation.snapshot, situation.site, none)).expected(AT)


# -- the page without JavaScript ----------------------------------------------------------


def test_the_page_starts_at_the_latest_run_and_shows_one_choice_at_a_time(client):
    page = client.get("/what-if", headers=HTML).text
    start = values(page)
    assert (start["s.air"], start["s.eccentric_speed"]) == ("60", "450")
    assert "Air 60 turn lies outside the runs" in said(page)
    sent = {"line": "deck-1", "min_grade": "98,5", "m.moisture": "11",
            **{f"s.{name}": str(value) for name, value in AT.items()}}  # fmt: skip
    page = client.get("/what-if", params=sent, headers=HTML).text
    params = asked_for(AT, material="moisture=11")
    found = client.get("/v1/expected", params=params).json()
    text = said(page)
    for name in ("grade", "recovery"):
        mean, low, high = (percent(found[name][end]) for end in ("mean", "low", "high"))
        assert f"{name.capitalize()} {mean} % ({low} to {high})" in text
    assert f"chance of grade {whole_percent(found['chance_of_grade'])} %" in text
    assert f"Product {found['product_t_per_h']:.2f} t/h" in text
    assert "(at least 98.5 %)" in text
    assert "material: moisture 11" in text
    assert "Run now states a lower one" in text
    assert values(page)["min_grade"] == "98,5"  # as it was typed


def test_the_page_starts_at_run_now_where_today_s_plan_was_made(options, small_plans, monkeypatch):
    monkeypatch.setattr("optimizer.service.pages.shared.waiting.PATIENCE", SECONDS)
    monkeypatch.setattr("optimizer.service.pages.ahead.what_if.SOON", SECONDS)
    today = "line=deck-1&min_grade=98.2&trials=1"
    with client_of(options, **HTML) as client:
        client.post("/v1/runs", json=rows())
        assert "Run now" in client.get(f"/?{today}").text
        brief = {"line": "deck-1", "goal": {"min_grade": 0.982}, "trials": {"count": 1}}
        plan = client.post("/v1/plans", json=brief).json()
        start = values(client.get(f"/what-if?{today}").text)
    wanted = plan["run_now"]["settings"]
    assert {name: float(start[f"s.{name}"]) for name in wanted} == wanted


def test_what_the_form_of_today_states_holds_here_too(client):
    today = {"line": "deck-1", "limits.air.low": "32", "limits.air.high": "40", "trials": "2"}
    page = client.get("/what-if", params={**today, "s.air": "35"}, headers=HTML)
    text = said(page.text)
    assert "32 to 40 in steps of 1" in text
    assert "From today’s form, too: air from 32 turn, air to 40 turn, trials 2." in text
    hidden = dict(re.findall(r'<input type="hidden" name="([^"]+)" value="([^"]*)">', page.text))
    assert hidden == {name: today[name] for name in ("limits.air.low", "limits.air.high", "trials")}
    wrong = client.get("/what-if", params={**today, "limits.air.low": "x"}, headers=HTML)
    assert wrong.status_code == 422
    assert "'x' is not a number" in said(wrong.text)
    assert "Correct it in today’s form" in said(wrong.text)


def test_a_material_that_varies_is_told(client):
    sent = {"line": "deck-1", "m.moisture.low": "10.2", "m.moisture.high": "11.4"}
    page = client.get("/what-if", params=sent, headers=HTML)
    assert "material: moisture 10.2 to 11.4 %." in said(page.text)


@pytest.mark.parametrize(
    ("field", "typed", "told"),
    [
        ("s.air", "900", "air 900 turn is outside the limits, 0 to 90 turn."),
        ("s.air", "1,500", "is not a number"),
        ("min_grade", "0.985", "write per cent"),
        ("m.moisture", "99", "outside the declared range"),
        ("m.moisture", "wet", "is not a number"),
    ],
)
def test_a_fault_stands_beside_its_field_and_keeps_what_was_typed(client, field, typed, told):
    page = client.get("/what-if", params={"line": "deck-1", field: typed}, headers=HTML)
    assert page.status_code == 422
    (tag,) = re.findall(rf'<input name="{re.escape(field)}"[^>]*>', page.text)
    assert f'value="{typed}"' in tag
    assert 'aria-invalid="true"' in tag
    assert f"fault-{field}" in tag
    (fault,) = re.findall(rf'<p class="fault" id="fault-{re.escape(field)}">(.*?)</p>', page.text)
    assert told in html.unescape(fault)
    assert "Correct the marked field." in page.text


def test_while_the_model_is_fitted_the_page_says_so(client, monkeypatch):
    monkeypatch.setattr("optimizer.service.pages.ahead.what_if.SOON", 0.0)
    sent = {"line": "deck-1", "s.air": "31", "m.moisture": "9.5"}
    page = client.get("/what-if", params=sent, headers=HTML).text
    assert "is being fitted" in said(page)
    (again,) = re.findall(r'<noscript><meta http-equiv="refresh" content="2; url=([^"]+)">', page)
    assert values(page)["s.air"] == "31"
    monkeypatch.setattr("optimizer.service.pages.ahead.what_if.SOON", SECONDS)
    assert "Chance of an even deck" in client.get(html.unescape(again), headers=HTML).text


def test_an_empty_history_is_said_and_a_reader_may_ask(options):
    with client_of(options, TOKENS, **HTML) as client:
        page = client.get("/what-if", headers=bearer(READ))
        assert page.status_code == 200
        assert "The history is empty" in page.text
        problem(client.get("/v1/expected"), 401, "token-needed")


# -- the process that keeps the model -----------------------------------------------------


def order(key: str, line: str = "deck-1") -> Order:
    return Order(key, "expected", {"line": line}, 0, 0, {"site": {"name": "mill"}})


def test_a_fit_is_kept_for_further_moves_and_grades(service, monkeypatch, small_plans):
    _, made = service
    fits = []
    fit = situation_of

    def counted(*arguments, **more):
        fits.append(1)
        return fit(*arguments, **more)

    monkeypatch.setattr(model_process, "_fitted", model_process._fitted.__class__())
    monkeypatch.setattr("optimizer.planning.situation.situation_of", counted)
    one, _ = model_process.expected(made.history, order("a"), AT, 0.985)
    other, _ = model_process.expected(made.history, order("a"), {**AT, "air": 34.0}, 0.99)
    assert len(fits) == 1
    assert one["grade"] != other["grade"]
    for k in range(model_process.KEPT):
        model_process.expected(made.history, order(f"other {k}"), AT, None)
    assert len(model_process._fitted) == model_process.KEPT
    assert "a" not in model_process._fitted
    assert model_process.expected(made.history, order("a"), AT, 0.985)[0] == one
    assert len(fits) == 2 + model_process.KEPT


def test_a_question_that_cannot_be_answered_keeps_no_fit(service, monkeypatch, small_plans):
    monkeypatch.setattr(model_process, "_fitted", model_process._fitted.__class__())
    with pytest.raises(InputError, match="no setting"):
        model_process.expected(service[1].history, order("a"), {"wind": 1.0}, None)
    assert not model_process._fitted


def test_another_process_takes_over_from_one_that_ended(service):
    _, made = service
    made = Configuration(made.history, made.site, planners=1)

    async def asked() -> list[dict]:
        questions = Expectations(made)
        found = [await questions.of(order("a"), AT, 0.985)]
        (pid,) = questions._process._processes
        os.kill(pid, signal.SIGKILL)
        found.append(await questions.of(order("a"), AT, 0.985))
        assert pid not in questions._process._processes
        await questions.close()
        return found

    one, other = asyncio.run(asked())
    assert one == other
    assert one["schema"] == "highside.expected/1"


class Stub:
    """Stands for the pool of one process, which ends or holds much memory."""

    def __init__(self, held: int | None):
        self.held, self.ended = held, False

    def submit(self, call, *arguments):
        if self.held is None:
            raise BrokenProcessPool
        done = Future()
        done.set_result(({"held": self.held}, self.held))
        return done

    def shutdown(self, wait, cancel_futures=False):
        self.ended = True


@pytest.fixture
def stubs(monkeypatch):
    """The processes that were started, in place of real ones; each holds the next of ``held``."""
    started, held = [], []
    name = "optimizer.service.answers.expectations.ProcessPoolExecutor"
    monkeypatch.setattr(
        name, lambda *_, **__: started.append(Stub(held[len(started)])) or started[-1]
    )
    return started, held


def test_a_process_that_ends_twice_is_an_error(stubs):
    started, held = stubs
    held += [None, None]
    with pytest.raises(HistoryError, match="keeps the fitted model ended"):
        asyncio.run(Expectations(Configuration("h")).of(order("a"), AT, None))
    assert [stub.ended for stub in started] == [True, True]


def test_a_process_that_holds_too_much_memory_is_replaced(stubs):
    started, held = stubs
    held += [MOST_BYTES + 1, 1]

    async def asked() -> None:
        questions = Expectations(Configuration("h"))
        for _ in range(3):
            await questions.of(order("a"), AT, None)

    asyncio.run(asked())
    assert [stub.ended for stub in started] == [True, False]


def test_a_question_is_asked_once_and_too_many_are_refused(monkeypatch):
    asked, go = [], threading.Event()

    def slow(history, order, settings, min_grade):
        asked.append(settings["air"])
        assert go.wait(SECONDS)
        return {"air": settings["air"]}, 0

    monkeypatch.setattr("optimizer.service.answers.model_process.expected", slow)

    async def together() -> None:
        questions = Expectations(Configuration("h", planners=0, waiting=2))
        waiting = [
            asyncio.create_task(questions.of(order("a"), {"air": air}, None))
            for air in (1.0, 1.0, 2.0)
        ]
        await asyncio.sleep(0)
        await asyncio.sleep(0)
        with pytest.raises(Problem, match="2 questions are waiting already") as refused:
            await questions.of(order("a"), {"air": 3.0}, None)
        assert (refused.value.status, "Retry-After" in refused.value.headers) == (429, True)
        go.set()
        assert await asyncio.gather(*waiting) == [{"air": 1.0}, {"air": 1.0}, {"air": 2.0}]
        await questions.close()

    asyncio.run(together())
    assert asked == [1.0, 2.0]
