"""Plans, diagnoses and comparisons of plants that lack some of the five settings, hold them by the
brief, or declare settings of their own."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pytest

from cli.show.diagnosis import diagnosis as told_diagnosis
from cli.show.plan import plan as told_plan
from optimizer.comparison.basis import choose_basis
from optimizer.comparison.comparing import compare
from optimizer.diagnostics.diagnosis import diagnose
from optimizer.history.snapshot import Snapshot
from optimizer.planning.planner import suggest
from optimizer.plant.brief import Brief
from optimizer.plant.region import Region
from optimizer.plant.settings import GRAVITY_TABLE, Setting, SettingSpace
from optimizer.plant.site import Site
from optimizer.simulation import demo_deck, demo_material

NAMES = GRAVITY_TABLE.names
RIFFLES = Setting("riffle_height", "mm", 0.0, 10.0, 1.0)
GAP = Setting("gap", "mm", 1.0, 5.0, 0.5)
# Where the demo deck stands while a setting is not moved.
USUAL = {
    "feed_rate": 2.0,
    "end_raise": 2.5,
    "side_tilt": 2.0,
    "eccentric_speed": 450.0,
    "air": 37.0,
}
RUNS = 14
BY_BED = "depth of the bed and a moving cut explain it"
BY_BED_AND_EXPOSURE = "depth of the bed, exposure and a moving cut explain it"
# What a deck is said to do where no known setting moves it.
PLAIN = (
    "each setting has an effect of its own",
    "the settings act only in combination",
    "wanted and unwanted material",
    "a few gentle curves",
)


def plant(*names: str, more: tuple[Setting, ...] = ()) -> SettingSpace:
    return SettingSpace((*more, *(GRAVITY_TABLE[n] for n in names)))


def runs_of(space: SettingSpace, still: tuple[str, ...] = (), n: int = RUNS) -> pa.Table:
    """Runs of the demo deck, whose settings that the plant lacks or holds ``still`` never move."""
    rng = np.random.default_rng(0)
    region = Region.whole(GRAVITY_TABLE).narrow("air", 25.0, 50.0, "the deck runs even there")
    five = GRAVITY_TABLE.values(region.sample(n, rng))
    for j, name in enumerate(NAMES):
        if name not in space.names or name in still:
            five[:, j] = USUAL[name]
    read = demo_deck("deck-1").measure(five, demo_material(), rng)
    moved = dict(zip(NAMES, five.T, strict=True))
    hours = [3_600_000_000 * k for k in range(n)]
    return pa.table(
        {
            "run_id": [f"r{k}" for k in range(n)],
            "line": ["deck-1"] * n,
            "started_at": pa.array(hours, pa.timestamp("us", "UTC")),
            "material": pa.nulls(n, pa.string()),
            **{
                s.name: moved[s.name]
                if s.name in moved
                else s.values(rng.integers(0, s.top + 1, n))
                for s in space.settings
            },
            "grade": pa.array(read.grade, from_pandas=True),
            "recovery": pa.array(read.recovery, from_pandas=True),
            "deck_state": list(read.deck_state),
            "grade_count": [400] * n,
            "feed_grade": [0.93] * n,
        }
    )


@dataclass(frozen=True)
class Case:
    """A plant, the settings that never moved in its runs, those that the brief fixes, and how what
    its runs favor may begin."""

    space: SettingSpace
    fixed: tuple[tuple[str, float], ...] = ()
    still: tuple[str, ...] = ()
    told: tuple[str, ...] = (BY_BED_AND_EXPOSURE,)

    @property
    def brief(self) -> Brief:
        """A brief of one trial."""
        limits = {name: {"fixed": value} for name, value in self.fixed}
        asked = {"goal": {"min_grade": 0.95}, "limits": limits, "trials": {"count": 1}}
        return Brief.from_dict(asked)


CASES = {
    "four settings": Case(plant(*(n for n in NAMES if n != "end_raise"))),
    "three settings": Case(plant("feed_rate", "side_tilt", "air"), told=(BY_BED,)),
    "one of four fixed": Case(
        plant(*(n for n in NAMES if n != "eccentric_speed")), (("feed_rate", 1.7),)
    ),
    "two of five fixed and never moved": Case(
        GRAVITY_TABLE,
        (("end_raise", 2.5), ("eccentric_speed", 450.0)),
        ("end_raise", "eccentric_speed"),
        (BY_BED_AND_EXPOSURE, *PLAIN),
    ),
    "six settings": Case(plant(*NAMES, more=(RIFFLES,)), (("riffle_height", 3.0), ("air", 37.0))),
    "no known setting": Case(plant(more=(RIFFLES, GAP)), told=PLAIN),
}


@pytest.mark.usefixtures("small_plans")
@pytest.mark.parametrize("name", CASES)
def test_every_plant_gets_a_plan_a_diagnosis_and_a_comparison(name):
    case = CASES[name]
    site, runs = Site(base=case.space), runs_of(case.space, case.still)
    plan = suggest(Snapshot.of_table(runs), site, case.brief).as_dict()
    diagnosis = diagnose(runs, site, case.brief)
    (found,) = diagnosis.lines
    compared = compare(Snapshot.of_table(runs), site, case.brief, workers=1).as_dict()
    # What the runs favor stands in plan and diagnosis; the weights are shares of an average.
    texts = told_plan(plan), told_diagnosis(diagnosis.as_dict())
    for answer, text in zip((plan, found.as_dict()), texts, strict=True):
        told = answer["description"]
        assert told["says"] in " ".join(text.split())
        start = told["says"].split(": ", 1)[1]
        assert start.startswith(case.told), told
        assert sum(told["weights"].values()) == pytest.approx(1.0, abs=1e-3)
    # The answers have the settings of the plant, and keep what the brief fixes.
    (line,) = compared["lines"]
    (trial,) = plan["recommendations"]
    for answer in (trial, plan["run_now"], line["attainable"]):
        assert tuple(answer["settings"]) == case.space.names
        for setting, value in case.fixed:
            assert answer["settings"][setting] == pytest.approx(value)
    # A setting that never moved has no effect to report, and the plan says that it is unknown.
    assert found.sensitivity.names == case.space.names
    for j, setting in enumerate(case.space.names):
        still = setting in case.still
        assert (found.sensitivity.low[j] == found.sensitivity.high[j]) == still
    unknown = [f"{setting} was {USUAL[setting]:g} in every run" for setting in case.still]
    assert [w.split(":")[0] for w in plan["warnings"] if "in every run" in w] == unknown


def test_a_comparison_is_at_the_feed_rate_that_the_brief_allows():
    space = plant("feed_rate", "side_tilt", "air")
    runs = runs_of(space)
    rates = []
    for limit in ({}, {"fixed": 1.2}, {"low": 3.0}, {"high": 1.0}):
        asked = Brief.from_dict({"goal": {"min_grade": 0.95}, "limits": {"feed_rate": limit}})
        basis = choose_basis({"deck-1": runs}, Site(base=space), asked, None)
        rates.append(basis.feed_rate)
    usual = rates[0]
    assert 1.2 < usual < 3.0
    assert rates[1:] == [1.2, 3.0, 1.0]
