"""Middlings of the simulated deck: what leaves it is what was fed, and readings are not biased."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.plant.region import Region
from optimizer.plant.settings import GRAVITY_TABLE
from optimizer.simulation import random_deck, random_material
from optimizer.simulation.middlings import Divider


def case(seed):
    rng = np.random.default_rng(seed)
    deck, material = random_deck(rng), random_material(rng)
    region = Region.whole(GRAVITY_TABLE).narrow("feed_rate", 1.8, 4.0, "capacity")
    X = GRAVITY_TABLE.values(region.sample(256, rng))
    return deck, material, X[deck.run(X, material).failure < 0.1], rng


def test_product_and_middlings_are_the_product_of_a_lower_cut():
    """Mass and wanted material of both together are what the partition sends above the lower cut:
    a sum over the densities of the particles, here by drawing 200,000 of them (seed 3)."""
    deck, material, X, _ = case(0)
    divider = Divider(0.4)
    one, middle = deck.run(X, material), divider.middlings(deck, X, material)
    rng = np.random.default_rng(3)
    wanted = material.wanted_density + material.wanted_spread * rng.standard_normal(200_000)
    for k in range(3):
        low = one.cut[k] - divider.below * material.contrast
        above = deck.laws.partition((wanted - low) / one.probable_error[k]).mean()
        above = deck.bypass + (1.0 - 2.0 * deck.bypass) * above
        good = material.feed_grade * one.recovery[k] + middle.share[k] * middle.grade[k]
        assert good == pytest.approx(material.feed_grade * above, abs=4e-3)
    assert np.all(one.yield_ + middle.share < 1.0)


def test_a_wider_gap_between_the_dividers_takes_more_and_poorer_material():
    deck, material, X, _ = case(1)
    narrow, wide = (Divider(below).middlings(deck, X, material) for below in (0.2, 0.6))
    assert np.all(wide.share > narrow.share)
    assert np.mean(wide.grade < narrow.grade) > 0.95


def test_readings_scatter_about_the_truth_by_their_errors():
    """Seed 2; the mean of n standardized errors is within 4 / sqrt(n) of 0, their spread near 1."""
    deck, material, X, rng = case(2)
    divider = Divider()
    true, read = divider.middlings(deck, X, material), divider.measure(deck, X, material, rng)
    clear = true.share > 0.04
    z = (read.share - true.share)[clear] / divider.share_se
    assert abs(z.mean()) < 4.0 / np.sqrt(len(z))
    assert 0.8 < z.std() < 1.25
