"""The simulated deck: directions of its effects, statistics of its noise, and its optimum.

Directions are common practice in the trade (no published source): more side tilt sends material
to the low side, more speed to the high side, more end raise shortens exposure, more feed makes a
deeper bed that separates worse, too much air mixes, too little leaves everything at the high side.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from scipy.integrate import quad

from optimizer.errors import InputError, LimitError
from optimizer.plant.region import Coupling, Region
from optimizer.plant.run_columns import DECK_STATES
from optimizer.plant.settings import GRAVITY_TABLE
from optimizer.simulation import (
    FAMILIES,
    attainable,
    demanding_grade,
    demo_deck,
    demo_material,
    physics,
    random_deck,
    random_material,
)
from optimizer.simulation.cases import with_tapered_need

WHOLE = Region.whole(GRAVITY_TABLE)
PRODUCTION = WHOLE.narrow("feed_rate", 1.8, 4.0, "capacity")
LINES = ("deck-1", "deck-2", "deck-3")
COLUMN = {name: j for j, name in enumerate(GRAVITY_TABLE.names)}
DECKS_DRAWN = 20
# Settings at which an average deck runs evenly.
USUAL = np.array([[2.0, 2.5, 2.5, 460.0, 42.0]])


def moved(settings, name, change):
    shifted = settings.copy()
    shifted[:, COLUMN[name]] += change
    return shifted


def draws(family, count=DECKS_DRAWN):
    for k in range(count):
        rng = np.random.default_rng([k, 7])
        yield random_deck(rng, family), random_material(rng, family), rng


def well_run(deck, material, rng, count=2000, blunter=1.5):
    """Random settings at which the bed is even and Ep is at most 1.5 times the deck's best."""
    settings = GRAVITY_TABLE.values(WHOLE.sample(count, rng))
    response = deck.run(settings, material)
    best = deck.imperfection * material.mean_density
    sharp = response.probable_error < blunter * best
    middle = (response.recovery > 0.5) & (response.recovery < 0.98)
    return settings[(response.failure < 0.05) & sharp & middle]


def agreement(family, check):
    """Share of well-run settings, over many decks, at which ``check`` holds."""
    held = [check(d, m, x) for d, m, rng in draws(family) if len(x := well_run(d, m, rng))]
    return np.concatenate(held).mean()


@pytest.mark.parametrize("family", FAMILIES)
def test_more_side_tilt_always_lowers_recovery_and_nearly_always_raises_grade(family):
    def check(deck, material, settings):
        before = deck.run(settings, material)
        after = deck.run(moved(settings, "side_tilt", 0.2), material)
        assert np.all(after.recovery < before.recovery)
        assert np.all(after.yield_ < before.yield_)
        return after.grade > before.grade

    # For heavy-tailed ores extreme tilt loses wanted particles as fast as unwanted ones.
    assert agreement(family, check) >= (0.90 if family == "ores" else 1.0)


@pytest.mark.parametrize("family", FAMILIES)
def test_more_speed_moves_material_to_the_high_side(family):
    def check(deck, material, settings):
        before = deck.run(settings, material)
        after = deck.run(moved(settings, "eccentric_speed", 10.0), material)
        assert np.all(after.cut < before.cut)
        return np.column_stack(
            [
                after.recovery > before.recovery,
                after.yield_ > before.yield_,
                after.grade < before.grade,
            ]
        )

    held = [check(d, m, x) for d, m, rng in draws(family) if len(x := well_run(d, m, rng))]
    recovery, product, grade = np.concatenate(held).mean(axis=0)
    # Beyond the best throw the separation also gets less sharp, so recovery does not always rise.
    assert recovery >= 0.75
    assert product >= 0.90
    assert grade >= 0.80


@pytest.mark.parametrize("family", FAMILIES)
def test_more_end_raise_shortens_exposure_and_a_thin_bed_separates_worse(family):
    def check(deck, material, settings):
        steeper = moved(settings, "end_raise", 0.5)
        slow, fast = (deck.travel(x[:, 1], x[:, 3]) for x in (settings, steeper))
        assert np.all(deck.length / fast < deck.length / slow)
        depth = deck.bed_depth(settings[:, 0], slow, material)
        thin = depth < 0.4 * deck.most_depth
        return sharpest(deck, material, steeper[thin]) > sharpest(deck, material, settings[thin])

    assert agreement(family, check) >= 0.9


