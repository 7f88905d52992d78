"""Units in use: every unit that a site may declare, from a log to a recorded result."""

from __future__ import annotations

import csv
import io
import json

import numpy as np
import pytest

from optimizer import History, Site, load_logs
from optimizer.intake.settling.load import load_table, load_trial_sheet, schema_of
from optimizer.operations.recording import record
from optimizer.planning.planner import plan_of
from optimizer.planning.situation import situation_of
from optimizer.plant.brief import Brief
from optimizer.plant.units import stored_unit_of, unit_factor
from optimizer.presentation.sheet_csv import sheet_csv
from optimizer.service.pages.shared.forms import result_row

RANGES = {
    "feed_rate": {"t/h": (0.5, 4, 0.1), "kg/h": (500, 4000, 50), "lb/h": (1000, 8000, 100),
                  "short_ton/h": (0.5, 4, 0.1), "kg/min": (8, 60, 1)},
    "end_raise": {"deg": (0.5, 5, 0.1), "rad": (0.01, 0.09, 0.002), "in": (0.25, 4, 0.25),
                  "mm": (5, 100, 1), "cm": (0.5, 10, 0.1), "marks": (1, 20, 0.5)},
    "side_tilt": {"degrees": (0.5, 4.5, 0.1), "in": (0.25, 4, 0.25), "mm": (5, 100, 1),
                  "notch": (1, 12, 1), "turns": (0, 15, 0.25)},
    "eccentric_speed": {"rpm": (300, 600, 5), "Hz": (5, 10, 0.1), "1/min": (300, 600, 5),
                        "%": (30, 100, 1), "division": (0, 50, 1)},
    "air": {"turn": (0, 90, 1), "%": (0, 100, 1), "mm": (0, 60, 1), "notch": (0, 12, 1),
            "m3/h": (500, 4000, 50), "Pa": (100, 900, 10), "": (0, 10, 1)},
}  # fmt: skip
UNITS = [(name, unit) for name, units in RANGES.items() for unit in units]
MIDDLE = {"feed_rate": 2.0, "end_raise": 2.5, "side_tilt": 2.2, "eccentric_speed": 450, "air": 40}


def declared(name, unit, **more):
    low, high, step = RANGES[name][unit]
    table = {"unit": unit, "low": low, "high": high, "step": step}
    return Site.from_dict({"settings": {name: table}, **more})


@pytest.mark.parametrize(("name", "unit"), UNITS)
def test_every_unit_of_a_setting_works_from_load_to_record(name, unit, tmp_path):
    """Loads, plans, prints a sheet, fills it in, and records by sheet, page and HTTP."""
    site, history = declared(name, unit), History(tmp_path / "history")
    low, high, step = RANGES[name][unit]
    values = [round(low + step * k, 6) for k in (1, 3)]
    rows = [
        {"line": "a", **MIDDLE, name: value, "grade": 0.98 - k / 1000, "recovery": 0.9 + k / 100}
        for k, value in enumerate(values)
    ]
    assert load_table(rows, history, site).added == len(rows)
    brief = Brief.from_dict({"line": "a", "goal": {"min_grade": 0.97}, "trials": {"count": 2}})
    plan = plan_of(situation_of(history.at(), site, brief)).as_dict()
    assert plan["units"][name] == unit
    settings = plan["recommendations"][0]["settings"]
    assert low <= settings[name] <= high
    # Fill in the sheet and read it back.
    sheet = list(csv.DictReader(io.StringIO(sheet_csv(plan))))
    for k, trial in enumerate(sheet):
        trial |= {"grade [%]": f"98.{k}", "recovery [%]": "91"}
    with (tmp_path / "sheet.csv").open("w", newline="") as file:
        writer = csv.DictWriter(file, list(sheet[0]))
        writer.writeheader()
        writer.writerows(sheet)
    done = load_trial_sheet(tmp_path / "sheet.csv", history, site, line="a")
    assert (done.added, done.rejects) == (2, ())
    # Numbers without units, in the declared units: as a form of the page and as a row over HTTP.
    form = {f"s.{k}": str(v) for k, v in settings.items()}
    posted = result_row({**form, "line": "a", "grade": "97.9", "recovery": "90.5"}, site)
    sent = json.loads(json.dumps({**MIDDLE, **settings, "grade": 0.981, "recovery": 0.905}))
    for row in (posted, {"line": "a", **sent}):
        assert load_table([row], history, site).rejects == ()
    # The exported values equal the recorded values.
    back = set(history.at().runs(site=site)[name].to_pylist())
    assert {*values, *(t["settings"][name] for t in plan["recommendations"])} <= back


