"""Published measured tables as problems: a trial looks up one real reading of a setting.

    pip download --no-deps -d build/packages \\
        olymp==0.0.1b0 bocode==1.0.1 summit==0.8.4 process-improve==2.2.0

``fullerenes`` and ``suzuki`` lie in ``tests/outside/data``; the other tables belong to their
publications and are read from the downloaded packages, which are neither imported nor installed.
The candidates are the settings of the table. For a setting with several readings the k-th look-up
gives the k-th reading in an order drawn from the campaign's seed, so that all methods get equal
readings. A method names any settings in the box; the run is at the nearest untried setting of the
table, and a report is judged at the nearest setting, both in unit coordinates. The true value of a
setting is the mean of its readings. The last part of a mixture follows from the other parts and is
left out.

Sources of the data, beside the packages (all MIT):

- ``fullerenes``: B. E. Walker et al., React. Chem. Eng. 2 (2017) 785-798: share of the product.
- ``suzuki``: F. Häse et al. (2020), the paper of the package: yield; one reading a setting.
- ``crossed_barrel``: A. E. Gongora et al., Science Advances 6 (2020) eaaz1708: toughness.
- ``agnp``: F. Mekki-Berrada et al., npj Comput. Mater. 7 (2021) 55: distance to a spectrum.
- ``p3ht``: D. Bash et al., Adv. Funct. Mater. 31 (2021) 2102606: conductivity.
- ``perovskite``: S. Sun et al., Matter 4 (2021) 1305-1322: instability index.
- ``colors_bob``, ``hplc``: L. M. Roch et al., PLoS ONE 15 (2020) e0229862: distance to a color;
  peak area, of which 0 is a run that failed and counts 0 in the mean.
- ``photo_pce10``: S. Langner et al., Adv. Mater. 32 (2020) 1907801: degradation of blends.
- ``naphthalene``: table E11.11 of G. E. P. Box and N. R. Draper, Response Surfaces, Mixtures, and
  Ridge Analyses, 2nd ed. 2007: conversion to phthalic anhydride with at most 2 % to naphthoquinone
  (a limit of ours), in the coordinates of the exercise; one reading a setting.
- ``reizman``: B. J. Reizman et al., React. Chem. Eng. 1 (2016) 658-666, first case: yield with a
  turnover number of at least 35 (a limit of ours). The eight catalysts are numbered in the order of
  their names, as odd a scale for one method as for another.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property, lru_cache
from pathlib import Path
from zipfile import ZipFile

import numpy as np

from optimizer.plant.settings import Setting, SettingSpace
from tests.benchmarks.replays.problem import STARTS, Problem, Scale

Array = np.ndarray
Rows = tuple[Array, Array, Array]
"""Settings (r, d), ``y`` (r,) and ``c`` (r,) of all readings."""

ROOT = Path(__file__).resolve().parents[3]
PACKAGES = ROOT / "build" / "packages"
DATA = ROOT / "tests" / "outside" / "data"
WHEELS = {
    "olymp": "olymp-0.0.1b0-*.whl",
    "bocode": "bocode-1.0.1-*.whl",
    "summit": "summit-0.8.4-*.whl",
    "process-improve": "process_improve-2.2.0-*.whl",
}
STEP = 0.005
"""Of the range, where settings have no steps of their own."""
MOST_NAPHTHOQUINONE, LEAST_TURNOVER = 2.0, 35.0


class MissingData(RuntimeError):
    """Raised when the package that holds a table was not downloaded."""


def member(package: str, path: str) -> str:
    """Text of a file inside a downloaded package.

    Raises:
        MissingData: when the package was not downloaded.
    """
    found = sorted(PACKAGES.glob(WHEELS[package])) if PACKAGES.is_dir() else []
    if not found:
        version = WHEELS[package].split("-")[1]
        raise MissingData(
            f"{package} {version} is not in {PACKAGES.relative_to(ROOT)}. Get it with: "
            f"pip download --no-deps -d build/packages {package}=={version}"
        )
    with ZipFile(found[0]) as wheel:
        return wheel.read(path).decode("utf-8-sig")


def numbers(text: str, headings: int = 0) -> Array:
    """The rows of a text table of numbers without its heading lines, shape (rows, columns)."""
    return np.loadtxt(io.StringIO(text), delimiter=",", skiprows=headings, ndmin=2)


@dataclass(frozen=True)
class Experiment(Problem):
    """A measured table as a problem.

    Attributes:
        settings: distinct settings, shape (m, d).
        readings: ``y`` and ``c`` of each setting, shape (r, 2); NaN for a failed run.
    """

    kind = "experiments"
    settings: Array
    readings: tuple[Array, ...]

    @cached_property
    def _means(self) -> Array:
        means = []
        for read in self.readings:
            failed = ~np.isfinite(read[:, 0])
            # A failed run counts as a yield of 0.
            y = np.where(failed, 0.0, read[:, 0]).mean()
            c = read[~failed, 1].mean() if not failed.all() else -1.0
            means.append((y, c))
        return np.array(means)

    @cached_property
    def scale(self) -> Scale:
        """Scale of regret: from the best feasible mean to the lowest mean of the table."""
        y, c = self._means.T
        best = float(y[c <= 0].max())
        miss = float(np.median(c[c > 0])) if (c > 0).any() else 1.0
        return Scale(best, best - float(y.min()), miss)

    def _near(self, values: Array) -> Array:
        """Distances in unit coordinates from settings, shape (d,), to all table rows, (m,)."""
        unit = self.space.to_unit(self.settings)
        return np.linalg.norm(unit - self.space.to_unit(values[None, :]), axis=1)

    def _at(self, values: Array) -> int:
        return int(np.argmin(self._near(values)))

    def untried(self, tried: Array) -> Array:
        """Mask of the settings of the table that were not run, shape (m,)."""
        left = np.ones(len(self.settings), dtype=bool)
        left[[self._at(v) for v in tried]] = False
        return left

    def starts(self, seed: int) -> Array:
        rng = np.random.default_rng((seed, 1))
        return self.settings[rng.choice(len(self.settings), STARTS, replace=False)]

    def read(self, values: Array, tried: Array, seed: int) -> tuple[float, float]:
        at = self._at(values)
        before = sum(self._at(v) == at for v in tried)
        found = self.readings[at]
        order = np.random.default_rng((seed, 2, at)).permutation(len(found))
        y, c = found[order[before % len(found)]]
        return float(y), float(c)

    def truth(self, values: Array) -> tuple[float, float]:
        y, c = self._means[self._at(values)]
        return float(y), float(c)

    def trial(self, values: Array, tried: Array) -> Array:
        """The nearest untried settings of the table, shape (d,)."""
        return self.settings[np.argmin(np.where(self.untried(tried), self._near(values), np.inf))]

    def standing(self, values: Array) -> Array:
        """The nearest settings of the table, shape (d,)."""
        return self.settings[self._at(values)]

    def by_chance(self, tried: Array, rng: np.random.Generator) -> Array:
        return self.settings[rng.choice(np.flatnonzero(self.untried(tried)))]


def experiment(
    name: str,
    named: dict[str, tuple[str, float | None]],
    rows: Rows,
    source: str,
    constrained: bool = False,
) -> Experiment:
    """Make a problem of a table; the bounds of its settings are the ranges of the table.

    Args:
        name: name of the problem.
        named: unit and step (None: a share of the range) of every setting, by name.
        rows: all readings.
        source: publication of the data.
        constrained: whether the problem has a constraint.
    """
    X, y, c = rows
    points, group = np.unique(X, axis=0, return_inverse=True)
    both = np.column_stack([y, c])
    space = []
    for (setting, (unit, step)), column in zip(named.items(), points.T, strict=True):
        low, high = float(column.min()), float(column.max())
        space.append(Setting(setting, unit, low, high, step or STEP * (high - low)))
    readings = tuple(both[group.ravel() == k] for k in range(len(points)))
    return Experiment(name, SettingSpace(tuple(space)), constrained, source, points, readings)


def free(X: Array, y: Array) -> Rows:
    """Readings without a constraint."""
    return X, y, np.full(len(y), -1.0)


# ---------------------------------------------------------------------- the tables


def fullerenes() -> Experiment:
    rows = np.loadtxt(DATA / "fullerenes.csv", delimiter=",", skiprows=1)
    named = {"reaction_time": ("min", 5.6), "sultine": ("", 0.9), "temperature": ("deg C", 10.0)}
    return experiment("fullerenes", named, free(rows[:, :3], rows[:, 3]), "Walker et al. (2017)")


def suzuki() -> Experiment:
    rows = np.loadtxt(DATA / "suzuki.csv", delimiter=",", skiprows=1)
    # The levels of one reagent (1, 1.2, 1.5 and 1.8 equivalents) have uneven steps: numbered.
    rows[:, 2] = np.searchsorted([1.0, 1.2, 1.5, 1.8], rows[:, 2])
    named = {
        "temperature": ("deg C", 5.0),
        "pd_mol": ("%", 1.5),
        "arbpin": ("level", 1.0),
        "k3po4": ("", 0.5),
    }
    return experiment("suzuki", named, free(rows[:, :4], rows[:, 4]), "Häse et al. (2020)")


def crossed_barrel() -> Experiment:
    rows = materials("Crossed barrel")
    named = {"n": ("", 2.0), "theta": ("deg", 25.0), "r": ("mm", 0.1), "t": ("mm", 0.35)}
    return experiment(
        "crossed_barrel", named, free(rows[:, :4], rows[:, 4]), "Gongora et al. (2020)"
    )


def agnp() -> Experiment:
    rows = materials("AgNP")
    named = {f"flow_{n}": ("%", None) for n in ("agno3", "pva", "tsc", "seed")}
    named["flow_total"] = ("uL/min", None)
    return experiment("agnp", named, free(rows[:, :5], -rows[:, 5]), "Mekki-Berrada et al. (2021)")


def p3ht() -> Experiment:
    rows = materials("P3HT")
    named = dict.fromkeys(("p3ht", "d1", "d2", "d6"), ("%", None))
    return experiment("p3ht", named, free(rows[:, :4], rows[:, 5]), "Bash et al. (2021)")


def perovskite() -> Experiment:
    rows = materials("Perovskite")
    named = dict.fromkeys(("cspbi", "fapbi"), ("", None))
    return experiment("perovskite", named, free(rows[:, :2], -rows[:, 3]), "Sun et al. (2021)")


def materials(name: str) -> Array:
    """A table of numbers from the package ``bocode``."""
    return numbers(member("bocode", f"bocode/opt_problems/materials/data/{name}_dataset.csv"), 1)


def colors_bob() -> Experiment:
    rows = numbers(member("olymp", "olympus/datasets/dataset_colors_bob/data.csv"))
    named = dict.fromkeys(("red", "orange", "yellow", "blue", "green"), ("", None))
    return experiment("colors_bob", named, free(rows[:, :5], -rows[:, 5]), "Roch et al. (2020)")


def photo_pce10() -> Experiment:
    rows = numbers(member("olymp", "olympus/datasets/dataset_photo_pce10/data.csv"))
    named = dict.fromkeys(("pce10", "p3ht", "pcbm"), ("", 0.02))
    return experiment("photo_pce10", named, free(rows[:, :3], -rows[:, 4]), "Langner et al. (2020)")


def hplc() -> Experiment:
    rows = numbers(member("olymp", "olympus/datasets/dataset_hplc/data.csv"))
    named = {
        "sample_loop": ("ml", None),
        "additional_volume": ("ml", None),
        "tubing_volume": ("ml", None),
        "sample_flow": ("ml/min", None),
        "push_speed": ("Hz", None),
        "wait_time": ("s", None),
    }
    area = np.where(rows[:, 6] > 0, rows[:, 6], np.nan)
    return experiment("hplc", named, free(rows[:, :6], area), "Roch et al. (2020)")


def naphthalene() -> Experiment:
    folder = "process_improve/datasets/experiments/reference_catalogue"
    book = json.loads(member("process-improve", f"{folder}/box-draper-2007.json"))
    name = "box-draper-11-ex-11-11-naphthalene-oxidation"
    runs = next(e for e in book["experiments"] if e["name"] == name)["runs"]
    columns = dict(zip(runs["columns"], np.array(runs["rows"], float).T, strict=True))
    X = np.column_stack([np.log10(columns["xi1"]), np.log10(10.0 * columns["xi2"]), columns["xi3"]])
    named = {
        "log_air": ("", None),
        "log_contact_time": ("", None),
        "temperature": ("deg C", 1.0),
    }
    rows = X, columns["YP"], columns["YN"] - MOST_NAPHTHOQUINONE
    return experiment("naphthalene", named, rows, "Box & Draper (2007), E11.11", True)


def reizman() -> Experiment:
    table = list(
        csv.reader(
            member("summit", "summit/benchmarks/data/reizman_suzuki_case_1.csv").splitlines()
        )
    )
    head, body = table[0], table[2:]
    column = {h: [row[j] for row in body] for j, h in enumerate(head)}
    kinds = sorted(set(column["catalyst"]))
    numbered = [float(kinds.index(k)) for k in column["catalyst"]]
    rest = [np.array(column[h], float) for h in ("t_res", "temperature", "catalyst_loading")]
    named = {
        "catalyst": ("number", 1.0),
        "residence_time": ("s", None),
        "temperature": ("deg C", None),
        "loading": ("mol %", None),
    }
    X = np.column_stack([numbered, *rest])
    rows = X, np.array(column["yld"], float), LEAST_TURNOVER - np.array(column["ton"], float)
    return experiment("reizman", named, rows, "Reizman et al. (2016)", True)


TABLES: dict[str, Callable[[], Experiment]] = {
    f.__name__: f
    for f in (
        fullerenes,
        suzuki,
        crossed_barrel,
        agnp,
        p3ht,
        perovskite,
        colors_bob,
        photo_pce10,
        hplc,
        naphthalene,
        reizman,
    )
}
BUNDLED = ("fullerenes", "suzuki")
"""Those that need no download."""


@lru_cache(maxsize=32)
def table(name: str) -> Experiment:
    """An experiment by name.

    Raises:
        MissingData: when its package was not downloaded.
    """
    return TABLES[name]()