@pytest.mark.parametrize("family", FAMILIES)
def test_more_feed_makes_a_deeper_bed_that_separates_worse_with_the_air_set_again(family):
    def check(deck, material, settings):
        more = moved(settings, "feed_rate", 0.5)
        travel = deck.travel(settings[:, 1], settings[:, 3])
        depths = (deck.bed_depth(x[:, 0], travel, material) for x in (settings, more))
        assert np.all(np.diff(np.array(list(depths)), axis=0) > 0.0)
        return sharpest(deck, material, more) > sharpest(deck, material, settings)

    assert agreement(family, check) >= 0.97


def sharpest(deck, material, settings):
    """Lowest Ep over all turns of the air gate, shape (n,)."""
    turns = np.arange(0.0, 91.0, 3.0)
    every = np.repeat(settings, len(turns), axis=0)
    every[:, COLUMN["air"]] = np.tile(turns, len(settings))
    return deck.run(every, material).probable_error.reshape(len(settings), -1).min(axis=1)


@pytest.mark.parametrize("family", FAMILIES)
def test_air_has_an_optimum_between_sluggish_and_boiling(family):
    for deck, material, _ in draws(family):
        deck = replace(deck, open_velocity=2.0 * deck.open_velocity)
        air = np.repeat(USUAL, 91, axis=0)
        air[:, COLUMN["air"]] = np.arange(91.0)
        response = deck.run(air, material)
        best = int(np.argmin(response.probable_error))
        assert 0 < best < 90
        assert response.deck_state[0] == "sluggish"
        assert response.deck_state[90] == "boiling"
        # Too little air leaves everything at the high side; too much lifts heavy ones to the low.
        unwanted = response.yield_ - material.feed_grade * response.recovery
        assert unwanted[0] > unwanted[best]
        assert response.recovery[90] < response.recovery[best]


def test_the_fullest_and_emptiest_decks_flood_and_starve():
    deck, material = demo_deck("deck-1"), demo_material()
    ends = np.array([[0.5, 5.0, 2.0, 600.0, 30.0], [2.5, 0.8, 2.0, 420.0, 65.0]])
    assert list(deck.run(ends, material).deck_state) == ["starved", "flooded"]


@pytest.mark.parametrize("family", FAMILIES)
def test_mass_balance_closes(family):
    for deck, material, rng in draws(family):
        response = deck.run(GRAVITY_TABLE.values(WHOLE.sample(512, rng)), material)
        product = response.yield_ * response.grade
        reject = (1.0 - response.yield_) * (1.0 - response.recovery)
        assert np.allclose(product, material.feed_grade * response.recovery, rtol=1e-12)
        # The reject has room for the wanted material that the product lacks; no share exceeds 1.
        lost = material.feed_grade * (1.0 - response.recovery)
        assert np.all((lost >= 0.0) & (lost <= 1.0 - response.yield_ + 1e-12))
        assert np.all((reject >= 0.0) & (response.grade <= 1.0))
        assert np.allclose(response.chance.sum(axis=1), 1.0)


def test_the_bed_transports_the_feed():
    deck, material = demo_deck("deck-1"), demo_material()
    travel = deck.travel(USUAL[:, 1], USUAL[:, 3])
    depth = deck.bed_depth(USUAL[:, 0], travel, material)
    tonnes_per_hour = 3.6 * material.bulk_density * deck.width * depth * travel
    assert tonnes_per_hour == pytest.approx(USUAL[:, 0], rel=1e-12)


def test_an_ideal_separator_recovers_all_and_only_the_wanted():
    material = replace(demo_material(), wanted_spread=1e-3, unwanted_spread=1e-3)
    response = replace(demo_deck("deck-1"), imperfection=1e-9).run(USUAL, material)
    assert material.unwanted_density < response.cut[0] < material.wanted_density
    assert response.recovery[0] == pytest.approx(1.0, abs=1e-12)
    assert response.grade[0] == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize("partition", ["logistic", "normal", "arctan"])