@pytest.mark.parametrize("unit", ["%", "Percent", "fraction", "g/kg"])
def test_every_unit_of_the_feed_grade_works_from_load_to_record(unit, tmp_path):
    by = unit_factor(unit, "")
    ends = {"unit": unit, "low": 0.5 / by, "high": 1 / by}
    site, history = Site.from_dict({"material": {"feed_grade": ends}}), History(tmp_path / "h")
    rows = [
        {"line": "a", **MIDDLE, "air": 35 + k, "grade": 0.98 - k / 1000, "recovery": 0.9 + k / 100,
         "feed_grade": (0.93 + k / 1000) / by}
        for k in range(2)
    ]  # fmt: skip
    assert load_table(rows, history, site).added == 2
    brief = Brief.from_dict({"line": "a", "trials": {"count": 1}})
    plan = plan_of(situation_of(history.at(), site, brief)).as_dict()
    assert plan["material"]["feed_grade"] == pytest.approx(0.9305 / by)
    result = {**rows[0], "air": 50, "feed_grade": "95.5%"}
    done = record(history, site, [result], brief)
    assert (done.load.added, done.failure) == (1, None)
    assert max(history.at().runs()["feed_grade"].to_pylist()) == pytest.approx(0.955)


def test_a_height_stays_a_height_and_converts_to_no_angle(tmp_path):
    assert stored_unit_of("end_raise", "in") == "mm"
    site, history = declared("end_raise", "in"), History(tmp_path / "history")
    row = {"line": "a", **MIDDLE, "end_raise [mm]": 50.8, "grade": 0.98, "recovery": 0.9}
    row.pop("end_raise")
    assert load_table([row], history, site).added == 1
    assert history.at().runs(site=site)["end_raise"].to_pylist() == [2.0]
    row["end_raise [deg]"] = row.pop("end_raise [mm]")
    with_degrees = load_table([row], history, site)
    assert "cannot be turned into 'in'" in str(with_degrees.files[0].error)


# ------------------------------------------------------------------ numbers as typed


def test_numbers_are_exported_as_typed(tmp_path):
    site, history = declared("feed_rate", "lb/h"), History(tmp_path / "history")
    typed = [3500.0, 4444.4, 1234.5, 7001.7]
    rows = [
        {"line": "a", **MIDDLE, "feed_rate": rate, "grade": 0.98, "recovery": 0.9} for rate in typed
    ]
    load_table(rows, history, site)
    history.at().export(tmp_path / "runs.csv", site)
    text = (tmp_path / "runs.csv").read_text()
    assert [f'"a",,,,{rate:g},' in text for rate in typed] == [True] * len(typed), text
    assert load_logs([tmp_path / "runs.csv"], history, site).added == 0


def test_runs_stored_by_an_earlier_program_are_recognized_and_exported_without_noise(tmp_path):
    """Conversions once left rounding noise: 3500 lb/h was stored too high by one ulp."""
    site, history = declared("feed_rate", "lb/h"), History(tmp_path / "history")
    rows = [
        {"line": "a", **MIDDLE, "feed_rate": 3000.0 + 7 * k, "grade": 0.98, "recovery": 0.9}
        for k in range(50)
    ]
    first = History(tmp_path / "first")
    load_table(rows, first, site)
    stored = first.at().runs()
    at = stored.column_names.index("feed_rate")
    noisy = np.nextafter(stored["feed_rate"].to_numpy(), np.inf)
    history.append(stored.set_column(at, "feed_rate", [noisy]).cast(schema_of(site)))
    again = load_table(rows, history, site)
    assert (again.added, again.already_known) == (0, 50)
    back = sorted(history.at().runs(site=site)["feed_rate"].to_pylist())
    assert back == [row["feed_rate"] for row in rows]
