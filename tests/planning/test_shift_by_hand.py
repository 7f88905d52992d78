"""What holds over a shift of two materials, with a model that is known: every figure by hand.

A quarter of the feed is rich (nine tenths are wanted), three quarters are poor (six tenths)."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.special import expit, logit

from optimizer.evidence.shift import Shift
from optimizer.gaussian_process.inputs import Inputs
from optimizer.model.selection import INTENSITY
from optimizer.planning import hold
from optimizer.planning.hold import (
    BLEND,
    Worst,
    _held,
    outlook,
    over_shift_at,
)
from optimizer.planning.situation import Situation, UnderWay
from optimizer.plant.brief import Brief, Range
from optimizer.plant.settings import GRAVITY_TABLE
from optimizer.plant.site import Site

FEED, SHARE = np.array([0.9, 0.6]), np.array([0.25, 0.75])
RICH, POOR = 0.0, 1.0  # the material's input
SHIFT = Shift(
    over={"moisture": Range(low=10.0, high=12.0)},
    values=({"moisture": 10.0}, {"moisture": 12.0}),
    today=np.array([[RICH], [POOR]]),
    feed_odds=logit(FEED),
    share=SHARE,
)
# Shares of the wanted and of the unwanted that reach the product, for each material.
WANTED, UNWANTED = np.array([0.8, 0.5]), np.array([0.08, 0.02])
PRODUCT = FEED * WANTED, (1.0 - FEED) * UNWANTED
GRADES = PRODUCT[0] / (PRODUCT[0] + PRODUCT[1])
BLENDED = np.sum(SHARE * PRODUCT[0]) / np.sum(SHARE * (PRODUCT[0] + PRODUCT[1]))
RECOVERED = np.sum(SHARE * PRODUCT[0]) / np.sum(SHARE * FEED)


def latent(inputs):
    """Sharpness and balance at each input: logits of the shares, less and plus each other. One
    tenth of the first setting is added to both logits."""
    which = inputs[:, -1].astype(int)
    more = 0.1 * inputs[:, 0]
    a, b = logit(WANTED)[which] + more, logit(UNWANTED)[which] + more
    return a - b, a + b


class KnownMember:
    """A member whose draws have stated deviations of sharpness and balance."""

    def __init__(self, inputs, factor):
        self.inputs, self.factor = inputs, factor

    def draws(self, normals):
        S, C = latent(self.inputs.values)
        off = self.factor * normals
        return S + off[:, :1], C + off[:, 1:]


class KnownPair:
    """A pair that deviates by next to nothing."""

    def moments(self, inputs):
        return SimpleNamespace(mean=latent(inputs.values))

    def covariance(self, P, Q):
        return 1e-18 * np.eye(2 * len(P.mean[0]))

    def with_deviations(self, moments, off):
        S, C = np.split(off, 2, axis=-1)
        return moments.mean[0] + S, moments.mean[1] + C


class KnownShares:
    """The share of the feed that goes to the product or the middlings, by material and setting."""

    pairs_ = (KnownPair(), KnownPair(), KnownPair())

    def __init__(self, shares=(0.3, 0.2)):
        self.shares = np.array(shares)

    def mean_yield(self, inputs, odds):
        A = Inputs.of(inputs).values
        which = A[:, -1].astype(int)
        assert np.allclose(odds, SHIFT.feed_odds[which])
        return self.mean(A)

    def mean(self, A):
        A = Inputs.of(A).values
        return self.shares[A[:, -1].astype(int)] * (1.0 + A[:, 0])


def evidence(shift=SHIFT, today=RICH):
    def inputs_at(values, material=None):
        material = np.array([today]) if material is None else material
        unit = GRAVITY_TABLE.to_unit(values)
        return np.hstack([unit, np.tile(material, (len(unit), 1))])

    return SimpleNamespace(
        line=None, space=GRAVITY_TABLE, shift=shift, today=np.array([today]),
        feed_odds_today=float(SHIFT.feed_odds[int(today)]), inputs_at=inputs_at,
        inputs_with=lambda index, m: inputs_at(GRAVITY_TABLE.values(index), m),
        inputs_today=lambda index: inputs_at(GRAVITY_TABLE.values(index)),
    )  # fmt: skip


def situation(surrogate=None, how=BLEND, middlings=None, even=1.0, shift=SHIFT, **tables):
    brief = Brief.from_dict({"goal": {"min_grade": 0.97, "hold": how}, **tables})
    made = Situation(None, evidence(shift), Site(), brief, 3, lambda _: None, UnderWay(()))
    made.__dict__.update(
        surrogate=surrogate or KnownShares(), middlings=middlings,
        chance_even_at=lambda values: np.full(len(values), even), starts=None,
    )  # fmt: skip
    return made


LOWEST = GRAVITY_TABLE.low[None, :]  # settings whose coordinates are all 0
TOPS = np.array([setting.top for setting in GRAVITY_TABLE.settings])
INDEX = np.vstack([0 * TOPS, TOPS])  # and those whose coordinates are all 1
FEEDS = GRAVITY_TABLE.values(INDEX)[:, 0]


@pytest.mark.parametrize("how", [BLEND, "throughout"])
@pytest.mark.parametrize(("coarse", "draws"), [(False, 64), (True, 16)])
def test_a_search_counts_the_draws_of_every_member_that_hold_the_grade(how, coarse, draws):
    normals, asked = np.random.default_rng(0).standard_normal((100, 2)), []

    def latent_of(inputs, rough):
        asked.append(rough)
        return SimpleNamespace(members=[KnownMember(inputs, factor) for factor in (0.5, 1.5)])

    surrogate = SimpleNamespace(normals_=normals, latent=latent_of)
    least = 0.98
    chance, recovery = outlook(situation(surrogate, how), INDEX, coarse, least)
    assert asked == [coarse, coarse]
    hits, means = np.zeros(2), np.zeros(2)
    for factor in (0.5, 1.5):
        for s, c in factor * normals[:draws]:
            for j, top in enumerate((0.0, 1.0)):
                p_w = expit(logit(WANTED) + 0.1 * top + 0.5 * (c + s))
                p_u = expit(logit(UNWANTED) + 0.1 * top + 0.5 * (c - s))
                good, bad = SHARE * FEED * p_w, SHARE * (1 - FEED) * p_u
                grade = good.sum() / (good + bad).sum()
                lowest = np.min(good / (good + bad))
                hits[j] += (grade if how == BLEND else lowest) >= least
                means[j] += good.sum() / (SHARE * FEED).sum()
    assert chance == pytest.approx(hits / (2 * draws))
    assert recovery == pytest.approx(means / (2 * draws))
    assert 0.05 < chance.min() < chance.max() < 0.95


def test_settings_over_a_shift_state_its_product_and_its_worst_material(monkeypatch):
    """Errors of readings lower the logit of the poor material's grade by 0.4: its grade alone then
    misses what is asked for."""
    noise = {RICH: 0.0, POOR: 0.4 / INTENSITY}
    monkeypatch.setattr(
        hold, "noise_of_grade",
        lambda pair, inputs, odds: np.array([noise[inputs.values[0, -1]]]) * (
            odds == SHIFT.feed_odds[int(inputs.values[0, -1])]),
    )  # fmt: skip
    least = float(expit(logit(GRADES[1]) - 0.2))
    assert GRADES[0] > least
    found = over_shift_at(situation(), LOWEST, least)
    assert (found.grade.mean, found.recovery.mean) == pytest.approx((BLENDED, RECOVERED))
    assert found.over == {"moisture": {"low": 10.0, "high": 12.0}}
    assert found.worst == Worst({"moisture": 12.0}, 0.0)
    throughout = over_shift_at(situation(how="throughout"), LOWEST, least)
    assert (throughout.chance_before, throughout.chance_of_grade) == (1.0, 0.0)
    # Of the blend's grade, that of the poor is only a part.
    careful = np.array([GRADES[0], expit(logit(GRADES[1]) - 0.4)])
    lowered = _held(SHIFT, careful, WANTED, BLEND)[0]
    assert lowered < BLENDED
    for asked, after in ((lowered - 1e-6, 1.0), (lowered + 1e-6, 0.0)):
        found = over_shift_at(situation(), LOWEST, asked)
        assert (found.chance_before, found.chance_of_grade) == (1.0, after)
    # The figures that are shown are those of the blend, whatever must hold.
    assert throughout.grade.mean == pytest.approx(BLENDED)


# ------------------------------------------------------------------ rates and capacity


def test_the_rate_of_product_is_the_mean_over_the_shift():
    made = situation()
    shares = np.array([0.25 * 0.3 + 0.75 * 0.2, 0.25 * 0.6 + 0.75 * 0.4])
    assert made.product_rate(INDEX) == pytest.approx(FEEDS * shares)
    assert made.product_tonnes_at(LOWEST) == pytest.approx(FEEDS[0] * shares[0])
    today = situation(shift=None)
    assert today.product_rate(INDEX) == pytest.approx(FEEDS * [0.3, 0.6])
    assert today.product_tonnes_at(LOWEST) == pytest.approx(FEEDS[0] * 0.3)


@pytest.mark.parametrize("shift", [SHIFT, None])
@pytest.mark.parametrize("middlings", [None, (0.1, 0.3)])
@pytest.mark.parametrize("name", ["max_product_rate", "max_reject_rate"])
def test_product_and_reject_stay_inside_the_capacity_with_every_material(name, middlings, shift):
    """A limit is what one of two settings just meets, or a little less."""
    kept = None if middlings is None else SimpleNamespace(share=KnownShares(middlings), grade=None)
    materials = [0, 1] if shift else [0]
    product = np.array([[0.3, 0.2], [0.6, 0.4]])[:, materials]
    middle = np.array([[0.1, 0.3], [0.2, 0.6]])[:, materials] if middlings else 0.0
    shares = product if name == "max_product_rate" else 1.0 - product - middle
    rates = FEEDS * shares.max(axis=1)
    for rate in rates:
        for most in (rate, rate - 1e-6):
            made = situation(middlings=kept, shift=shift, capacity={name: most})
            assert made.within_capacity(INDEX).tolist() == (rates <= most + 1e-9).tolist()
    assert situation(middlings=kept, shift=shift).within_capacity(INDEX).tolist() == [True, True]
