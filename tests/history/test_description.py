"""A history describes itself: units and meanings of its columns, and the site file behind it."""

from __future__ import annotations

import hashlib
import json
import tomllib

import pytest

from optimizer import History, InputError, Site
from optimizer.history.description import Units, described_by, description_of
from optimizer.history.schema import schema_of
from optimizer.intake.settling.load import load_table
from optimizer.plant.settings import GRAVITY_TABLE, SettingSpace
from tests.history.runs import run

TURNS = """
[settings.air]
unit = "turn"
low = 0.0
high = 80.0
step = 1.0

[material.temperature]
unit = "degC"
low = 0.0
high = 60.0

[material.bulk_density]
unit = "kg/m3"
low = 100.0
high = 1000.0

[material.moisture]
unit = "%"
low = 1.0
high = 30.0

[columns]
"Feed kg/h" = "feed_rate [kg/h]"
"""
OTHER_UNITS = (
    TURNS.replace('"degC"\nlow = 0.0\nhigh = 60.0', '"degF"\nlow = 32.0\nhigh = 140.0')
    .replace('"kg/m3"\nlow = 100.0\nhigh = 1000.0', '"lb/ft3"\nlow = 6.0\nhigh = 63.0')
    .replace('"%"\nlow = 1.0\nhigh = 30.0', '"fraction"\nlow = 0.01\nhigh = 0.3')
)
MATERIAL = {"temperature": 20.0, "bulk_density": 640.0, "moisture": 11.2}


def site(text=TURNS):
    return Site.from_dict(tomllib.loads(text), "site.toml")


@pytest.fixture
def history(tmp_path):
    found = History(tmp_path / "history")
    assert load_table([run(**MATERIAL)], found, site()).added == 1
    return found


def described(history):
    return [event for event in history.at().events if event.what == "described"]


def stored(history, *names):
    return history.at().runs().sort_by("air").select(list(names)).to_pylist()


# ------------------------------------------------------------------ what is stored, and when


def test_the_first_load_stores_the_description_in_its_own_commit(history):
    (event,) = described(history)
    assert (history.version, event.version) == (0, 0)
    about = event.about
    assert about["lines"]["A"]["air"] == {"stored": "turn", "declared": "turn"}
    assert about["columns"]["temperature"] == {"stored": "degC", "declared": "degC"}
    assert about["columns"]["grade"] == {"stored": "", "declared": ""}
    assert about["meanings"].keys() == set(schema_of(site()).names)
    assert {k: about["meanings"][k] for k in ("air", "moisture", "grade", "started_at")} == {
        "air": "setting", "moisture": "material", "grade": "fraction", "started_at": "time",
    }  # fmt: skip
    assert about["headings"] == {"Feed kg/h": "feed_rate [kg/h]"}


def test_the_fingerprint_is_the_hash_of_the_parsed_content(history):
    plain = json.dumps(tomllib.loads(TURNS), sort_keys=True, separators=(",", ":"))
    assert site().fingerprint == hashlib.sha256(plain.encode()).hexdigest()
    assert history.at().description.fingerprint == site().fingerprint
    assert site("# a comment\n" + TURNS).fingerprint == site().fingerprint
    assert site(TURNS.replace("80.0", "81.0")).fingerprint != site().fingerprint


def test_only_a_change_is_described_again(history):
    assert load_table([run(air=31)], history, site()).added == 1
    assert len(described(history)) == 1
    wider = site(TURNS.replace("high = 80.0", "high = 85.0"))
    assert load_table([run(air=31)], history, wider).added == 0
    assert len(described(history)) == 1  # a load without a new run makes no commit
    assert load_table([run(air=32, line="B")], history, wider).added == 1
    later = described(history)[1]
    assert later.about["lines"].keys() == {"B"}
    assert later.about["columns"] == later.about["meanings"] == {}
    assert later.about["fingerprint"] == wider.fingerprint
    assert history.at(0).description.lines.keys() == {"A"}
    assert history.at().description.lines.keys() == {"A", "B"}


def test_a_history_without_a_description_is_described_by_the_next_load(tmp_path):
    source, history = History(tmp_path / "with"), History(tmp_path / "without")
    load_table([run(), run(line="B")], source, site())
    history.append(source.at().runs())
    assert not described(history)
    assert history.at().runs(site())["air"].to_pylist() == [30.0, 30.0]
    load_table([run(line="C")], history, site())
    assert history.at().description.lines.keys() == {"A", "B", "C"}


def test_folding_gives_what_was_described(history):
    now = described_by(site(), ["A"])
    found = description_of(history.at().events)
    assert found.as_dict() == now.as_dict()
    assert description_of(()).fingerprint is None


# ------------------------------------------------------------------ units that convert


def test_stored_material_is_read_in_the_unit_declared_now(history):
    (read,) = history.at().runs(site(OTHER_UNITS)).select(list(MATERIAL)).to_pylist()
    assert read["temperature"] == 68.0  # 20 * 9 / 5 + 32
    assert read["moisture"] == 0.112
    # 1 lb/ft3 is 16.01846 kg/m3 (NIST SP 811, appendix B.9).
    assert read["bulk_density"] == pytest.approx(640.0 / 16.01846, rel=1e-6)


