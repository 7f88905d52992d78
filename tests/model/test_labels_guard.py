"""The guard of a new label: each description competes with a twin that learns nothing from others.

Two labels of 20 runs each agree; a third has eight runs, either of the same deck or of one whose
settings act the other way round. The seed is 4. Descriptions are kept to one, for speed.
"""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.gaussian_process.kernel import LABELS
from optimizer.measurement import RunReadings
from optimizer.model.averaging import MOST_GUARDED
from optimizer.model.coordinates import from_latent
from optimizer.model.surrogate import Surrogate
from optimizer.plant.settings import GRAVITY_TABLE
from tests.model.simulated_runs import FEED_ODDS, deck

ASK = np.random.default_rng(8).random((60, 5))


def truth(X, label, mirrored):
    """Sharpness and balance of each run, where today's label, 0, may act the other way round."""
    return deck(np.where(((label == 0) & mirrored)[:, None], 1.0 - X, X))


def fitted(own, mirrored, others=40, labels=True):
    """A surrogate of today's label, fitted to readings of known small errors, and its error."""
    rng = np.random.default_rng(4)
    X = rng.random((others + own, 5))
    label = np.append(1.0 + np.arange(others) % 2, np.zeros(own))
    S, C = truth(X, label, mirrored)
    grade, recovery = from_latent(S, C, FEED_ODDS)
    stated = {"grade_se": 0.003, "recovery_se": 0.01}
    read = RunReadings.from_shares(grade, recovery, **stated)
    rows = np.ones(len(X), bool) if labels else label == 0
    inputs = np.hstack([X, label[:, None]]) if labels else X
    model = Surrogate(
        GRAVITY_TABLE.names,
        groupings=(LABELS,) if labels else (),
        descriptions=("single",),
    )
    model.fit(inputs[rows], read.take(rows), FEED_ODDS)
    A = np.hstack([ASK, np.zeros((len(ASK), int(labels)))])
    true = from_latent(*truth(ASK, np.zeros(len(ASK)), mirrored), FEED_ODDS)[1]
    told = model.predict(A, FEED_ODDS).recovery
    return model, float(np.sqrt(np.mean((told.mean - true) ** 2)))


def alone(model):
    """Share of the members in which today's label learns nothing from the others."""
    counts = {c.description.alone: len(c.members) for c in model.candidates_.values()}
    return counts.get(True, 0) / model.n_members_


def test_a_label_that_agrees_learns_from_the_others():
    model, error = fitted(8, mirrored=False)
    _, cold = fitted(8, mirrored=False, labels=False)
    assert alone(model) == 0.0
    assert model.agreement_ > 0.7
    assert error < 0.7 * cold


def test_a_label_that_contradicts_the_others_does_no_worse_than_cold():
    """Without the twin the estimated correlation is 0.5."""
    model, error = fitted(8, mirrored=True)
    _, cold = fitted(8, mirrored=True, labels=False)
    assert alone(model) > 0.5
    assert model.agreement_ < 0.4
    assert error < 1.1 * cold
    assert [f.name for f in model.favored_.each] == ["single"]
    assert model.favored_.each[0].weight == pytest.approx(1.0)


@pytest.mark.parametrize(("own", "others"), [(0, 20), (MOST_GUARDED + 1, 10)])
def test_a_label_of_no_run_or_of_many_has_no_twin(own, others):
    model, _ = fitted(own, mirrored=False, others=others)
    assert alone(model) == 0.0