def test_without_separation_the_product_is_the_feed(partition):
    laws = physics.Laws(partition=getattr(physics, f"{partition}_partition"))
    deck, material = replace(demo_deck("deck-1"), imperfection=1e6, laws=laws), demo_material()
    response = deck.run(USUAL, material)
    assert response.grade[0] == pytest.approx(material.feed_grade, abs=1e-6)
    assert response.yield_[0] == pytest.approx(0.5, abs=1e-3)


@pytest.mark.parametrize("partition", ["logistic", "normal", "arctan"])
def test_quadrature_agrees_with_adaptive_integration(partition):
    curve = getattr(physics, f"{partition}_partition")
    for sharpness in (0.5, 1.0, 3.0):
        for cut in (-2.0, 0.3, 1.5):
            exact, _ = quad(
                lambda x, c=cut, s=sharpness: curve((x - c) / s) * stats.norm.pdf(x),
                -9.0,
                9.0,
                points=[cut],
                epsabs=1e-10,
            )
            rule = physics.share_to_heavy(curve, 0.0, 1.0, np.array([cut]), np.array([sharpness]))
            assert rule[0] == pytest.approx(exact, abs=2e-4 if partition == "arctan" else 1e-6)


def test_a_closed_gate_passes_no_air_and_an_open_one_the_stated_velocity():
    deck, material = demo_deck("deck-2"), demo_material()
    ends = deck.air_velocity(np.array([0.0, 90.0]), np.zeros(2), material)
    assert ends == pytest.approx([0.0, deck.open_velocity])
    turns = deck.air_velocity(np.arange(91.0), np.full(91, 0.03), material)
    assert np.all(np.diff(turns) > 0.0)
    assert turns[-1] < deck.open_velocity


def test_the_same_seed_gives_the_same_log_and_another_seed_another():
    deck, material = demo_deck("deck-3"), demo_material()
    settings = np.repeat(USUAL, 50, axis=0)
    logs = [deck.measure(settings, material, np.random.default_rng(s)) for s in (5, 5, 6)]
    assert np.array_equal(logs[0].grade, logs[1].grade, equal_nan=True)
    assert np.array_equal(logs[0].recovery, logs[1].recovery, equal_nan=True)
    assert not np.array_equal(logs[0].grade, logs[2].grade, equal_nan=True)


# Sampling checks: seed 11, limits at 4.4 standard errors, one false alarm in 100,000 per check.
MANY = 40_000
LIMIT = 4.4


def many(deck, count=400):
    settings = np.repeat(USUAL, MANY, axis=0)
    rng = np.random.default_rng(11)
    return deck.measure(settings, demo_material(), rng, grade_count=count)


def test_a_grade_reading_is_a_binomial_count():
    deck = replace(demo_deck("deck-1"), cut_noise=0.0, sharpness_noise=0.0)
    true = deck.run(USUAL, demo_material()).grade[0]
    grade = many(deck).grade
    grade = grade[~np.isnan(grade)]
    variance = true * (1.0 - true) / 400
    assert abs(grade.mean() - true) < LIMIT * np.sqrt(variance / len(grade))
    spread = np.sqrt(stats.moment((grade - true), 4) - variance**2)
    assert abs(grade.var() - variance) < LIMIT * spread / np.sqrt(len(grade))
    assert np.allclose(grade * 400, np.rint(grade * 400))


def test_a_recovery_reading_has_its_stated_error():
    deck = replace(demo_deck("deck-1"), cut_noise=0.0, sharpness_noise=0.0)
    true = deck.run(USUAL, demo_material()).recovery[0]
    recovery = many(deck).recovery
    recovery = recovery[~np.isnan(recovery)]
    # The statistics are exact on the logit scale, where the error is added.
    error = np.log(recovery / (1 - recovery)) - np.log(true / (1 - true))
    stated = deck.recovery_se / (true * (1.0 - true))
    assert abs(error.mean()) < LIMIT * stated / np.sqrt(len(error))
    assert abs(error.std() / stated - 1.0) < LIMIT / np.sqrt(2 * len(error))


