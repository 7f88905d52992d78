"""How good the surrogate's predictions are on simulated decks: density, error, coverage.

    python -m tests.benchmarks.surrogate            # writes reports/surrogate.md, some minutes

Decks are drawn from the simulation's families; runs are spread over the even part of the space,
or gathered around one habit with speed and tilt moved together. The truth at unseen settings is
compared with the 90 % interval, for sharpness, balance, grade and recovery.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from scipy.special import logit
from threadpoolctl import threadpool_limits

from optimizer.coordinates import to_latent
from optimizer.deck_coordinates import deck_coordinates_of
from optimizer.measurement import measured_errors
from optimizer.settings import GRAVITY_TABLE, Region
from optimizer.simulation import FAMILIES, random_deck, random_material
from optimizer.surrogate import Shares, Surrogate

REPORT = Path(__file__).resolve().parents[2] / "reports" / "surrogate.md"
CASES = (("spread", 12), ("spread", 30), ("spread", 60), ("habit", 80))
DECKS = 8
UNSEEN = 300
MOST_FAILURE = 0.3
# Operators move a little around their habit, and speed with tilt.
HABIT_SD, TOGETHER_SD = np.array([0.06, 0.05, 0.05, 0.03, 0.02]), 0.05


def case(family: str, seed: int, kind: str, n: int) -> dict[str, float]:
    """Coverage and error of one deck."""
    rng = np.random.default_rng(seed)
    deck, material = random_deck(rng, family), random_material(rng, family)
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
    errors = measured_errors(
        read.grade, read.recovery, recovery_se=read.recovery_se, grade_count=read.grade_count
    )
    ran = np.isfinite(errors.grade_logit)
    odds = float(logit(material.feed_grade))
    shares = Shares(
        read.grade[ran],
        read.recovery[ran],
        np.full(ran.sum(), float(read.grade_count)),
        errors.grade_se[ran],
        errors.recovery_se[ran],
    )
    model = Surrogate(GRAVITY_TABLE.names, view=deck_coordinates_of(GRAVITY_TABLE)).fit(
        GRAVITY_TABLE.to_unit(settings)[ran],
        errors.grade_logit[ran],
        errors.recovery_logit[ran],
        odds,
        errors.grade_logit_var[ran],
        errors.recovery_logit_var[ran],
        shares,
    )
    return judge(model, deck.run(unseen, material), GRAVITY_TABLE.to_unit(unseen), odds)


def judge(model: Surrogate, truth, A: np.ndarray, odds: float) -> dict[str, float]:
    """Coverage of the 90 % interval and root mean square error of each quantity."""
    means, variances = model.latent(A)
    mean = means.mean(axis=0)
    sd = np.sqrt(variances.mean(axis=0) + means.var(axis=0))
    S, C, _, _ = to_latent(logit(truth.grade), logit(truth.recovery), 0.0, 0.0, odds)
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


def table(decks: int) -> str:
    """Averages over decks, one row a family and case."""
    rows, heads = [], None
    for kind, n in CASES:
        for family in FAMILIES:
            found = [case(family, 9000 + k, kind, n) for k in range(decks)]
            heads = heads or list(found[0])
            means = [np.mean([f[h] for f in found]) for h in heads]
            rows.append([family, f"{kind} {n}", *(f"{m:.2f}" for m in means)])
    lines = [["family", "runs", *(heads or [])], ["---"] * (2 + len(heads or [])), *rows]
    return "\n".join("| " + " | ".join(row) + " |" for row in lines)


def main() -> int:
    """Write the report."""
    with threadpool_limits(1):
        body = table(DECKS)
    REPORT.write_text(
        "# The surrogate on simulated decks\n\n"
        "`python -m tests.benchmarks.surrogate`\n\n"
        f"Averages over {DECKS} decks a family (seeds from 9000 on), {UNSEEN} unseen even settings "
        "each: share of truths inside the 90 % interval (cover) and root mean square error, in "
        "logits for sharpness and balance, as fractions for grade and recovery. *Habit* runs lie "
        "around one good setting; unseen settings lie anywhere, so that is extrapolation.\n\n"
        f"{body}\n",
        encoding="utf-8",
    )
    print(body)
    return 0


if __name__ == "__main__":
    sys.exit(main())
