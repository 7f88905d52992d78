"""Cost of the model by number of set-points and of runs, compared with two exact models.

    pip install -e '.[peers]'                    # DEVELOPERS.md says how to get torch
    python -m tests.benchmarks.growth [--most 20000] [--seconds 60]

The data are noisy readings of one quantity over five settings on their steps, with a few runs per
set-point. Each method learns its hyperparameters and predicts means and standard deviations at
1,000 new settings; the cost is in processor seconds of one thread. A method drops out after a size
that took longer than ``--seconds``. Ours is the process of a plan (beyond 400 set-points it uses
400 inducing points) and, for comparison, our exact process. The models of scikit-learn and BoTorch
use their defaults with one length scale per input.

Then what it costs to condition sharpness and balance together, with the covariance of their errors,
beside each of them alone. Then the error of inducing points: the mean and the standard deviation of
the plan's process against the exact process at equal hyperparameters, and those of GPyTorch's
inducing points (the variational approximation of Titsias, AISTATS 2009) at the same points. Writes
reports/growth.md and its figure.
"""

from __future__ import annotations

import argparse
import sys
import time
import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np
from threadpoolctl import threadpool_limits

from optimizer.evidence.fitting import MOST_POINTS
from optimizer.gaussian_process.estimation import Given
from optimizer.gaussian_process.kernel import Kernel
from optimizer.gaussian_process.mean import Mean
from optimizer.gaussian_process.process import GaussianProcess
from optimizer.gaussian_process.solvers import EXACT, InducingPoints
from optimizer.model.deck_prior import ADDITIVE
from optimizer.model.inducing_pair import InducingPair
from optimizer.model.joint import JointPair
from optimizer.model.shared_error import SharedError

REPORT = Path(__file__).resolve().parents[2] / "reports" / "growth.md"
SIZES = (200, 400, 1000, 2000, 4000, 10_000, 20_000)
ROWS = (10_000, 100_000, 1_000_000)
ERROR_SIZES = (640, 1000, 2000)
PAIR_SIZES = ((1000, True), (2000, True), (5000, False), (20_000, False))
STEPS = np.array([16, 18, 16, 60, 90])
NOISE, NEW = 0.1, 1000
ROW_POINTS = 300


def surface(X: np.ndarray) -> np.ndarray:
    """A smooth quantity over the unit box, shape (n, 5) to (n,)."""
    ridge = X[:, 2] - 0.8 * X[:, 3] + 0.2
    return np.sin(3.0 * X[:, 0]) - 4.0 * (X[:, 4] - 0.5) ** 2 - 3.0 * ridge**2 + 0.5 * X[:, 1]


def settings(n: int, seed: int) -> np.ndarray:
    """Distinct settings on the steps, shape (n, 5)."""
    rng = np.random.default_rng(seed)
    found = np.unique(rng.integers(0, STEPS + 1, (2 * n, 5)), axis=0)
    return rng.permutation(found)[:n] / STEPS


def readings(X: np.ndarray, seed: int) -> np.ndarray:
    return surface(X) + NOISE * np.random.default_rng(seed).standard_normal(len(X))


def ours(most: int | None) -> Callable[..., object]:
    def run(X: np.ndarray, y: np.ndarray, A: np.ndarray) -> object:
        solver = EXACT if most is None else InducingPoints(most)
        gp = GaussianProcess(Kernel(additive=ADDITIVE), Mean("constant"), solver=solver)
        return gp.fit(X, y).predict(A, return_std=True)

    return run


def scikit_learn(X: np.ndarray, y: np.ndarray, A: np.ndarray) -> object:
    from sklearn.gaussian_process import GaussianProcessRegressor
    from sklearn.gaussian_process.kernels import ConstantKernel, Matern, WhiteKernel

    kernel = ConstantKernel() * Matern(np.ones(X.shape[1]), nu=2.5) + WhiteKernel(0.01)
    model = GaussianProcessRegressor(kernel, normalize_y=True).fit(X, y)
    return model.predict(A, return_std=True)


def botorch(X: np.ndarray, y: np.ndarray, A: np.ndarray) -> object:
    import torch
    from botorch.fit import fit_gpytorch_mll
    from botorch.models import SingleTaskGP
    from gpytorch.mlls import ExactMarginalLogLikelihood

    torch.set_num_threads(1)
    model = SingleTaskGP(torch.tensor(X), torch.tensor(y)[:, None])
    fit_gpytorch_mll(ExactMarginalLogLikelihood(model.likelihood, model))
    with torch.no_grad():
        found = model.posterior(torch.tensor(A))
        return found.mean.numpy(), found.variance.sqrt().numpy()