def test_run_to_run_noise_moves_the_cut_by_its_stated_deviation():
    deck = replace(demo_deck("deck-1"), sharpness_noise=0.0, recovery_se=1e-9)
    material = demo_material()
    recovery = many(deck).recovery
    recovery = recovery[~np.isnan(recovery)]
    # Recovery falls as the cut rises, so one deviation of the cut is a quantile of recovery.
    for z in (-1.0, 0.0, 1.0):
        shift = z * deck.cut_noise / deck.cut_response
        scale = np.exp(shift)  # of sin(tilt), on which the cut depends by its logarithm
        tilt = np.degrees(np.arcsin(scale * np.sin(np.radians(USUAL[0, 2]))))
        at = deck.run(moved(USUAL, "side_tilt", tilt - USUAL[0, 2]), material).recovery[0]
        share = stats.norm.sf(z)
        error = np.sqrt(share * (1.0 - share) / len(recovery))
        assert abs((recovery < at).mean() - share) < LIMIT * error


def test_bed_states_occur_with_their_chance_and_a_failed_trial_has_no_reading():
    deck = demo_deck("deck-1")
    border = moved(USUAL, "air", 9.0)
    chance = deck.run(border, demo_material()).chance[0]
    assert 0.05 < chance[0] < 0.95  # the settings lie on a border between states
    rng = np.random.default_rng(11)
    reading = deck.measure(np.repeat(border, MANY, axis=0), demo_material(), rng)
    for state, p in zip(DECK_STATES, chance, strict=True):
        error = np.sqrt(p * (1.0 - p) / MANY)
        assert abs((reading.deck_state == state).mean() - p) <= LIMIT * error + 1.0 / MANY
    failed = reading.deck_state != "even"
    assert np.array_equal(np.isnan(reading.grade), failed)
    assert np.array_equal(np.isnan(reading.recovery), failed)


@pytest.mark.parametrize("case", [*LINES, *FAMILIES])
def test_no_random_lattice_point_beats_the_attainable_optimum(case):
    rng = np.random.default_rng(3)
    if case in LINES:
        deck, material, goal = demo_deck(case), demo_material(), 0.985
    else:
        deck, material = random_deck(rng, case), random_material(rng, case)
        goal = demanding_grade(deck, material, region=PRODUCTION)
    best = attainable(deck, material, goal, PRODUCTION)
    first, last = np.array(PRODUCTION.first), np.array(PRODUCTION.last)
    index = rng.integers(first, last + 1, size=(200_000, 5))
    response = deck.run(GRAVITY_TABLE.values(index), material)
    good = (response.grade >= goal) & (response.failure <= 0.05)
    assert good.sum() > 1000
    assert best.recovery >= response.recovery[good].max()
    again = deck.run(best.settings[None], material)
    assert (again.recovery[0], again.grade[0]) == (best.recovery, best.grade)
    assert best.grade >= goal
    assert best.failure <= 0.05


def test_the_optimum_does_not_depend_on_the_seed_of_the_search():
    deck, material = demo_deck("deck-2"), demo_material()
    found = {attainable(deck, material, 0.985, PRODUCTION, seed=s).recovery for s in range(3)}
    assert max(found) - min(found) < 1e-4


def test_the_optimum_honours_bounds_couplings_and_the_lattice():
    deck, material = demo_deck("deck-1"), demo_material()
    free = attainable(deck, material, 0.985)
    ridge = Coupling({"side_tilt": 1.0, "eccentric_speed": -0.01}, at_least=-2.0)
    region = replace(PRODUCTION, couplings=(ridge,)).narrow("air", 0.0, 34.0, "short of air")
    held = attainable(deck, material, 0.985, region)
    assert free.settings[0] < 1.8 <= held.settings[0]
    assert held.settings[4] <= 34.0
    assert held.settings[2] - 0.01 * held.settings[3] >= -2.0 - 1e-9
    assert held.recovery < free.recovery
    index = GRAVITY_TABLE.nearest_index(held.settings[None])
    assert np.array_equal(GRAVITY_TABLE.values(index)[0], held.settings)


