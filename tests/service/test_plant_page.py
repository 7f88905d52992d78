"""The page Plant without JavaScript: the first visit, the form, its refusals, and the demo."""

from __future__ import annotations

import html
import json
import re
import tomllib
from pathlib import Path

import pytest

from optimizer import History, Site
from optimizer.errors import HistoryError, InputError
from optimizer.operations.demo import season_folder
from optimizer.plant.settings import GRAVITY_TABLE
from optimizer.plant.site_document import merged
from optimizer.service.exchange.configuration import Configuration
from optimizer.service.http.app import create_app
from optimizer.service.pages.plant.plant_form import read_plant
from optimizer.service.pages.plant.shown_plant import fields_of, told
from tests.conftest import names_of_before
from tests.service.test_service import READ, RECORD, TOKENS, client_of, row
from tests.serving import SECONDS

HTML = {"Accept": "text/html"}
BY_HAND = """\
# Written by hand.
[site]
name = "River mill"

[settings.air]
unit = "turn"   # of the knob
low = 0
high = 90.0
step = 1

[columns]
"Air gate" = "air"

[lines.deck-1.air]
high = 80
"""


@pytest.fixture
def options(tmp_path) -> Configuration:
    """A service of nothing: neither the site file that it names nor a history exists."""
    return Configuration(str(tmp_path / "history"), str(tmp_path / "site.toml"), rate=0, planners=0)


@pytest.fixture
def client(options):
    with client_of(options, **HTML) as made:
        yield made


def site_path(options) -> Path:
    return Path(options.site)


def fields(page: str) -> dict[str, str]:
    """The fields of the form as a browser would send them, without a button."""
    (form,) = re.findall(r'<form class="plant".*?</form>', page, re.S)
    found = {}
    for tag in re.findall("<input [^>]*>", form):
        parts = dict(re.findall(r'([\w-]+)="([^"]*)"', tag))
        found[parts["name"]] = html.unescape(parts.get("value", ""))
    for name, options_of in re.findall(r'<select name="([^"]*)".*?>(.*?)</select>', form, re.S):
        chosen = re.search(r'<option value="([^"]*)" selected', options_of)
        found[name] = chosen[1] if chosen else ""
    return found


def faults(page: str) -> dict[str, str]:
    """What is wrong, by the field beside which it stands."""
    found = re.findall(r'<p class="fault" id="fault-([^"]*)">([^<]*)</p>', page)
    for name, _ in found:  # the field itself says so too
        (tag,) = re.findall(rf'<(?:input|select) name="{re.escape(name)}"[^>]*>', page)
        assert 'aria-invalid="true"' in tag
        assert f"fault-{name}" in tag
    return {name: html.unescape(text) for name, text in found}


def opened(client) -> dict[str, str]:
    page = client.get("/plant")
    assert page.status_code == 200
    return fields(page.text)


def send(client, given: dict[str, str], act: str = "save", **more: str):
    return client.post("/plant", data={**given, **more, "act": act}, follow_redirects=False)


def saved(client, given: dict[str, str], **more: str) -> None:
    done = send(client, given, **more)
    assert (done.status_code, done.headers.get("location")) == (303, "/plant?saved=yes"), done.text
    assert ">Saved<" in client.get("/plant?saved=yes").text


def audit(options) -> list[dict]:
    trail = (options.folder / "audit.jsonl").read_text(encoding="utf-8")
    return [json.loads(line) for line in trail.splitlines()]


# -- the first visit --------------------------------------------------------------------------


def test_the_first_visit_is_led_to_the_description_of_the_plant(client, options):
    first = client.get("/", follow_redirects=False)
    assert (first.status_code, first.headers["location"]) == (303, "/plant")
    page = client.get("/plant").text
    assert "<h1>Welcome</h1>" in page
    for way in ('href="#describe"', 'href="/upload"', 'action="/plant/demo"'):
        assert way in page
    assert client.get("/?line=deck-1").status_code == 200  # who knows what to ask for may ask