def inducing(X: np.ndarray, y: np.ndarray, A: np.ndarray, gp: GaussianProcess) -> tuple:
    """Mean and standard deviation by GPyTorch's inducing points at given hyperparameters.

    The process has a Matern-5/2 kernel without an additive part, which both libraries offer.
    """
    import gpytorch
    import torch

    torch.set_num_threads(1)
    d = X.shape[1]
    (posterior,) = gp.posteriors_
    h, readings = posterior.hyperparameters, posterior.readings
    likelihood = gpytorch.likelihoods.GaussianLikelihood().double()
    likelihood.noise = float(h.noise)
    base = gpytorch.kernels.ScaleKernel(gpytorch.kernels.MaternKernel(2.5, ard_num_dims=d))
    base.base_kernel.lengthscale = torch.tensor(np.exp(h.log_length_scales))
    base.outputscale = float(np.exp(h.log_variance))

    class Model(gpytorch.models.ExactGP):
        def __init__(self) -> None:
            super().__init__(
                torch.tensor(X), torch.tensor((y - readings.center) / readings.spread), likelihood
            )
            self.mean_module = gpytorch.means.ZeroMean()
            self.covar_module = gpytorch.kernels.InducingPointKernel(
                base.double(), torch.tensor(posterior.points.values.copy()), likelihood
            )

        def forward(self, x):
            return gpytorch.distributions.MultivariateNormal(
                self.mean_module(x), self.covar_module(x)
            )

    model = Model().double().eval()
    with torch.no_grad(), gpytorch.settings.max_cholesky_size(10_000):
        found = model(torch.tensor(A))
        mean, sd = found.mean.numpy(), found.variance.sqrt().numpy()
    return readings.center + readings.spread * mean, readings.spread * sd


def seconds(work: Callable[[], object]) -> float:
    start = time.process_time()
    with threadpool_limits(1), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        work()
    return time.process_time() - start


def by_points(most: int, limit: float) -> dict[str, dict[int, float]]:
    """Processor seconds by method and number of set-points."""
    methods = {
        f"ours (at most {MOST_POINTS})": ours(MOST_POINTS),
        "ours, exact": ours(None),
        "scikit-learn": scikit_learn,
        "BoTorch": botorch,
    }
    A = settings(NEW, 1)
    spent: dict[str, dict[int, float]] = {name: {} for name in methods}
    for n in (s for s in SIZES if s <= most):
        X = settings(n, 0)
        y = readings(X, 2)
        for name, method in methods.items():
            if max(spent[name].values(), default=0.0) > limit:
                continue
            try:
                spent[name][n] = seconds(lambda m=method, X=X, y=y: m(X, y, A))
            except ImportError:
                spent[name] = {}
            print(f"{n} {name}: {spent[name].get(n, float('nan')):.2f} s", file=sys.stderr)
    return {name: found for name, found in spent.items() if found}


def by_rows() -> dict[int, float]:
    """Processor seconds of our model by number of runs at a fixed number of set-points."""
    points, A = settings(ROW_POINTS, 0), settings(NEW, 1)
    spent = {}
    for n in ROWS:
        X = points[np.random.default_rng(3).integers(0, len(points), n)]
        y = readings(X, 4)
        spent[n] = seconds(lambda X=X, y=y: ours(MOST_POINTS)(X, y, A))
    return spent


def pairs() -> list[str]:
    """Markdown table rows: processor seconds to condition two processes at given hyperparameters,
    each alone, then together, and to say what each set-point adds to the others (for the weights of
    runs); the exact pair where it is affordable."""
    rows = []
    given = Given((0.0,) * 5 + (0.0, float(np.log(NOISE**2))))
    for n, affordable in PAIR_SIZES:
        X, nothing = settings(n, 0), np.zeros(n)
        for kind, solver in ((InducingPair, InducingPoints(MOST_POINTS)), (JointPair, EXACT)):
            if kind is JointPair and not affordable:
                continue
            both = [
                GaussianProcess(
                    Kernel(additive=ADDITIVE),
                    Mean("constant"),
                    solver=solver,
                    scale="center",
                    hyperparameters=given,
                )
                for _ in range(2)
            ]
            alone = sum(
                seconds(lambda gp=gp, X=X, k=k: gp.fit(X, readings(X, k)))
                for k, gp in enumerate(both)
            )
            pair = kind(*(gp.posteriors_[0] for gp in both), SharedError(nothing, nothing, -0.9))
            A = settings(NEW, 1)
            together = seconds(lambda pair=pair, A=A: pair.moments(A))
            added = seconds(pair.own_precision)
            name = "exact" if kind is JointPair else f"{MOST_POINTS} points"
            ratio = (alone + together) / alone
            rows.append(
                f"| {n} | {name} | {alone:.2f} | {together:.2f} | {ratio:.2f} | {added:.2f} |"
            )
    return rows