def test_a_column_keeps_its_unit_whatever_is_declared_later(history):
    new = {"temperature": 98.6, "bulk_density": 40.0, "moisture": 0.1}
    assert load_table([run(air=31, **new)], history, site(OTHER_UNITS)).added == 1
    first, second = stored(history, "air", *MATERIAL)
    assert first == {"air": 30.0, **MATERIAL}
    assert second["temperature"] == 37.0
    assert second["moisture"] == pytest.approx(10.0)
    assert second["bulk_density"] == pytest.approx(640.7384, rel=1e-6)
    units = history.at().description.columns["temperature"]
    assert (units.stored, units.declared) == ("degC", "degF")
    assert history.at(0).description.columns["temperature"].declared == "degC"


def test_the_same_log_in_other_units_adds_nothing(history):
    again = run(temperature=68.0, bulk_density=39.95389, moisture=0.112)
    assert load_table([again], history, site(OTHER_UNITS)).already_known == 1


def test_a_heading_may_state_another_scale(history):
    row = run(air=31)
    row["temperature [degF]"] = 98.6
    assert load_table([row], history, site()).added == 1
    assert stored(history, "temperature")[1]["temperature"] == 37.0


def test_a_range_is_compared_in_the_unit_that_is_declared(history):
    hot = load_table([run(air=31, temperature=150)], history, site(OTHER_UNITS))
    assert hot.rejects[0]["reason"].startswith(
        "temperature 150 is outside the declared range: expected a number from 32 to 140 degF"
    )


def test_readings_over_time_are_exported_in_the_unit_declared_now(tmp_path):
    history = History(tmp_path / "history")
    rows = [run(started_at=f"2025-03-01 10:0{k}", **MATERIAL) for k in range(5)]
    from optimizer import load_logs

    log = tmp_path / "log.csv"
    log.write_text("\n".join([",".join(rows[0]), *(",".join(map(str, r.values())) for r in rows)]))
    load_logs(log, history, site(), samples=True)
    history.export_readings(tmp_path / "out.csv", site(OTHER_UNITS))
    assert ",68," in (tmp_path / "out.csv").read_text().splitlines()[1]


# ------------------------------------------------------------------ units that do not convert


def test_a_unit_that_cannot_be_converted_is_refused_on_reading_and_on_loading(history):
    bars = site(TURNS.replace('"degC"', '"bar"'))
    for work in (
        lambda: history.at().runs(bars),
        lambda: history.at().summary(bars),
        lambda: load_table([run(air=31)], history, bars),
        lambda: load_table([run(line="new")], history, bars),
    ):
        with pytest.raises(InputError, match="temperature in 'degC'") as stop:
            work()
        assert stop.value.code == "mixed-units"
        assert stop.value.message.startswith("site.toml: [material.temperature]")
        assert "'bar'" in stop.value.message
    assert history.version == 0


def test_a_unit_said_only_later_does_not_relabel_the_numbers(tmp_path):
    """Numbers without a unit may have been per cent; nobody but the plant knows."""
    unsaid = "[material.moisture]\nlow = 1.0\nhigh = 30.0\n"
    said = unsaid + 'unit = "%"\n'
    history = History(tmp_path / "history")
    load_table([run(moisture=11.2)], history, site(unsaid))
    with pytest.raises(InputError, match="in no unit and the site declares '%'"):
        history.at().runs(site(said))
    alike = site(said + 'was = [{ unit = "", at = [[0, 0], [1, 1]] }]\n')
    assert history.at().runs(alike)["moisture"].to_pylist() == [11.2]
    row = run(air=31)
    row["moisture [%]"] = 12
    assert load_table([row], history, alike).added == 1
    assert [r["moisture"] for r in stored(history, "moisture")] == [11.2, 12.0]


def test_the_example_in_the_message_works(history):
    per_cent = TURNS.replace('unit = "turn"', 'unit = "%"')
    with pytest.raises(InputError) as stop:
        history.at().runs(site(per_cent))
    example = "was = " + stop.value.hint.partition("was = ")[2].partition("}]")[0] + "}]"
    assert 'unit = "turn"' in example
    mended = site(per_cent.replace("step = 1.0\n", f"step = 1.0\n{example}\n"))
    assert history.at().runs(mended)["air"].to_pylist() == [pytest.approx(30 / 90 * 80)]


# ------------------------------------------------------------------ dropped variables


def test_a_dropped_variable_is_said(history):
    dropped = site(TURNS.replace("moisture", "water"))
    report = load_table([run(air=31)], history, dropped)
    expected = (
        "the history has 'moisture', which the site file no longer declares; its values are not "
        "used"
    )
    assert report.added == 1
    assert report.warnings == (expected,)
    assert load_table([run(air=32)], history, site()).warnings == (
        expected.replace("moisture", "water"),
    )


def test_a_setting_that_the_site_no_longer_has_keeps_its_unit(history):
    fewer = SettingSpace(tuple(s for s in GRAVITY_TABLE.settings if s.name != "air"))
    now = described_by(Site(base=fewer), ["A"], history.at().description)
    assert now.units("air", "A") == Units("turn", "turn")
    assert "air" not in described_by(Site(base=fewer), ["A"]).lines["A"]
