"""What the runs of a line say of middlings that are kept as a product: their share, their grade.

The logits of both are Gaussian processes of their own, independent of sharpness and balance. They
act in coupled coordinates where the settings have them, without beliefs about which way these move
them. The errors of readings are known as far as a log states them; they are computed again from the
shares that a first fit expects, as those of grade and recovery are. Runs without middlings teach
nothing of them, and effects of time are not taken off.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.special import expit, ndtri

from optimizer.gaussian_process.inputs import Inputs
from optimizer.gaussian_process.solvers import InducingPoints
from optimizer.interval import ENDS, Interval, Intervals
from optimizer.measurement.share_readings import ShareReadings
from optimizer.model.deck_coordinates import deck_coordinates_of
from optimizer.model.deck_prior import Frame, share_process_of
from optimizer.plant.profiles import profiles_of

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from optimizer.evidence.record import Evidence
    from optimizer.gaussian_process.process import GaussianProcess

    Floats = NDArray[np.float64]

# Fewest runs with a share, or with a grade, from which it can be expected elsewhere.
FEWEST = 3
# With more set-points than this, the process has this many inducing points, as the surrogate has.
MOST_POINTS = 400
# Nodes of the Gauss-Hermite rule for the mean of a share whose logit is normal. With a standard
# deviation of 2 its error is below 1e-4.
NODES = 16


@dataclass(frozen=True)
class ShareProcess:
    """A fitted share.

    Args:
        process: the process of its logit, fitted.
    """

    process: GaussianProcess

    def mean(self, A: ArrayLike | Inputs) -> Floats:
        """Expected true share at inputs A, shape (n, d); shape (n,)."""
        return _mean(*self.process.predict(A, return_std=True))

    def draws(self, A: ArrayLike | Inputs, normals: Floats) -> Floats:
        """Draws of the true share at inputs A, shape (n, d).

        Args:
            A: the inputs.
            normals: standard normal deviates, shape (draws, n). Where they are independent, so are
                the errors at the inputs, which makes differences too wide rather than too narrow.

        Returns:
            shape (draws, n).
        """
        center, sd = self.process.predict(A, return_std=True)
        return np.asarray(expit(center + sd * normals))

    def predict(self, A: ArrayLike | Inputs) -> Intervals:
        """Mean and 90 % interval of the true share at inputs A, shape (n, d)."""
        center, sd = self.process.predict(A, return_std=True)
        low, high = (expit(center + ndtri(end) * sd) for end in ENDS)
        return Intervals(_mean(center, sd), low, high)


@dataclass(frozen=True)
class ExpectedMiddlings:
    """Middlings that are kept as a product: their share of the feed by mass, and the share of
    wanted material in them, None where too few runs state it."""

    share: Interval
    grade: Interval | None = None

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        grade = {} if self.grade is None else {"grade": self.grade.as_dict()}
        return {"share": self.share.as_dict(), **grade}


@dataclass(frozen=True)
class Middlings:
    """The middlings of a line over settings and material.

    Attributes:
        share: mass of the middlings over that of the feed.
        grade: share of wanted material in them; None where too few runs state it.
    """

    share: ShareProcess
    grade: ShareProcess | None

    def expected(self, A: ArrayLike | Inputs) -> tuple[ExpectedMiddlings, ...]:
        """What to expect of the middlings at inputs A, shape (n, d)."""
        share = self.share.predict(A)
        grade = None if self.grade is None else self.grade.predict(A)
        return tuple(
            ExpectedMiddlings(share[k], None if grade is None else grade[k])
            for k in range(len(share))
        )


def middlings_readings(evidence: Evidence) -> int:
    """Number of runs that state the share of their middlings, those of other lines included."""
    return sum(int(part.middlings_share.measured.sum()) for part in _parts(evidence))


def fit_middlings(evidence: Evidence, seed: int) -> Middlings | None:
    """The middlings of a line, learned from its runs and from those borrowed from other lines.

    Args:
        evidence: evidence of the line.
        seed: seed of all random numbers.

    Returns:
        None where fewer than ``FEWEST`` runs state a share.
    """
    share, grade = (
        _fit(evidence, [getattr(part, name) for part in _parts(evidence)], seed)
        for name in ("middlings_share", "middlings_grade")
    )
    return None if share is None else Middlings(share, grade)


def fit_share(X: Floats, readings: ShareReadings, frame: Frame) -> ShareProcess:
    """Fits a share to readings.

    Args:
        X: settings and material of n runs in unit coordinates, shape (n, d), with the number of the
            line as the last column where the frame says so.
        readings: the n readings, none of them missing.
        frame: inputs and solver of the process.
    """
    process = share_process_of(frame).fit(X, readings.logit, readings.variance)
    again = readings.given(process.predict(X))
    return ShareProcess(share_process_of(frame).fit(X, again.logit, again.variance))


def _fit(evidence: Evidence, each: list[ShareReadings], seed: int) -> ShareProcess | None:
    X = np.vstack([part.inputs for part in _parts(evidence)])
    readings = ShareReadings.joined(each)
    measured = readings.measured
    if measured.sum() < FEWEST:
        return None
    profiles = profiles_of(evidence.space)
    frame = Frame(
        profiles.names,
        X.shape[1] - len(evidence.groupings),
        deck_coordinates_of(evidence.space),
        evidence.groupings,
        InducingPoints(MOST_POINTS),
        seed,
        profiles.contrasts,
    )
    return fit_share(X[measured], readings.take(measured), frame)


def _parts(evidence: Evidence) -> list[Evidence]:
    return [evidence] if evidence.borrowed is None else [evidence, evidence.borrowed]


def _mean(center: Floats, sd: Floats) -> Floats:
    """Mean of expit(z) for normal z, shape (n,)."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(NODES)
    values = expit(center[:, None] + sd[:, None] * nodes)
    return np.asarray(values @ (weights / weights.sum()))