@pytest.mark.parametrize("there", ["site file", "history"])
def test_later_visits_are_not_led_away(options, there):
    if there == "site file":
        site_path(options).write_text(BY_HAND, encoding="utf-8")
    with client_of(options, **HTML) as client:
        if there == "history":
            client.post("/v1/runs", json=[row(1)])
        assert client.get("/", follow_redirects=False).status_code == 200
        page = client.get("/plant").text
    assert "<h1>Plant</h1>" in page
    assert 'action="/plant/demo"' not in page


def test_the_form_of_a_new_plant_shows_the_defaults_and_says_that_they_are_assumed(client):
    page = client.get("/plant").text
    given = fields(page)
    for setting in GRAVITY_TABLE.settings:
        shown = [given[f"s.{setting.name}.{name}"] for name in ("unit", "low", "high", "step")]
        assert shown == [
            setting.unit,
            *(f"{x:g}" for x in (setting.low, setting.high, setting.step)),
        ]
    assert (given["site.name"], given["site.time_zone"], given["site.mass"]) == (
        "my plant",
        "UTC",
        "t",
    )
    assert "All values below are <b>assumed</b>" in page
    assert page.count('<span class="state">assumed</span>') == len(GRAVITY_TABLE.names) + 4
    saved(client, given)
    assert "assumed" not in client.get("/plant").text.partition("</style>")[2]


def test_a_service_whose_site_file_is_missing_starts_only_without_runs(options, tmp_path):
    create_app(options)
    with client_of(options) as client:
        client.post("/v1/runs", json=[row(1)])
    with pytest.raises(InputError, match=r"site file '.*site\.toml' does not exist"):
        create_app(options)


# -- saving ---------------------------------------------------------------------------------------


def test_a_new_plant_is_saved_and_used(client, options):
    given = send(client, opened(client), "line", **{"l.0.name": "deck-1"}).text
    given = fields(send(client, fields(given), "property", **{"l.1.name": "deck 2"}).text)
    assert (given["lines"], given["properties"]) == ("2", "1")
    more = {
        "site.name": "River mill", "site.mass": "lb", "site.time_zone": "America/Bogota",
        "s.air.high": "60,5", "s.air.step": "0.5", "s.air.max_change": "5",
        "l.1.air.high": "50", "m.0.name": "bulk density", "m.0.unit": "kg/m3",
        "m.0.low": "600", "m.0.high": "760", "f.unit": "%", "f.low": "80", "f.high": "99",
        "name": "M.",
    }  # fmt: skip
    saved(client, given, **more)
    site = Site.read(options.site)
    assert (site.name, site.mass.name, site.time_zone.name) == (
        "River mill",
        "lb",
        "America/Bogota",
    )
    assert (site.space["air"].high, site.space["air"].step, site.space["air"].max_change) == (
        60.5,
        0.5,
        5,
    )
    assert site.space_of("deck 2")["air"].high == 50
    assert site.space_of("deck-1")["air"].high == 60.5
    assert (site.material["bulk_density"].unit, site.material["bulk_density"].low) == ("kg/m3", 600)
    assert site.feed_grade_scale == 0.01
    assert "# Ranges are what the deck can really be set to" in site_path(options).read_text(
        "utf-8"
    )
    (entry,) = audit(options)
    assert (entry["did"], entry["who"], entry["signed"]) == ("site", "local", "M.")
    assert (entry["before"], entry["fingerprint"]) == (None, site.fingerprint)
    # Every page uses it at once: lines without runs can be chosen, properties are asked for.
    today = client.get("/").text
    assert "River mill" in today
    assert re.findall(r'href="/\?choose=[^"]*">([^<]*)</a>', today) == ["deck 2", "deck-1"]
    assert 'name="m.bulk_density"' in client.get("/?choose=deck-1").text


def test_checking_saves_nothing(client, options):
    page = send(client, opened(client), "check", **{"s.air.high": "70"})
    assert page.status_code == 200
    assert "Checked: nothing is wrong" in page.text
    assert fields(page.text)["s.air.high"] == "70"
    assert not site_path(options).exists()


