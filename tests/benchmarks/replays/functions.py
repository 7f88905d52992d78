"""Published test problems with an outcome constraint and a known optimum.

``f`` is to be minimized, so ``y = -f``; ``c`` is the largest of the constraints. The formulas are
those of the sources with two changes: constraints with limits in thousands are divided by their
limit, and ``c`` of ``string``, which has a pole far from the feasible settings, is cut at 10.
Settings lie on a lattice of 500 steps per range, or on the published steps. Readings have normal
noise. Its standard deviation is 2 % of a scale: for ``f`` the distance from the optimum to the
median of the feasible settings, for ``c`` the median of its absolute value.

Sources:

- ``gramacy``: R. B. Gramacy et al., Technometrics 58 (2016) 1-11.
- ``hartmann_6``: Hartmann's function of six variables inside a ball, as B. Letham, B. Karrer,
  G. Ottoni, E. Bakshy, Bayesian Analysis 14 (2019) 495-519.
- ``g04``: Himmelblau's problem as g04 of J. J. Liang et al., problem definitions for the CEC 2006
  special session on constrained real-parameter optimization.
- ``pressure_vessel``, ``string`` (tension or compression), ``welded_beam``: C. A. Coello Coello,
  E. Mezura-Montes, Advanced Engineering Informatics 16 (2002) 193-203; the best values known are
  6059.714, 0.012665 and 1.724852.
- ``speed_reducer``: J. Golinski, Journal of Mechanisms 5 (1970) 287-309, in the form with eleven
  constraints; best value known 2994.471.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np

from optimizer.numerics.low_discrepancy import even_points
from optimizer.plant.settings import Setting, SettingSpace
from tests.benchmarks.replays.problem import STARTS, Problem, Scale

Array = np.ndarray
STEP = 0.002
NOISE = 0.02
SAMPLE = 1 << 15
MOST_STRAIN = 10.0


def box(
    bounds: list[tuple[float, float]], step: float = STEP, steps: dict[int, float] | None = None
) -> SettingSpace:
    """A space of settings x1, x2, ... without units.

    Args:
        bounds: lowest and highest value of each setting.
        step: step of every setting as a share of its range.
        steps: exceptions by position, each a step in the unit of its setting.
    """
    return SettingSpace(
        tuple(
            Setting(f"x{j + 1}", "", low, high, (steps or {}).get(j, step * (high - low)))
            for j, (low, high) in enumerate(bounds)
        )
    )


@dataclass(frozen=True)
class Function(Problem):
    """A published test problem with a known optimum.

    Attributes:
        objective: ``f`` of settings, (n, d) to (n,), to be minimized.
        constraint: ``c`` of settings, (n, d) to (n,).
        minimum: the published minimum of ``f``.
        where: settings of the minimum, shape (d,), to the published digits.
    """

    kind = "functions"
    objective: Callable[[Array], Array]
    constraint: Callable[[Array], Array]
    minimum: float
    where: tuple[float, ...]

    @cached_property
    def _sample(self) -> tuple[Array, Array]:
        unit = even_points(SAMPLE, len(self.space.names), np.random.default_rng(0))
        values = self.space.low + unit * self.space.span
        return self.objective(values), self.constraint(values)

    @cached_property
    def scale(self) -> Scale:
        """Scale of regret: from the optimum to the median of uniform feasible settings."""
        f, c = self._sample
        middle = float(np.median(f[c <= 0]))
        return Scale(-self.minimum, middle - self.minimum, float(np.median(c[c > 0])))

    @cached_property
    def noise(self) -> tuple[float, float]:
        """Standard deviations of readings of ``y`` and ``c``."""
        return NOISE * self.scale.span, NOISE * float(np.median(np.abs(self._sample[1])))

    def starts(self, seed: int) -> Array:
        rng = np.random.default_rng((seed, 1))
        return self.space.values(self.region.sample(STARTS, rng))

    def read(self, values: Array, tried: Array, seed: int) -> tuple[float, float]:
        rng = np.random.default_rng((seed, 2, len(tried)))
        y, c = np.array(self.truth(values)) + np.array(self.noise) * rng.standard_normal(2)
        return float(y), float(c)

    def truth(self, values: Array) -> tuple[float, float]:
        return -float(self.objective(values[None, :])[0]), float(
            self.constraint(values[None, :])[0]
        )

    def trial(self, values: Array, tried: Array) -> Array:
        return self.standing(values)

    def standing(self, values: Array) -> Array:
        """The nearest settings of the lattice."""
        return self.space.values(self.space.nearest_index(values))[0]

    def by_chance(self, tried: Array, rng: np.random.Generator) -> Array:
        return self.space.values(self.region.sample(1, rng))[0]


def worst(*constraints: Array) -> Array:
    """The largest of several constraints at each of n settings, each (n,)."""
    return np.max(constraints, axis=0)


# ---------------------------------------------------------------------- the problems


def gramacy_objective(x: Array) -> Array:
    return x[:, 0] + x[:, 1]


def gramacy_constraint(x: Array) -> Array:
    wave = 0.5 * np.sin(2.0 * np.pi * (x[:, 0] ** 2 - 2.0 * x[:, 1]))
    return worst(1.5 - x[:, 0] - 2.0 * x[:, 1] - wave, x[:, 0] ** 2 + x[:, 1] ** 2 - 1.5)


HARTMANN_A = np.array(
    [
        [10, 3, 17, 3.5, 1.7, 8],
        [0.05, 10, 17, 0.1, 8, 14],
        [3, 3.5, 1.7, 10, 17, 8],
        [17, 8, 0.05, 10, 0.1, 14],
    ]
)
HARTMANN_P = 1e-4 * np.array(
    [
        [1312, 1696, 5569, 124, 8283, 5886],
        [2329, 4135, 8307, 3736, 1004, 9991],
        [2348, 1451, 3522, 2883, 3047, 6650],
        [4047, 8828, 8732, 5743, 1091, 381],
    ]
)
HARTMANN_ALPHA = np.array([1.0, 1.2, 3.0, 3.2])


def hartmann_objective(x: Array) -> Array:
    far = (HARTMANN_A * (x[:, None, :] - HARTMANN_P) ** 2).sum(axis=2)
    return -np.exp(-far) @ HARTMANN_ALPHA


def ball_constraint(x: Array) -> Array:
    return np.linalg.norm(x, axis=1) - 1.0


def g04_objective(x: Array) -> Array:
    a, _, b, _, e = x.T
    return 5.3578547 * b**2 + 0.8356891 * a * e + 37.293239 * a - 40792.141


def g04_constraint(x: Array) -> Array:
    a, b, c, d, e = x.T
    u = 85.334407 + 0.0056858 * b * e + 0.0006262 * a * d - 0.0022053 * c * e
    v = 80.51249 + 0.0071317 * b * e + 0.0029955 * a * b + 0.0021813 * c**2
    w = 9.300961 + 0.0047026 * c * e + 0.0012547 * a * c + 0.0019085 * c * d
    return worst(u - 92.0, -u, v - 110.0, 90.0 - v, w - 25.0, 20.0 - w)


def vessel_objective(x: Array) -> Array:
    shell, head, radius, length = x.T
    return (
        0.6224 * shell * radius * length
        + 1.7781 * head * radius**2
        + 3.1661 * shell**2 * length
        + 19.84 * shell**2 * radius
    )


def vessel_constraint(x: Array) -> Array:
    shell, head, radius, length = x.T
    volume = np.pi * radius**2 * length + 4.0 / 3.0 * np.pi * radius**3
    return worst(
        0.0193 * radius - shell,
        0.00954 * radius - head,
        1.0 - volume / 1296000.0,
        length / 240.0 - 1.0,
    )


def string_objective(x: Array) -> Array:
    wire, coil, turns = x.T
    return (turns + 2.0) * coil * wire**2


def string_constraint(x: Array) -> Array:
    d, D, N = x.T
    with np.errstate(divide="ignore"):
        bent = (4.0 * D**2 - d * D) / (12566.0 * (D * d**3 - d**4))
    c = worst(
        1.0 - D**3 * N / (71785.0 * d**4),
        bent + 1.0 / (5108.0 * d**2) - 1.0,
        1.0 - 140.45 * d / (D**2 * N),
        (d + D) / 1.5 - 1.0,
    )
    # The constraint has a pole where wire and coil are equally wide, far from feasible settings.
    return np.minimum(c, MOST_STRAIN)


def beam_objective(x: Array) -> Array:
    h, l, t, b = x.T  # noqa: E741 - the source's names
    return 1.10471 * h**2 * l + 0.04811 * t * b * (14.0 + l)


def beam_constraint(x: Array) -> Array:
    h, l, t, b = x.T  # noqa: E741
    load, reach, E, G = 6000.0, 14.0, 30e6, 12e6
    moment = load * (reach + l / 2.0)
    R = np.sqrt(l**2 / 4.0 + ((h + t) / 2.0) ** 2)
    J = 2.0 * np.sqrt(2.0) * h * l * (l**2 / 12.0 + ((h + t) / 2.0) ** 2)
    primary, secondary = load / (np.sqrt(2.0) * h * l), moment * R / J
    shear = np.sqrt(primary**2 + primary * secondary * l / R + secondary**2)
    bending = 6.0 * load * reach / (b * t**2)
    sag = 4.0 * load * reach**3 / (E * t**3 * b)
    buckling = (
        4.013 * E * np.sqrt(t**2 * b**6 / 36.0) / reach**2
        * (1.0 - t / (2.0 * reach) * np.sqrt(E / (4.0 * G)))
    )  # fmt: skip
    return worst(
        shear / 13600.0 - 1.0,
        bending / 30000.0 - 1.0,
        h - b,
        (0.10471 * h**2 + 0.04811 * t * b * (14.0 + l)) / 5.0 - 1.0,
        0.125 - h,
        sag / 0.25 - 1.0,
        1.0 - buckling / load,
    )


def reducer_objective(x: Array) -> Array:
    face, module, teeth, l1, l2, d1, d2 = x.T
    return (
        0.7854 * face * module**2 * (3.3333 * teeth**2 + 14.9334 * teeth - 43.0934)
        - 1.508 * face * (d1**2 + d2**2)
        + 7.4777 * (d1**3 + d2**3)
        + 0.7854 * (l1 * d1**2 + l2 * d2**2)
    )


def reducer_constraint(x: Array) -> Array:
    face, module, teeth, l1, l2, d1, d2 = x.T
    return worst(
        27.0 / (face * module**2 * teeth) - 1.0,
        397.5 / (face * module**2 * teeth**2) - 1.0,
        1.93 * l1**3 / (module * teeth * d1**4) - 1.0,
        1.93 * l2**3 / (module * teeth * d2**4) - 1.0,
        np.sqrt((745.0 * l1 / (module * teeth)) ** 2 + 16.9e6) / (110.0 * d1**3) - 1.0,
        np.sqrt((745.0 * l2 / (module * teeth)) ** 2 + 157.5e6) / (85.0 * d2**3) - 1.0,
        module * teeth / 40.0 - 1.0,
        5.0 * module / face - 1.0,
        face / (12.0 * module) - 1.0,
        (1.5 * d1 + 1.9) / l1 - 1.0,
        (1.1 * d2 + 1.9) / l2 - 1.0,
    )


def _made() -> tuple[Function, ...]:
    coello = "Coello Coello & Mezura-Montes (2002)"
    return (
        Function(
            "gramacy", box([(0, 1)] * 2), True, "Gramacy et al. (2016)",
            gramacy_objective, gramacy_constraint, 0.599788, (0.195123, 0.404665),
        ),
        Function(
            "hartmann_6", box([(0, 1)] * 6), True, "Letham et al. (2019)",
            hartmann_objective, ball_constraint, -3.32237,
            (0.20169, 0.150011, 0.476874, 0.275332, 0.311652, 0.6573),
        ),
        Function(
            "g04", box([(78, 102), (33, 45), (27, 45), (27, 45), (27, 45)]), True,
            "Liang et al. (2006)", g04_objective, g04_constraint, -30665.5387,
            (78.0, 33.0, 29.9952560256815985, 45.0, 36.7758129057882073),
        ),
        Function(
            "pressure_vessel",
            box([(0.0625, 6.1875)] * 2 + [(10, 200)] * 2, steps={0: 0.0625, 1: 0.0625}),
            True, coello, vessel_objective, vessel_constraint, 6059.714335,
            (0.8125, 0.4375, 42.0984456, 176.6365958),
        ),
        Function(
            "string", box([(0.05, 2.0), (0.25, 1.3), (2.0, 15.0)]), True, coello,
            string_objective, string_constraint, 0.0126652, (0.0516891, 0.3567177, 11.2889660),
        ),
        Function(
            "welded_beam", box([(0.1, 2.0), (0.1, 10.0), (0.1, 10.0), (0.1, 2.0)]), True, coello,
            beam_objective, beam_constraint, 1.7248523,
            (0.2057296, 3.4704887, 9.0366239, 0.2057296),
        ),
        Function(
            "speed_reducer",
            box(
                [(2.6, 3.6), (0.7, 0.8), (17, 28), (7.3, 8.3), (7.3, 8.3), (2.9, 3.9), (5.0, 5.5)],
                steps={2: 1.0},
            ),
            True, "Golinski (1970)", reducer_objective, reducer_constraint, 2994.4710661,
            (3.5, 0.7, 17.0, 7.3, 7.7153199, 3.3502147, 5.2866545),
        ),
    )  # fmt: skip


NAMES = (
    "gramacy", "hartmann_6", "g04", "pressure_vessel", "string", "welded_beam", "speed_reducer",
)  # fmt: skip


@lru_cache(maxsize=1)
def functions() -> dict[str, Function]:
    """All test problems by name."""
    return {f.name: f for f in _made()}