def errors() -> list[str]:
    """Markdown table rows: the approximation error of inducing points."""
    A, rows = settings(NEW, 1), []
    for n in ERROR_SIZES:
        X = settings(n, 0)
        y = readings(X, 2)
        few = GaussianProcess(mean=Mean("none"), solver=InducingPoints(MOST_POINTS)).fit(X, y)
        given = Given(tuple(few.posteriors_[0].hyperparameters.vector))
        sparse = few.set_params(hyperparameters=given).fit(X, y)
        exact = GaussianProcess(mean=Mean("none"), hyperparameters=given).fit(X, y)
        found = {"ours": sparse.predict(A, return_std=True)}
        try:
            found["GPyTorch, same points"] = inducing(X, y, A, sparse)
        except ImportError:
            print("GPyTorch is not installed: its rows are left out", file=sys.stderr)
        mean, sd = exact.predict(A, return_std=True)
        for name, (m, s) in found.items():
            off = float(np.sqrt(np.mean(((m - mean) / sd) ** 2)))
            low, middle, high = np.quantile(s / sd, [0.05, 0.5, 0.95])
            miss = float(np.sqrt(np.mean((m - surface(A)) ** 2)))
            ratio = f"{middle:.2f} ({low:.2f} to {high:.2f})"
            rows.append(f"| {n} | {name} | {off:.2f} | {ratio} | {miss:.4f} |")
        miss = float(np.sqrt(np.mean((mean - surface(A)) ** 2)))
        rows.append(f"| {n} | exact | 0 | 1 | {miss:.4f} |")
    return rows


def figure(points: dict[str, dict[int, float]], rows: dict[int, float], path: Path) -> None:
    import matplotlib

    matplotlib.use("Agg")
    matplotlib.rcParams["svg.hashsalt"] = "highside"
    from matplotlib import pyplot as plt

    fig, (left, right) = plt.subplots(1, 2, figsize=(9, 3.6), sharey=True)
    looks = (("#000000", "-"), ("#000000", "--"), ("#cc7711", "-"), ("#117744", "-"))
    for (name, found), (color, style) in zip(points.items(), looks, strict=False):
        left.loglog(list(found), list(found.values()), style, color=color, marker=".", label=name)
    left.set(xlabel="set-points", ylabel="processor seconds, one thread")
    # Labels stand beside the lines: the exact models end at the left, ours stays low.
    left.legend(frameon=False, fontsize=8, loc=(0.6, 0.5))
    right.loglog(list(rows), list(rows.values()), "-", color="#000000", marker=".")
    right.set(xlabel=f"runs at {ROW_POINTS} set-points (ours)")
    for panel in (left, right):
        panel.grid(alpha=0.25)
    fig.tight_layout()
    fig.savefig(path, metadata={"Date": None})


def main() -> int:
    asked = argparse.ArgumentParser(
        prog="python -m tests.benchmarks.growth",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    asked.add_argument("--most", type=int, default=SIZES[-1], help="set-points")
    asked.add_argument("--seconds", type=float, default=60.0, help="a method may take")
    asked.add_argument("--report", type=Path, default=REPORT)
    options = asked.parse_args()
    spent, rows, off = by_points(options.most, options.seconds), by_rows(), errors()
    figure(spent, rows, options.report.with_suffix(".svg"))
    sizes = sorted({n for found in spent.values() for n in found})
    parts = [
        "# How the cost of the model grows",
        f"`python -m tests.benchmarks.growth --most {options.most} --seconds {options.seconds:g}`",
        "Processor seconds of one thread to learn hyperparameters from noisy readings of one "
        f"quantity over five settings and to predict {NEW} new settings. A method drops out after "
        f"a size that took it more than {options.seconds:g} s.",
        f"![time by set-points and runs]({options.report.with_suffix('.svg').name})",
        "\n".join(
            [
                "| set-points | " + " | ".join(spent) + " |",
                "|---|" + "---|" * len(spent),
                *(
                    f"| {n} | "
                    + " | ".join(f"{f[n]:.2f}" if n in f else "-" for f in spent.values())
                    + " |"
                    for n in sizes
                ),
            ]
        ),
        "\n".join(
            ["| runs | ours, s |", "|---|---|", *(f"| {n} | {t:.2f} |" for n, t in rows.items())]
        ),
        "## Sharpness and balance together",
        "Processor seconds to condition two processes at given hyperparameters, each alone; then "
        f"to condition both together and predict {NEW} new settings; the ratio of all that to each "
        "alone; and to find what each set-point adds to all others.",
        "\n".join(
            [
                "| set-points | method | alone, s | together, s | ratio | added, s |",
                "|---|---|---|---|---|---|",
                *pairs(),
            ]
        ),
        f"## What {MOST_POINTS} points that stand for all cost",
        "Same readings and hyperparameters; a Matern-5/2 process. Distance of the means in "
        "standard deviations of the exact model (root mean square), ratio of standard deviations "
        "(median, 5 to 95 %), and the error against the truth.",
        "\n".join(
            [
                "| set-points | method | means apart, sd | sd over exact sd | error of the mean |",
                "|---|---|---|---|---|",
                *off,
            ]
        ),
    ]
    options.report.write_text("\n\n".join(parts) + "\n", encoding="utf-8")
    print(f"wrote {options.report}", file=sys.stderr)
    return 0


if __name__ == "__main__":
    sys.exit(main())