def test_a_hand_written_file_keeps_what_the_form_does_not_show(options):
    site_path(options).write_text(BY_HAND, encoding="utf-8")
    with client_of(options, **HTML) as client:
        given = opened(client)
        assert given["l.0.air.high"] == "80"
        saved(client, given, **{"s.air.high": "85", "l.0.air.high": "75"})
    text = site_path(options).read_text(encoding="utf-8")
    for kept in ("# Written by hand.", "# of the knob", '"Air gate" = "air"', "[lines.deck-1.air]"):
        assert kept in text
    site = Site.read(options.site)
    assert (site.space["air"].high, site.space_of("deck-1")["air"].high) == (85, 75)


def test_a_line_or_property_whose_name_is_emptied_goes(options):
    site_path(options).write_text(BY_HAND, encoding="utf-8")
    with client_of(options, **HTML) as client:
        given = fields(send(client, opened(client), "property").text)
        more = {"m.0.name": "moisture", "m.0.unit": "%", "m.0.low": "8", "m.0.high": "16"}
        saved(client, given, **more)
        assert "moisture" in Site.read(options.site).material
        saved(client, opened(client), **{"m.0.name": "", "l.0.name": ""})
    content = tomllib.loads(site_path(options).read_text(encoding="utf-8"))
    assert list(content["material"]) == ["feed_grade"]
    assert "lines" not in content


def test_lines_of_the_history_are_offered_and_their_differences_said(options):
    with client_of(options, **HTML) as client:
        with names_of_before():
            client.post("/v1/runs", json=[row(1), row(2, line="deck\x1b2")])
        given = opened(client)
        assert given["l.0.name"] == "deck-1"
        assert given["lines"] == "1"  # a name that no form can send back stays out of it
        saved(client, given, **{"l.0.name": "deck-7"})
        page = html.unescape(client.get("/plant?saved=yes").text)
    assert "The history has line 'deck-1', which the site file does not declare." in page
    assert "The site file declares line 'deck-7', which has no runs." in page


def test_a_line_whose_name_no_page_can_show_stays_in_the_file(options):
    text = BY_HAND + '\n[lines."deck\\u001b2".air]\nhigh = 70\n'
    site_path(options).write_text(text, encoding="utf-8")
    with client_of(options, **HTML) as client:
        saved(client, opened(client), **{"l.0.air.high": "75"})
    site = Site.read(options.site)
    assert [site.space_of(line)["air"].high for line in ("deck-1", "deck\x1b2")] == [75, 70]


def test_a_file_that_does_not_fit_the_history_can_be_mended_here(options):
    with client_of(options, **HTML) as client:
        client.post("/v1/runs", json=[row(1, air=45)])
        site_path(options).write_text(BY_HAND.replace('"turn"', '"%"'), encoding="utf-8")
        assert client.get("/").status_code == 422  # commands and plans refuse it
        page = send(client, opened(client), "check")
        assert "Say below what the old values are now" in faults(page.text)["s.air.unit"]
        mended = {"s.air.unit": "turn", "s.air.high": "80", "l.0.air.high": "70"}
        saved(client, fields(page.text), **mended)
        assert client.get("/").status_code == 200


