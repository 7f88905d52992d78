"""Ours beside scikit-optimize, each by the same loop of ``ask`` and ``tell``.

    python -m tests.benchmarks.ask_and_tell --seeds 5 --trials 40

Branin and Hartmann-6 as in ``skopt.benchmarks``, without noise; and the constrained problem of
R. B. Gramacy et al., Technometrics 58 (2016) 1-11, whose readings of function and constraint have
normal noise of standard deviation 0.05. Both optimizers have their defaults and the same seeds.
scikit-optimize takes no constraint: where the constraint reads above 0, it is told the reading plus
a penalty of 1 and the violation. Regret is that of the trial each names as best: true value less
the minimum, or 1 where the trial breaks the constraint.
"""

from __future__ import annotations

import argparse
import time
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import skopt
from skopt.benchmarks import branin, hart6

from optimizer.interop import Optimizer
from tests.benchmarks.replays.functions import gramacy_constraint

NOISE = 0.05
FIRST_SEED = 200


@dataclass(frozen=True)
class Problem:
    """A function to be minimized, perhaps with a constraint that is met at 0 and below."""

    name: str
    dimensions: list[tuple[float, float]]
    f: Callable[[list[float]], float]
    minimum: float
    constraint: Callable[[list[float]], float] | None = None

    def read(self, x: list[float], rng: np.random.Generator) -> tuple[float, float | None]:
        """Readings of function and constraint; they have noise where there is a constraint."""
        if self.constraint is None:
            return float(self.f(x)), None
        off = NOISE * rng.standard_normal(2)
        return float(self.f(x) + off[0]), float(self.constraint(x) + off[1])

    def regret(self, x: list[float]) -> float:
        """Regret of a point by its true value, at most 1 where there is a constraint."""
        short = float(self.f(x)) - self.minimum
        if self.constraint is None:
            return short
        return 1.0 if self.constraint(x) > 0.0 else min(short, 1.0)


PROBLEMS = (
    Problem("Branin", [(-5.0, 10.0), (0.0, 15.0)], branin, 0.397887),
    Problem("Hartmann-6", [(0.0, 1.0)] * 6, hart6, -3.32237),
    Problem(
        "Gramacy, noisy and constrained",
        [(0.0, 1.0)] * 2,
        lambda x: x[0] + x[1],
        0.599788,
        lambda x: float(gramacy_constraint(np.array([x]))[0]),
    ),
)


def ours(problem: Problem, trials: int, seed: int) -> list[list[float]]:
    """The point named as best after each trial."""
    optimizer = Optimizer(problem.dimensions, random_state=seed)
    rng, named = np.random.default_rng(seed), []
    for _ in range(trials):
        x = optimizer.ask()
        y, c = problem.read(x, rng)
        named.append(optimizer.tell(x, y, constraint=c).x)
    return named


def theirs(problem: Problem, trials: int, seed: int) -> list[list[float]]:
    """The point named as best after each trial, by scikit-optimize."""
    optimizer = skopt.Optimizer(problem.dimensions, random_state=seed)
    rng, named = np.random.default_rng(seed), []
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for _ in range(trials):
            x = optimizer.ask()
            y, c = problem.read(x, rng)
            penalty = 0.0 if c is None or c <= 0.0 else 1.0 + c
            named.append(optimizer.tell(x, y + penalty).x)
    return named


METHODS = {"ours": ours, "scikit-optimize": theirs}


def measure(problem: Problem, trials: int, seeds: int) -> dict[str, tuple[np.ndarray, float]]:
    """Regret after each trial, shape (seeds, trials), and processor seconds a trial."""
    found = {}
    for name, method in METHODS.items():
        begin = time.process_time()
        named = [method(problem, trials, FIRST_SEED + k) for k in range(seeds)]
        seconds = (time.process_time() - begin) / (seeds * trials)
        regret = np.array([[problem.regret(x) for x in campaign] for campaign in named])
        found[name] = regret, seconds
        print(problem.name, name, regret[:, -1].round(4), f"{seconds:.2f} s a trial", flush=True)
    return found


def report(found: dict[str, dict[str, tuple[np.ndarray, float]]], trials: int, seeds: int) -> str:
    """The results as a page."""
    at = sorted({max(1, trials // 2), max(1, 3 * trials // 4), trials})
    heads = " | ".join(f"after {k}" for k in at)
    rows = [
        "# Ask and tell beside scikit-optimize",
        "",
        f"Command: `python -m tests.benchmarks.ask_and_tell --seeds {seeds} --trials {trials}`. "
        f"Seeds {FIRST_SEED} to {FIRST_SEED + seeds - 1}. Median regret, and the worst in brackets;"
        " the module says how it is counted.",
        "",
        f"| problem | method | {heads} | s a trial |",
        "|---|---|" + "---|" * (len(at) + 1),
    ]
    for problem, methods in found.items():
        for name, (regret, seconds) in methods.items():
            cells = " | ".join(
                f"{np.median(regret[:, k - 1]):.4f} ({regret[:, k - 1].max():.4f})" for k in at
            )
            rows.append(f"| {problem} | {name} | {cells} | {seconds:.2f} |")
    return "\n".join(rows) + "\n"


def main() -> None:
    """Measure and write the report."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--seeds", type=int, default=5)
    parser.add_argument("--trials", type=int, default=40)
    parser.add_argument("--out", type=Path, default=Path("reports/ask_and_tell.md"))
    asked = parser.parse_args()
    found = {p.name: measure(p, asked.trials, asked.seeds) for p in PROBLEMS}
    asked.out.write_text(report(found, asked.trials, asked.seeds), encoding="utf-8")


if __name__ == "__main__":
    main()
