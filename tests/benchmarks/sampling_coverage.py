"""Coverage of the intervals of a purity count and of the stated error of a run.

    python -m tests.benchmarks.sampling_coverage    # writes reports/sampling.md and .svg

Counts are drawn at known purities; the share of intervals that hold the truth is exact (summed
over the binomial or hypergeometric distribution), not simulated, except for the balance of
streams, which is simulated.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from scipy.stats import binom, hypergeom

from optimizer.measurement import finite_interval, logit_moments, purity_interval, purity_se
from optimizer.measurement.balancing import balance_tests

REPORTS = Path(__file__).resolve().parents[2] / "reports"
NOMINAL = 0.95
Z = 1.959964
COUNTS = (200, 400, 2500)
PURITIES = np.array([0.90, 0.95, 0.97, 0.98, 0.985, 0.99, 0.995, 0.999])
LOT, OF_LOT = 500, 200
DRAWS = 2000


def binomial_coverage(n: int, method: str) -> np.ndarray:
    """Exact coverage of one kind of interval at each purity, shape (purities,)."""
    k = np.arange(n + 1)
    if method == "normal":
        p = k / n
        half = Z * purity_se(p, n)
        low, high = p - half, p + half
    elif method == "logit":
        mean, variance = logit_moments(k, n)
        half = Z * np.sqrt(variance)
        low, high = (1 / (1 + np.exp(-x)) for x in (mean - half, mean + half))
    else:
        low, high = purity_interval(k, n, NOMINAL, method)
    weight = binom.pmf(k[:, None], n, PURITIES)
    inside = (low[:, None] <= PURITIES) & (high[:, None] >= PURITIES)
    return np.sum(weight * inside, axis=0)


def finite_coverage() -> np.ndarray:
    """Exact coverage of the interval for a small lot, shape (purities,)."""
    wanted = np.rint(PURITIES * LOT).astype(int)
    bounds = np.array([finite_interval(k, OF_LOT, LOT, NOMINAL) for k in range(OF_LOT + 1)])
    answer = []
    for total in wanted:
        weight = hypergeom.pmf(np.arange(OF_LOT + 1), LOT, total, OF_LOT)
        share = total / LOT
        inside = (bounds[:, 0] <= share + 1e-12) & (bounds[:, 1] >= share - 1e-12)
        answer.append(float(np.sum(weight * inside)))
    return np.array(answer)


def balance_coverage() -> dict[str, float]:
    """Share of simulated tests whose result lies within 1.96 stated errors, by quantity."""
    rng = np.random.default_rng(0)
    feed, product, reject, share = 0.93, 0.987, 0.42, 0.9
    feed = share * product + (1 - share) * reject
    truth = share * product / feed
    n = 400
    table: dict[str, list] = {"test_id": [], "stream": [], "mass": [], "assay": [], "count": []}
    for t in range(DRAWS):
        for name, mass, assay in (
            ("feed", None, feed),
            ("product", 1000 * share, product),
            ("reject", 1000 * (1 - share), reject),
        ):
            table["test_id"].append(t)
            table["stream"].append(name)
            weighed = None if mass is None else mass * (1 + 0.01 * rng.standard_normal())
            table["mass"].append(weighed)
            table["assay"].append(rng.binomial(n, assay) / n)
            table["count"].append(n)
    found = balance_tests(table, mass_relative_se=0.01)
    z = np.array([(r.recovery - truth) / r.recovery_se for r in found])
    g = np.array([(r.grade - product) / r.grade_se for r in found])
    closes = np.array([r.p_value for r in found])
    return {
        "recovery": float(np.mean(np.abs(z) < Z)),
        "grade": float(np.mean(np.abs(g) < Z)),
        "closure rejected at 5 %": float(np.mean(closes < 0.05)),
    }


def figure(curves: dict[str, np.ndarray], path: Path) -> None:
    """Draw the coverage against purity."""
    import matplotlib

    matplotlib.use("Agg")
    matplotlib.rcParams["svg.hashsalt"] = "highside"
    from matplotlib import pyplot as plt

    fig, axes = plt.subplots(figsize=(7, 4))
    styles = {"exact": "-", "jeffreys": "--", "logit": "-.", "normal": ":"}
    for name, values in curves.items():
        axes.plot(100 * (1 - PURITIES), 100 * values, styles[name.split()[0]], label=name)
    axes.axhline(100 * NOMINAL, color="black", linewidth=0.8)
    axes.set_xscale("log")
    axes.set(xlabel="defects, %", ylabel="intervals that hold the truth, %", ylim=(60, 101))
    axes.legend()
    fig.tight_layout()
    fig.savefig(path, metadata={"Date": None})


def main() -> int:
    """Write the report and its figure."""
    rows, curves = [], {}
    for n in COUNTS:
        for method in ("exact", "jeffreys", "logit", "normal"):
            cover = binomial_coverage(n, method)
            rows.append((f"{method}, {n} counted", cover))
            if n == COUNTS[0]:
                curves[f"{method} ({n} counted)"] = cover
    rows.append((f"small lot, {OF_LOT} of {LOT}", finite_coverage()))
    figure(curves, REPORTS / "sampling.svg")
    head = "| interval | " + " | ".join(f"{100 * p:g} %" for p in PURITIES) + " |"
    body = "\n".join(
        f"| {name} | " + " | ".join(f"{100 * c:.1f}" for c in cover) + " |" for name, cover in rows
    )
    balance = balance_coverage()
    drawn = "\n".join(f"- {name}: {100 * value:.1f} %" for name, value in balance.items())
    (REPORTS / "sampling.md").write_text(
        "# What a purity count says\n\n`python -m tests.benchmarks.sampling_coverage`\n\n"
        "Share of nominal 95 % intervals that hold the true purity (columns), in per cent. "
        "*exact* is Clopper and Pearson, *jeffreys* its better centred kin, *logit* the mean and "
        "variance that the surrogate takes as the known error of a run, *normal* the textbook "
        "approximation, which fails near 100 %.\n\n"
        "The exact interval never covers less than it says. The logit form, which the "
        "surrogate uses, stays close to 95 % throughout.\n\n"
        f"![coverage](sampling.svg)\n\n{head}\n|---{'|---' * len(PURITIES)}|\n{body}\n\n"
        f"Balance of streams ({DRAWS} drawn tests, 400 particles a stream, weights to 1 %): share "
        f"of results within 1.96 stated standard errors of the truth.\n\n{drawn}\n",
        encoding="utf-8",
    )
    print(body, drawn, sep="\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
