"""What changes with time: days, lots, a slow component, and steps at known events.

Each is a random effect on sharpness and on balance, with a variance of its own:

    reading = f(settings, material) + day + lot + slow(t) + steps before t + error

The slow component is an Ornstein-Uhlenbeck process, the local level of a deck that wears and is
cleaned; a step is what an event of the site file (a screen cleaned, a cloth changed) did. Runs of
the same day and lot are one occasion. Given the hyperparameters of the deck's processes, readings
say of the effects h of all occasions exactly

    log p(readings | h) = b' h - h' A h / 2 + constant,

so that the variances are found without fitting the processes again, and an effect that does not
pay for itself is left out (random-effects model: Laird & Ware, Biometrics 38, 1982, 963). The
deck's processes are then fitted to readings without the effects, as of the moment of the plan.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from scipy.linalg import cho_factor, cho_solve
from scipy.optimize import minimize

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from optimizer.gaussian_process.replicates import Groups
    from optimizer.model.coordinates import LatentReadings
    from optimizer.model.joint import Pair

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]

NO_LOT = -1
# With fewer dated runs, or runs on fewer days, nothing is said of time.
FEWEST_RUNS, FEWEST_DAYS = 12, 3
# Scale of the exponential prior of the standard deviation of each effect, in logits, and the
# logarithms of the days over which the slow component forgets, with their prior spread.
SD_SCALE = 0.25
FORGETS, FORGETS_SD = float(np.log(30.0)), 0.7
# An effect must raise the log likelihood by at least this for each of its variances.
LEAST_RAISE = 1.5
DAY, LOT, SLOW, STEP = "day", "lot", "slow", "step"
KINDS = (DAY, LOT, SLOW, STEP)
WEEK = 7.0


@dataclass(frozen=True)
class Occasions:
    """When and of which lot each run was, and the moment that is asked about.

    Attributes:
        time: start of each run in days, NaN where it is not known, shape (n,).
        day: number of the day of each run, shape (n,); -1 where it is not known.
        lot: number of the lot of each run, shape (n,); ``NO_LOT`` where it names none.
        now: the moment in days.
        day_now, lot_now: day and lot of the moment, numbered as those of the runs.
        events: moments of known events in days, in order.
    """

    time: Floats
    day: Indices
    lot: Indices
    now: float
    day_now: int
    lot_now: int = NO_LOT
    events: tuple[float, ...] = ()

    @property
    def enough(self) -> bool:
        """Whether there are enough dated runs to say anything of time."""
        dated = self.day >= 0
        return int(dated.sum()) >= FEWEST_RUNS and len(np.unique(self.day[dated])) >= FEWEST_DAYS

    @cached_property
    def cells(self) -> Cells:
        """The occasions: runs of the same day and lot, and the moment as the last one."""
        both = np.column_stack([self.day, self.lot])
        found, which = np.unique(both, axis=0, return_inverse=True)
        which = which.ravel()
        count = np.bincount(which, minlength=len(found))
        dated = np.where(np.isfinite(self.time), self.time, 0.0)
        time = np.bincount(which, dated, minlength=len(found)) / count
        time = np.where(found[:, 0] >= 0, time, np.nan)
        return Cells(
            which,
            np.append(time, self.now),
            np.append(found[:, 0], self.day_now),
            np.append(found[:, 1], self.lot_now),
            np.array(self.events, dtype=float),
        )


@dataclass(frozen=True)
class Cells:
    """Occasions, with the moment that is asked about as the last.

    Attributes:
        which: occasion of each run, shape (n,).
        time, day, lot: of each of c + 1 occasions, as in ``Occasions``.
        events: moments of known events.
    """

    which: Indices
    time: Floats
    day: Indices
    lot: Indices
    events: Floats

    def correlation(self, kind: str, log_forgets: float, back: float = 0.0) -> Floats:
        """Covariance of an effect of unit variance at all occasions, shape (c + 1, c + 1).

        Args:
            kind: one of ``KINDS``.
            log_forgets: logarithm of the days over which the slow component forgets.
            back: days by which the last occasion is moved back.
        """
        time = self.time.copy()
        time[-1] -= back
        dated = np.isfinite(time)
        both = dated[:, None] & dated
        apart = np.eye(len(time))
        if kind in (DAY, LOT):
            code = self.day if kind == DAY else self.lot
            same = (code[:, None] == code) & (code[:, None] >= 0)
            return same.astype(float)
        time = np.where(dated, time, 0.0)
        if kind == SLOW:
            near = np.exp(-np.abs(time[:, None] - time) / np.exp(log_forgets))
            return np.where(both, near, apart)
        before = (self.events <= time[:, None]) & dated[:, None]
        return np.asarray(before @ before.T.astype(float))


@dataclass(frozen=True)
class Information:
    """What readings say of the effects of c occasions on sharpness, then on balance.

    Attributes:
        precision: A, shape (2 c, 2 c).
        pull: b, shape (2 c,).
    """

    precision: Floats
    pull: Floats

    @classmethod
    def of(cls, pair: Pair, groups: Groups, latent: LatentReadings, cells: Cells) -> Information:
        """The information in readings, given a pair that was fitted to readings at these inputs.

        Args:
            pair: a single member.
            groups: inputs of the readings, with the weights of runs.
            latent: readings of sharpness and balance without any effect taken off.
            cells: the occasions.
        """
        c, u = len(cells.time) - 1, len(groups.points)
        count = groups.count
        share = groups.weight / count[groups.which]
        member = np.zeros((u, c))
        np.add.at(member, (groups.which, cells.which), share)
        read = np.array([latent.sharpness, latent.balance])
        mean = np.array([groups.mean(q) for q in read])
        noise = pair.noise_of_latent_means()
        precision, weights = _precision_of_means(pair, mean)
        of_one = np.linalg.inv(noise * count[:, None, None])
        off = groups.weight * (read - mean[:, groups.which])
        A, b = np.zeros((2, c, 2, c)), np.zeros((2, c))
        for p in range(2):
            for q in range(2):
                block = precision[p * u : (p + 1) * u, q * u : (q + 1) * u]
                within = of_one[:, p, q]
                of_runs = np.bincount(
                    cells.which, groups.weight * within[groups.which], minlength=c
                )
                A[p, :, q] = member.T @ block @ member + np.diag(of_runs)
                A[p, :, q] -= (member * (count * within)[:, None]).T @ member
                b[p] += np.bincount(cells.which, within[groups.which] * off[q], minlength=c)
            b[p] += member.T @ weights[p * u : (p + 1) * u]
        whole = A.reshape(2 * c, 2 * c)
        return cls(0.5 * (whole + whole.T), b.ravel())


def _precision_of_means(pair: Pair, mean: Floats) -> tuple[Floats, Floats]:
    """Precision matrix of the mean readings at the set-points, (2 u, 2 u), and its product with
    them less their prior means, (2 u,).

    Where the pair is not exact, only the blocks of the set-points are known.

    Args:
        pair: a single member.
        mean: mean readings of sharpness and balance, shape (2, u).
    """
    u = mean.shape[1]
    if pair.first.exact and pair.second.exact:
        prior = pair.joint_prior()
        precision, weights = prior.explained
        return precision, weights + precision @ (mean.ravel() - prior.read)
    known = pair.own_precision()
    precision = np.zeros((2 * u, 2 * u))
    weights = known.weights.T.copy()
    moved = (mean - known.read.T).T
    for p in range(2):
        for q in range(2):
            at = np.arange(u)
            precision[p * u + at, q * u + at] = known.blocks[:, p, q]
            weights[p] += known.blocks[:, p, q] * moved[:, q]
    return precision, weights.ravel()


@dataclass(frozen=True)
class Spread:
    """Standard deviations of the effects on sharpness and on balance, in logits.

    Attributes:
        sd: by kind, shape (2,) each; a kind that was left out is not there.
        log_forgets: logarithm of the days over which the slow component forgets.
    """

    sd: dict[str, Floats] = field(default_factory=dict)
    log_forgets: float = FORGETS

    def covariance(self, cells: Cells, back: float = 0.0) -> Floats:
        """Prior covariance of the effects of all occasions, shape (2, c + 1, c + 1)."""
        size = len(cells.time)
        found = np.zeros((2, size, size))
        for kind, sd in self.sd.items():
            shape = cells.correlation(kind, self.log_forgets, back)
            found += (sd**2)[:, None, None] * shape
        return found


@dataclass(frozen=True)
class TimeEffects:
    """The effects of time on each run, and at the moment that is asked about.

    Attributes:
        spread: standard deviations of the effects.
        of_runs: effect on sharpness and on balance of each run, less that at the moment, (2, n).
        doubt: variance of the effects of each run about their mean over all runs, shape (n, 2, 2).
        common: variances of the effects on sharpness and on balance at the moment about that mean,
            and their covariance.
        per_week: change a week at the moment of the slow component, and its covariance.
    """

    spread: Spread
    of_runs: Floats
    doubt: Floats
    common: tuple[float, float, float]
    per_week: tuple[Floats, Floats]


def time_effects(information: Information, occasions: Occasions) -> TimeEffects | None:
    """The effects of time that the readings show; None where they show none.

    Args:
        information: what the readings say of the occasions.
        occasions: when the runs were.
    """
    cells = occasions.cells
    spread = _spread_of(information, cells)
    if not spread.sd:
        return None
    n, c = len(cells.which), len(cells.time) - 1
    H = spread.covariance(cells)
    mean, covariance = _posterior(information, H)
    # Linear functions of the effects: of each occasion, of the moment, and their mean over runs.
    usual = np.bincount(cells.which, minlength=c) / n
    usual = np.append(usual, 0.0)
    size = c + 1
    about = np.eye(size) - usual
    whole = covariance.reshape(2, size, 2, size)
    off = np.einsum("ij,pjqk,lk->piql", about, whole, about)
    own = np.array([[np.diagonal(off[p, :, q]) for q in range(2)] for p in range(2)])
    of_cells = mean.reshape(2, size)
    return TimeEffects(
        spread,
        of_cells[:, cells.which] - of_cells[:, -1:],
        own[:, :, cells.which].transpose(2, 0, 1),
        (float(own[0, 0, -1]), float(own[1, 1, -1]), float(own[0, 1, -1])),
        _per_week(information, spread, cells),
    )


def _spread_of(information: Information, cells: Cells) -> Spread:
    """The spread of highest posterior density, without kinds that do not pay for themselves."""
    several = len(np.unique(cells.lot[:-1][cells.lot[:-1] >= 0])) > 1
    kinds = [DAY, *([LOT] if several else []), SLOW, *([STEP] if len(cells.events) else [])]
    best, value = _fit(information, cells, kinds)
    while kinds:
        fewer = [_fit(information, cells, [k for k in kinds if k != kind]) for kind in kinds]
        values = [each[1] for each in fewer]
        k = int(np.argmax(values))
        if value - values[k] >= 2 * LEAST_RAISE:
            break
        kinds = [kind for kind in kinds if kind != kinds[k]]
        best, value = fewer[k]
    return best


def _fit(information: Information, cells: Cells, kinds: Sequence[str]) -> tuple[Spread, float]:
    """The spread of these kinds of highest log posterior density, and the log likelihood ratio to
    none plus the log prior of the days to forget."""
    if not kinds:
        return Spread(), 0.0

    def spread(x: Floats) -> Spread:
        sd = {kind: np.exp(x[2 * k : 2 * k + 2]) for k, kind in enumerate(kinds)}
        return Spread(sd, float(x[-1]))

    def negative(x: Floats) -> float:
        made = spread(x)
        penalty = sum(float(sd.sum()) for sd in made.sd.values()) / SD_SCALE
        forgets = 0.5 * ((x[-1] - FORGETS) / FORGETS_SD) ** 2
        return -_raise(information, made.covariance(cells)[:, :-1, :-1]) + penalty + forgets

    start = np.append(np.full(2 * len(kinds), np.log(0.1)), FORGETS)
    bounds = [(-6.0, 1.0)] * (2 * len(kinds)) + [(np.log(3.0), np.log(365.0))]
    found = minimize(negative, start, method="L-BFGS-B", bounds=bounds, options={"maxiter": 40})
    return spread(found.x), -float(found.fun)


def _raise(information: Information, H: Floats) -> float:
    """By how much effects of a prior covariance, shape (2, c, c), raise the log likelihood."""
    root = _root(H)
    inner = np.eye(root.shape[1]) + root.T @ information.precision @ root
    factor = cho_factor(inner, lower=True)
    pulled = root.T @ information.pull
    value = 0.5 * pulled @ cho_solve(factor, pulled) - np.sum(np.log(np.diagonal(factor[0])))
    return float(value)


def _posterior(information: Information, H: Floats) -> tuple[Floats, Floats]:
    """Mean, (2 (c + 1),), and covariance of the effects of all occasions, given the readings."""
    size = H.shape[1]
    root = _root(H)
    seen = np.concatenate([np.arange(size - 1), size + np.arange(size - 1)])
    of_seen = root[seen]
    inner = np.eye(root.shape[1]) + of_seen.T @ information.precision @ of_seen
    factor = cho_factor(inner, lower=True)
    mean = root @ cho_solve(factor, of_seen.T @ information.pull)
    return mean, root @ cho_solve(factor, root.T)


def _per_week(information: Information, spread: Spread, cells: Cells) -> tuple[Floats, Floats]:
    """Change of the slow component over the week before the moment, and its covariance."""
    if SLOW not in spread.sd:
        return np.zeros(2), np.zeros((2, 2))
    # The moment and the moment a week before are both asked about.
    time = np.append(cells.time, cells.time[-1] - WEEK)
    more = Cells(
        cells.which, time, np.append(cells.day, -2), np.append(cells.lot, -2), cells.events
    )
    size = len(time)
    H = spread.covariance(more)
    slow = (spread.sd[SLOW] ** 2)[:, None, None] * more.correlation(SLOW, spread.log_forgets)
    seen = np.arange(size - 2)
    at = np.concatenate([seen, size - 2 + seen])
    full = np.zeros((2 * (size - 2), 2 * (size - 2)))
    for q in range(2):
        part = slice(q * (size - 2), (q + 1) * (size - 2))
        full[part, part] = H[q][np.ix_(seen, seen)]
    # Covariance of the change with the effects that readings saw, and its own.
    change = np.array([[0.0] * (size - 2) + [1.0, -1.0]])
    with_seen = np.zeros((2, 2 * (size - 2)))
    own = np.zeros((2, 2))
    for q in range(2):
        with_seen[q, q * (size - 2) : (q + 1) * (size - 2)] = (change @ slow[q])[0, seen]
        own[q, q] = float((change @ slow[q] @ change.T)[0, 0])
    del at
    # h | readings is normal with precision A + H^-1; solve (I + A H) x = b.
    inner = np.eye(len(full)) + information.precision @ full
    mean = with_seen @ np.linalg.solve(inner, information.pull)
    covariance = own - with_seen @ np.linalg.solve(inner, information.precision @ with_seen.T)
    return mean, 0.5 * (covariance + covariance.T)


def _root(H: Floats) -> Floats:
    """A square root R of block-diagonal covariances H, shape (2, c, c): R R' = H, (2 c, 2 c)."""
    c = H.shape[1]
    found = np.zeros((2 * c, 2 * c))
    for q in range(2):
        part = slice(q * c, (q + 1) * c)
        found[part, part] = np.linalg.cholesky(H[q] + 1e-10 * np.eye(c))
    return found