@pytest.mark.usefixtures("small_plans")
def test_pages_tell_masses_in_the_unit_of_the_plant(options, monkeypatch):
    """By hand: 2 t/h for 30 minutes is 1 t; a pound is 0.45359237 kg (NIST SP 811, app. B.8)."""
    for wait in ("shared.waiting.PATIENCE", "ahead.what_if.SOON"):
        monkeypatch.setattr(f"optimizer.service.pages.{wait}", SECONDS)
    site_path(options).write_text('[site]\nmass = "lb"\n', encoding="utf-8")
    brief = {"line": "deck-1", "limits": {"feed_rate": {"fixed": 2.0}}, "trials": {"count": 1}}
    with client_of(options, **HTML) as client:
        plan = client.post("/v1/plans", json=brief).json()
        (trial,) = plan["recommendations"]
        assert (plan["mass_unit"], trial["material_t"]) == ("lb", 1.0)
        assert trial["material_mass"] == pytest.approx(1000 / 0.45359237, abs=1e-5)
        client.post("/v1/batches", json=brief)
        assert "2205 lb of feed, 30 min" in client.get("/batches?batch=deck-1-1").text
        done = {"grade": 0.98, "recovery": 0.9}
        client.post("/v1/batches/deck-1-1/trials/1/result", json=done)
        listed = client.get("/batches").text
        assert "Feed, lb" in listed
        assert '<td class="number">2205</td>' in listed
        assert re.search(r"[0-9]+ lb of feed, 30 min", client.get("/?line=deck-1&trials=1").text)
        assert re.search(r"Lot[^<]*\blb\b", client.get("/?choose=deck-1").text)
        client.post("/v1/runs", json=[row(k, air=30 + k, grade=0.98 + k / 1000) for k in range(8)])
        asked = {f"s.{name}": str(row(0)[name]) for name in GRAVITY_TABLE.names}
        page = client.get("/what-if", params={"line": "deck-1", **asked}).text
        shown = re.search(r"<dt>Product</dt><dd>([0-9]+) lb/h</dd>", page)
        assert 0.9 * 0.93 * 2.0 <= int(shown[1]) * 0.00045359237 <= 2.0  # of 2 t/h of feed


# -- refusals -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("s.air.low", "100", "Low 100 must be below high 90 turn."),
        ("s.air.low", "1,500", "'1,500' is not a number."),
        ("s.air.high", "", "Write a number."),
        ("s.air.step", "0", "Step 0 must be above 0"),
        ("s.air.max_change", "0.5", "The largest move 0.5 is smaller than the step 1."),
        ("s.end_raise.unit", "kg", "'kg' is not a unit of end_raise. Accepted: an angle"),
        ("s.air.unit", "a[b", "cannot stand in the heading of a log"),
        ("f.low", "-1", "-1 to 1 fraction is not a range of a share."),
        ("f.unit", "kg", "'kg' is not a unit of a share."),
        ("site.time_zone", "Europe/Sylt", "Time zone 'Europe/Sylt' is not known."),
        ("site.time_zone", "", "Write the zone of your clocks, or UTC."),
        ("site.name", " ", "Write a name of 1 to 100 characters."),
        ("l.0.air.high", "x", "'x' is not a number."),
        ("l.0.air.low", "95", "Low 95 must be below high 90 turn."),
        ("l.0.air.max_change", "0.2", "The largest move 0.2 is smaller than the step 1."),
        ("m.0.low", "20", "Low 20 must be below high 16."),
        ("m.0.name", "air", "'air' is already a column of every log."),
        ("m.0.name", "50 %", "A material variable is one word of letters, digits and underscores."),
        ("m.0.name", "feed grade", "'feed_grade' stands above already."),
        ("m.0.unit", "[%]", "cannot stand in the heading of a log"),
    ],
)
def test_what_is_wrong_stands_beside_its_field_and_nothing_typed_is_lost(client, name, value, said):
    given = fields(send(client, opened(client), "property", **{"l.0.name": "deck-1"}).text)
    given |= {"m.0.name": "moisture", "m.0.unit": "%", "m.0.low": "8", "m.0.high": "16"}
    page = send(client, given, **{name: value, "s.feed_rate.high": "3.5", "name": "M."})
    assert page.status_code == 422
    found = faults(page.text)
    assert list(found) == [name], found
    assert said in found[name]
    again = fields(page.text)
    assert again[name] == value
    assert (again["s.feed_rate.high"], again["name"]) == ("3.5", "M.")
    assert "This was not saved." in page.text


def test_all_faults_are_said_at_once(client):
    page = send(client, opened(client), **{
        "s.air.low": "100", "s.side_tilt.step": "", "site.mass": "", "l.0.air.low": "5"
    })  # fmt: skip
    assert set(faults(page.text)) == {"s.air.low", "s.side_tilt.step", "site.mass", "l.0.name"}