def test_a_grade_out_of_reach_is_refused_with_the_nearest():
    with pytest.raises(LimitError, match=r"reach grade 0\.9999 .* the nearest has grade 0\.99"):
        attainable(demo_deck("deck-1"), demo_material(), 0.9999)


def test_a_demanding_grade_is_reached_by_the_requested_share():
    deck, material = demo_deck("deck-1"), demo_material()
    goal = demanding_grade(deck, material, 0.03, PRODUCTION)
    settings = GRAVITY_TABLE.values(PRODUCTION.sample(20_000, np.random.default_rng(9)))
    response = deck.run(settings, material)
    share = ((response.grade >= goal) & (response.failure <= 0.05)).mean()
    assert share == pytest.approx(0.03, abs=0.004)


def test_unknown_names_are_refused_with_the_nearest_known_one():
    rng = np.random.default_rng(0)
    with pytest.raises(InputError, match=r"no line 'deck-9'.*Did you mean 'deck-"):
        demo_deck("deck-9")
    for draw in (random_deck, random_material):
        with pytest.raises(InputError, match=r"no family of decks 'bean'.*'beans'"):
            draw(rng, "bean")


@pytest.mark.parametrize("family", FAMILIES)
def test_gates_alike_over_a_flat_need_are_the_deck_with_one_air(family):
    rng = np.random.default_rng(11)
    deck, material = random_deck(rng, family), random_material(rng, family)
    one = GRAVITY_TABLE.values(WHOLE.sample(200, rng))
    before = deck.run(one, material)
    for gates in (2, 4):
        alike = np.hstack([one[:, :4], np.repeat(one[:, 4:], gates, axis=1)])
        for parts in ((0.0,), (0.0,) * 4):
            after = replace(deck, air_need=parts).run(alike, material)
            np.testing.assert_array_equal(after.recovery, before.recovery)
            np.testing.assert_array_equal(after.grade, before.grade)
            np.testing.assert_array_equal(after.chance, before.chance)


def test_a_profile_that_follows_the_need_is_a_flat_profile_of_a_flat_need():
    # With a fan that is not throttled by its gates, velocity is proportional to the opening, so air
    # in proportion to the need leaves every part as well supplied as the whole.
    fan = replace(demo_deck("deck-1"), gate_share=1.0)
    tapered = with_tapered_need(fan, 0.2)
    needed = np.hstack([USUAL[:, :4], USUAL[:, 4:] * np.exp(tapered.air_need)])
    assert needed[0, 4] > needed[0, 7]
    flat, followed = fan.run(USUAL, demo_material()), tapered.run(needed, demo_material())
    assert followed.recovery == pytest.approx(flat.recovery)
    assert followed.grade == pytest.approx(flat.grade)
    wrong = tapered.run(needed[:, [0, 1, 2, 3, 7, 6, 5, 4]], demo_material())
    assert wrong.failure > 0.5 > followed.failure


def test_gates_are_worth_something_only_where_the_need_has_a_taper():
    space = GRAVITY_TABLE.with_gates("air", 4)
    four = Region.whole(space).narrow("feed_rate", 1.8, 4.0, "capacity")
    deck, material = demo_deck("deck-1"), demo_material()
    with_one = attainable(deck, material, 0.985, PRODUCTION).recovery
    assert attainable(deck, material, 0.985, four).recovery == pytest.approx(with_one, abs=0.005)
    tapered = with_tapered_need(deck, 0.15)
    with_one = attainable(tapered, material, 0.985, PRODUCTION).recovery
    best = attainable(tapered, material, 0.985, four)
    assert best.recovery > with_one + 0.01
    assert (np.diff(best.settings[4:]) < 0.0).all()


def test_a_deck_fails_where_one_part_has_too_much_air():
    deck, material = demo_deck("deck-1"), demo_material()
    even = np.hstack([USUAL, np.repeat(USUAL[:, 4:], 3, axis=1)])
    assert deck.run(even, material).failure[0] < 0.05
    even[0, 6] = 90.0
    assert deck.run(even, material).deck_state[0] == "boiling"
