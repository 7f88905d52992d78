"""Predictions of the surrogate on simulated decks: error, coverage and log loss.

    python -m tests.benchmarks.surrogate            # writes reports/surrogate.md, some minutes

Decks are drawn from the simulated families and from a family with an independent law
(``trials.outsider``), which share bed, exposure and cut with the coupled coordinates, and from
three families for development that do not (``trials.other_laws``). Runs are spread over the
settings that run even, or clustered around one habit in which speed and tilt move together. The
truth at unseen settings is compared with the 90 % intervals of sharpness, balance, grade and
recovery, and the bed state with the chance of an even deck. All figures are computed by the average
over all descriptions of a deck and, for comparison, by the coupled description alone, which is
prior knowledge, and by those in the settings alone.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from scipy.special import logit
from threadpoolctl import threadpool_limits

from optimizer.measurement import RunReadings
from optimizer.model.coordinates import to_latent
from optimizer.model.deck_coordinates import DeckCoordinates, deck_coordinates_of
from optimizer.model.deck_state import deck_state_of
from optimizer.model.surrogate import Surrogate
from optimizer.plant.region import Region
from optimizer.plant.settings import GRAVITY_TABLE
from tests.benchmarks.trials.decks import ALL_FAMILIES, draw
from tests.benchmarks.trials.other_laws import OTHER_LAWS

REPORT = Path(__file__).resolve().parents[2] / "reports" / "surrogate.md"
# Descriptions of a deck that compete; None for all.
View = tuple[str, ...] | None
VIEWS: dict[str, View] = {
    "the average": None,
    "the coupled description alone": ("coupled",),
    "the settings alone": ("single", "joint", "shares"),
}
COORDINATES = deck_coordinates_of(GRAVITY_TABLE)
STATE_VIEWS = {"all descriptions": COORDINATES, "without coordinates": None}
ALL = (*ALL_FAMILIES, *OTHER_LAWS)
STATE_RUNS = (12, 30)
LEAST_CHANCE = 1e-4
CASES = (("spread", 12), ("spread", 30), ("spread", 60), ("habit", 80))
DECKS = 8
UNSEEN = 300
MOST_FAILURE = 0.3
# Operators vary the settings a little around their habit and move speed together with tilt.
HABIT_SD, TOGETHER_SD = np.array([0.06, 0.05, 0.05, 0.03, 0.02]), 0.05


def case(family: str, seed: int, kind: str, n: int, view: View) -> dict[str, float]:
    """Coverage and root mean square error on one deck, by quantity."""
    rng = np.random.default_rng(seed)
    deck, material = draw(family, rng)
    values = GRAVITY_TABLE.values(Region.whole(GRAVITY_TABLE).sample(2000, rng))
    even = np.flatnonzero(deck.run(values, material).failure < MOST_FAILURE)
    unseen = values[even[n : n + UNSEEN]]
    settings = values[even[:n]]
    if kind == "habit":
        response = deck.run(values[even], material)
        usual = values[even][np.argmax(response.grade * response.recovery)]
        unit = GRAVITY_TABLE.to_unit(usual) + HABIT_SD * rng.standard_normal((n, 5))
        unit[:, 2:4] += TOGETHER_SD * rng.standard_normal((n, 1))
        index = GRAVITY_TABLE.nearest_index(
            GRAVITY_TABLE.low + np.clip(unit, 0, 1) * GRAVITY_TABLE.span
        )
        settings = GRAVITY_TABLE.values(index)
    read = deck.measure(settings, material, rng)
    readings = RunReadings.from_shares(
        read.grade, read.recovery, recovery_se=read.recovery_se, grade_count=read.grade_count
    )
    ran = readings.measured
    odds = float(logit(material.feed_grade))
    model = Surrogate(GRAVITY_TABLE.names, coordinates=COORDINATES, descriptions=view).fit(
        GRAVITY_TABLE.to_unit(settings)[ran], readings.take(ran), odds
    )
    return judge(model, deck.run(unseen, material), GRAVITY_TABLE.to_unit(unseen), odds)


def judge(model: Surrogate, truth, A: np.ndarray, odds: float) -> dict[str, float]:
    """Coverage of the 90 % interval and root mean square error of each quantity."""
    found = model.latent(A)
    mean = found.mean.mean(axis=0)
    variance = found.variance.copy()
    variance[:, 1] += found.cut**2 * found.variance[:, 0]
    sd = np.sqrt(variance.mean(axis=0) + found.mean.var(axis=0))
    S, C = to_latent(logit(truth.grade), logit(truth.recovery), odds)
    answer = {}
    for name, j, true in (("sharpness", 0, S), ("balance", 1, C)):
        z = (true - mean[j]) / sd[j]
        answer[f"{name} cover"] = float(np.mean(np.abs(z) < 1.645))
        answer[f"{name} rmse"] = float(np.sqrt(np.mean((true - mean[j]) ** 2)))
    prediction = model.predict(A, odds)
    for name, estimate, true in (
        ("grade", prediction.grade, truth.grade),
        ("recovery", prediction.recovery, truth.recovery),
    ):
        inside = (estimate.low <= true) & (true <= estimate.high)
        answer[f"{name} cover"] = float(np.mean(inside))
        answer[f"{name} rmse"] = float(np.sqrt(np.mean((true - estimate.mean) ** 2)))
    return answer


def state(family: str, seed: int, n: int, view: DeckCoordinates | None) -> float:
    """Mean log loss of the chance of an even deck, from n runs spread anywhere."""
    rng = np.random.default_rng((seed, 1))
    deck, material = draw(family, np.random.default_rng(seed))
    values = GRAVITY_TABLE.values(Region.whole(GRAVITY_TABLE).sample(n + UNSEEN, rng))
    even = rng.random(len(values)) > deck.run(values, material).failure
    unit = GRAVITY_TABLE.to_unit(values)
    chance = deck_state_of(view).fit(unit[:n], even[:n]).chance_even(unit[n:])
    chance = np.clip(chance, LEAST_CHANCE, 1.0 - LEAST_CHANCE)
    return float(-np.mean(np.log(np.where(even[n:], chance, 1.0 - chance))))


def markdown(rows: list[list[str]]) -> str:
    """A Markdown table; the first row holds the headings."""
    rows = [rows[0], ["---"] * len(rows[0]), *rows[1:]]
    return "\n".join("| " + " | ".join(row) + " |" for row in rows)


def table(decks: int, view: View) -> str:
    """Averages over decks, one row per family and case."""
    rows: list[list[str]] = []
    for kind, n in CASES:
        for family in ALL:
            found = [case(family, 9000 + k, kind, n, view) for k in range(decks)]
            if not rows:
                rows.append(["family", "runs", *found[0]])
            means = [np.mean([f[h] for f in found]) for h in found[0]]
            rows.append([family, f"{kind} {n}", *(f"{m:.2f}" for m in means)])
    return markdown(rows)


def states(decks: int) -> str:
    """Log losses, one row per family: in both coordinate systems, at each number of runs."""
    names = [f"{name}, {n} runs" for name in STATE_VIEWS for n in STATE_RUNS]
    rows = [["family", *names]]
    for family in ALL:
        losses = [
            np.mean([state(family, 9000 + k, n, view) for k in range(decks)])
            for view in STATE_VIEWS.values()
            for n in STATE_RUNS
        ]
        rows.append([family, *(f"{x:.2f}" for x in losses)])
    return markdown(rows)


def main() -> int:
    """Write the report."""
    with threadpool_limits(1):
        bodies = {name: table(DECKS, view) for name, view in VIEWS.items()}
        beds = states(DECKS)
    parts = [
        "# The surrogate on simulated decks",
        "`python -m tests.benchmarks.surrogate`",
        f"Averages over {DECKS} decks a family (seeds from 9000 on), {UNSEEN} unseen even settings "
        "each: share of truths inside the 90 % interval (cover) and root mean square error, in "
        "logits for sharpness and balance, as fractions for grade and recovery. *Habit* runs lie "
        "around one good setting; unseen settings lie anywhere, so that is extrapolation.",
        *(f"## By {name}\n\n{body}" for name, body in bodies.items()),
        "## Where the deck runs even\n\nMean log loss at unseen settings anywhere, from runs "
        f"anywhere (0.69 says nothing).\n\n{beds}",
    ]
    REPORT.write_text("\n\n".join(parts) + "\n", encoding="utf-8")
    print("\n\n".join([*bodies.values(), beds]))
    return 0


if __name__ == "__main__":
    sys.exit(main())