def test_a_line_or_property_that_stands_twice_is_refused(client):
    given = fields(send(client, opened(client), "line", **{"l.0.name": "deck-1"}).text)
    found = faults(send(client, given, **{"l.1.name": "deck-1"}).text)
    assert found == {"l.1.name": "'deck-1' stands above already."}
    found = faults(send(client, given, **{"l.1.air.high": "50"}).text)
    assert found == {"l.1.name": "Write a name, or empty the other fields."}


def test_a_unit_that_would_mix_is_refused_until_pairs_say_what_old_values_are(client, options):
    client.post("/v1/runs", json=[row(1, air=45)])
    given = opened(client)
    page = send(client, given, **{"s.air.unit": "%", "s.air.high": "100"})
    assert page.status_code == 422
    assert "no formula converts that to '%'" in faults(page.text)["s.air.unit"]
    assert not site_path(options).exists()
    given = fields(page.text)
    assert given["w.air.unit"] == "turn"
    half = send(client, given, **{"w.air.0.old": "0"})
    assert faults(half.text) == {"w.air.0.old": "Write both numbers of a pair, or none."}
    pairs = {"w.air.0.old": "0", "w.air.0.new": "0", "w.air.1.old": "90", "w.air.1.new": "0"}
    falling = faults(send(client, given, **pairs).text)
    assert "Pair [90, 0] must be above pair [0, 0]" in falling["w.air.0.old"]
    pairs["w.air.1.new"] = "100"
    saved(client, given, **pairs)
    site = Site.read(options.site)
    assert History(options.history).at().runs(site)["air"].to_pylist() == [50.0]
    # The other way round the pairs are dropped: they lead to per cent.
    saved(client, opened(client), **{"s.air.unit": "turn", "s.air.high": "90"})
    assert Site.read(options.site).was("air", None) == ()
    assert History(options.history).at().runs(Site.read(options.site))["air"].to_pylist() == [45.0]


def test_a_range_that_stays_while_its_unit_changes_is_asked_about_once(options):
    site_path(options).write_text(BY_HAND, encoding="utf-8")
    with client_of(options, **HTML) as client:
        given = opened(client)
        same = send(client, given, "check", **{"s.air.unit": "turns"})
        assert faults(same.text) == {}  # another spelling of the same unit
        page = send(client, given, **{"s.air.unit": "%", "s.feed_rate.unit": "lb/h"})
        asked = faults(page.text)
        assert set(asked) == {"s.air.high", "l.0.air.high", "s.feed_rate.high"}
        assert asked["s.air.high"].startswith("This was in turn until now. Write it in %;")
        given = fields(page.text)
        page = send(client, given, **{"s.feed_rate.unit": "kg/h"})  # yet another unit
        assert set(faults(page.text)) == {"s.feed_rate.high"}
        saved(client, fields(page.text), **{"s.feed_rate.high": "4000"})
    site = Site.read(options.site)
    assert (site.space["air"].unit, site.space["air"].high) == ("%", 90)
    assert (site.space["feed_rate"].unit, site.space["feed_rate"].high) == ("kg/h", 4000)


def test_a_line_with_a_unit_of_its_own_that_would_mix_is_refused_with_the_remedy(options):
    with client_of(options, **HTML) as client:
        client.post("/v1/runs", json=[row(1)])
        text = BY_HAND.replace(
            "[lines.deck-1.air]", '[lines.deck-1.air]\nunit = "%"\nlow = 0\nstep = 1'
        )
        site_path(options).write_text(text, encoding="utf-8")
        page = send(client, opened(client))
    assert page.status_code == 422
    assert "[lines.deck-1.settings.air]" in html.unescape(page.text)
    assert site_path(options).read_text(encoding="utf-8") == text


def test_what_another_person_saved_meanwhile_is_shown_and_not_overwritten(client, options):
    mine, theirs = opened(client), opened(client)
    saved(client, theirs, **{"s.air.high": "80", "l.0.name": "deck-5"})
    before = site_path(options).read_bytes()
    page = send(client, mine, **{"s.air.high": "70"})
    assert page.status_code == 409
    assert site_path(options).read_bytes() == before
    assert "Another person changed the plant meanwhile" in page.text
    rows = re.findall(r'<tr><th scope="row">(.*?)</th><td>(.*?)</td><td>(.*?)</td></tr>', page.text)
    assert rows == [("air, high", "80", "70"), ("line deck-5", "listed", "–")]
    assert fields(page.text)["s.air.high"] == "70"
    saved(client, fields(page.text))
    assert Site.read(options.site).space["air"].high == 70
    assert [entry["did"] for entry in audit(options)] == ["site", "site"]


def test_a_file_that_was_damaged_meanwhile_is_said_and_left_alone(client, options):
    given = opened(client)
    saved(client, given)
    site_path(options).write_text("[site\n", encoding="utf-8")
    page = client.get("/plant")
    assert "cannot be read as it stands" in page.text
    refused = send(client, fields(page.text))
    assert refused.status_code == 409
    assert "nothing was written" in refused.text
    assert site_path(options).read_text(encoding="utf-8") == "[site\n"


def test_only_recorders_change_the_plant(options):
    with client_of(options, TOKENS, **HTML, Authorization=f"Bearer {READ}") as client:
        page = client.get("/plant").text
        assert 'action="/plant/demo"' not in page
        assert "Save the plant" not in page
        for path in ("/plant", "/plant/demo"):
            assert client.post(path, data={"act": "save"}).status_code == 403
    assert not site_path(options).exists()
    with client_of(options, TOKENS, **HTML, Authorization=f"Bearer {RECORD}") as client:
        # A form that was not given to this browser is refused, whoever sends it.
        assert send(client, opened(client), form_token="x").status_code == 403


def test_a_form_of_too_many_fields_is_refused(client):
    sent = {f"x{k}": "" for k in range(4001)}
    assert send(client, {**opened(client), **sent}).status_code == 422


def test_an_audit_trail_that_cannot_be_written_is_said(client, options, monkeypatch):
    given = opened(client)
    monkeypatch.setattr(
        "optimizer.service.recording.audit.os.open",
        lambda *_: (_ for _ in ()).throw(OSError(28, "No space left on device")),
    )
    page = send(client, given)
    assert page.status_code == 503
    assert "No space left on device" in page.text


# -- the demo -------------------------------------------------------------------------------------


def test_the_demo_loads_the_season_with_its_site_file(client, options):
    form = {"form_token": opened(client)["form_token"]}
    done = client.post("/plant/demo", data=form, follow_redirects=False)
    assert (done.status_code, done.headers["location"]) == (303, "/?line=deck-1")
    assert site_path(options).read_bytes() == (season_folder() / "site.toml").read_bytes()
    assert History(options.history).at().lines == ("deck-1", "deck-2", "deck-3")
    assert [entry["did"] for entry in audit(options)] == ["site", "demo"]
    assert audit(options)[1]["added"] == History(options.history).at().runs().num_rows
    assert "demo mill" in client.get("/").text
    again = client.post("/plant/demo", data=form)
    assert again.status_code == 409
    assert "needs an empty history and no site file" in again.text


@pytest.mark.parametrize("there", ["site file", "history"])
def test_the_demo_is_refused_beside_a_plant_or_runs(options, there):
    if there == "site file":
        site_path(options).write_text(BY_HAND, encoding="utf-8")
    with client_of(options, **HTML) as client:
        if there == "history":
            client.post("/v1/runs", json=[row(1)])
        form = {"form_token": opened(client)["form_token"]}
        refused = client.post("/plant/demo", data=form)
    assert refused.status_code == 409
    assert "needs an empty history and no site file" in refused.text
    assert site_path(options).exists() == (there == "site file")
    assert (History(options.history).at().version is not None) == (there == "history")


def test_a_demo_that_was_interrupted_can_be_made_again(client, options, monkeypatch):
    form = {"form_token": opened(client)["form_token"]}

    def full(*_, **__):
        raise HistoryError("no space left.")

    with monkeypatch.context() as patch:
        patch.setattr("optimizer.operations.demo.load_logs", full)
        assert client.post("/plant/demo", data=form).status_code == 503
    assert client.post("/plant/demo", data=form, follow_redirects=False).status_code == 303


# -- the form -------------------------------------------------------------------------------------


def test_a_form_that_is_sent_back_unchanged_wishes_what_the_file_says():
    season = tomllib.loads((season_folder() / "site.toml").read_text(encoding="utf-8"))
    site = Site.from_dict(season)
    form = read_plant(fields_of(site, site.file.lines, new=False), site, season)
    assert form.faults == {}
    wished = {"settings": form.wish["settings"], "lines": form.wish["lines"]}
    assert wished["lines"]["deck-2"]["feed_rate"] == {
        "low": None, "high": 3.0, "step": None, "max_change": None, "gates": None, "max_taper": None
    }  # fmt: skip
    for name, fields_ in wished["settings"].items():
        assert {k: v for k, v in fields_.items() if v is not None} == season["settings"][name]
    assert list(form.wish["material"]) == ["moisture", "bulk_density", "feed_grade"]


def test_two_forms_are_compared_by_names_not_by_rows():
    one = {"l.0.name": "a", "l.0.air.low": "1", "l.1.name": "b", "lines": "2", "l.0.old": "a"}
    other = {"l.0.name": "b", "l.1.name": "a", "l.1.air.low": "1", "lines": "2"}
    assert (
        told(one)
        == told(other)
        == {"line a": "listed", "line a, air, low": "1", "line b": "listed"}
    )


def test_gates_are_declared_changed_and_taken_away(client, options):
    page = send(client, {**opened(client), "s.air.gates": "3", "s.air.max_taper": "20"}, "check")
    assert {"s.air_1.high", "s.air_3.step"} <= set(fields(page.text))
    saved(client, {**fields(page.text), "s.air_2.high": "70", "s.air_3.low": "10"})
    site = Site.read(site_path(options))
    air = [site.space_of(None)[f"air_{k}"] for k in (1, 2, 3)]
    assert [(s.low, s.high) for s in air] == [(0, 90), (0, 70), (10, 90)]
    assert {s.max_taper for s in air} == {20}
    own = {"l.0.name": "deck-1", "l.0.air.gates": "2"}
    saved(client, {**opened(client), "s.air_2.high": "", **own})
    tables = tomllib.loads(site_path(options).read_text())["settings"]
    assert "air_2" not in tables
    assert tables["air_3"] == {"low": 10}
    assert len(Site.read(site_path(options)).space_of("deck-1").gates["air"]) == 2
    saved(client, {**opened(client), "s.air.gates": "", "s.air.max_taper": "", "l.0.air.gates": ""})
    assert "air" in Site.read(site_path(options)).space_of("deck-1").names
    assert "air_3" not in tomllib.loads(site_path(options).read_text())["settings"]


@pytest.mark.parametrize(
    ("changed", "field", "why"),
    [
        ({"s.air.gates": "1"}, "s.air.gates", "whole number of gates from 2"),
        ({"s.air.max_taper": "20"}, "s.air.max_taper", "no gates that could differ"),
        ({"s.air.gates": "2", "s.air_2.high": "-5"}, "s.air_2.low", "below"),
        ({"l.0.name": "d", "l.0.air.gates": "2.5"}, "l.0.air.gates", "whole number of gates"),
    ],
)  # fmt: skip
def test_what_is_wrong_with_gates_stands_beside_their_field(client, changed, field, why):
    page = send(client, {**opened(client), **changed}, "check")
    assert page.status_code == 422
    assert why in faults(page.text)[field]


def test_gates_stay_when_the_form_is_sent_back():
    content = tomllib.loads(
        BY_HAND.replace("step = 1", "step = 1\ngates = 4\n\n[settings.air_2]\nhigh = 70")
        + "\n[lines.deck-1.air_3]\nhigh = 50\n"
    )
    site = Site.from_dict(content)
    form = read_plant(fields_of(site, ["deck-1"], new=False), site, content)
    assert form.faults == {}
    assert merged(content, form.wish)["settings"]["air"]["gates"] == 4
    again = Site.from_dict(merged(content, form.wish))
    assert again.space_of("deck-1") == site.space_of("deck-1")
