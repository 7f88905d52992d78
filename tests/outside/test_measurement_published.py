"""Grade, recovery, efficiency and density separation against published numbers.

Each value has its source beside it; "from memory" where the source was not at hand. Published
numbers that do not follow from their own inputs are kept as negative tests: our code must give the
correct figure, not the printed one.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose

from optimizer.measurement import (
    PartitionCurve,
    build_up,
    concentration_criterion,
    fit_partition,
    grade_recovery,
    imperfection,
    implied_reject,
    n_product,
    product_index,
    schulz_efficiency,
    separation_efficiency,
    two_product,
    water_band,
    weighed_recovery,
)
from optimizer.measurement.balancing import balance_tests


class TestGradeAndRecovery:
    def test_two_product_formula(self):
        # Numbers from a public engineering-calculator page; formula as in B. A. Wills and J. A.
        # Finch, Mineral Processing Technology, 8th ed. 2016, ch. 3 (chapter from memory).
        split = two_product(1.0, 10.0, 0.2)
        assert float(split.yield_) == pytest.approx(0.0816327, rel=1e-6)
        assert float(split.recovery) == pytest.approx(0.8163265, rel=1e-6)
        assert float(split.ratio) == pytest.approx(12.25, rel=1e-6)
        assert float(split.enrichment) == pytest.approx(10.0, rel=1e-6)

    # H. M. Jassim, Mineral Processing Engineering PTR-423, Lecture 3, Tishk International
    # University 2021/22: concentrate 9.3 wt%, tailing 90.7 wt%.
    def test_flotation_product_table(self):
        built = build_up([9.3, 90.7], [18.52, 0.15])
        assert float(built.head) == pytest.approx(1.86, abs=0.005)
        split = two_product(1.86, 18.52, 0.15)
        assert float(built.recovery[0]) == pytest.approx(float(split.recovery), abs=1e-4)
        assert float(split.yield_) == pytest.approx(0.093087, abs=5e-7)
        assert float(split.ratio) == pytest.approx(10.743, abs=5e-4)

    def test_closure_gap_in_the_same_table(self):
        # The gangue column of that table prints a feed of 57.9 %; the products add up to 58.04 %.
        assert float(build_up([9.3, 90.7], [12.6, 62.7]).head) == pytest.approx(58.04, abs=0.005)

        def warnings(feed, product, reject):
            rows = {
                "test_id": [1] * 3,
                "stream": ["feed", "product", "reject"],
                "mass": [None, 9.3, 90.7],
                "assay": [feed, product, reject],
            }
            (result,) = balance_tests(rows, pure=100.0)
            return " ".join(result.warnings)

        assert "feed assay that differs by +0.24% from the measured" in warnings(57.9, 12.6, 62.7)
        assert "add up to" not in warnings(1.86, 18.52, 0.15)

    @pytest.mark.parametrize(
        ("weighed", "recovery"),
        [
            # A. Ghasemi, mineral-processing-functions, Docs/RecoveryWeight.md, 2025.
            ((200.0, 0.10, 50.0, 0.30), 0.75),
            # Public lecture-style page: 100 t/h at 1 %, 4.5 t/h at 20 %.
            ((100.0, 1.0, 4.5, 20.0), 0.90),
        ],
    )
    def test_recovery_by_weights(self, weighed, recovery):
        assert float(weighed_recovery(*weighed).recovery) == pytest.approx(recovery, rel=1e-12)

    def test_implied_tailing(self):
        # The lecture-style page above: enrichment 20, and by arithmetic a tailing of 0.1047 %.
        assert float(weighed_recovery(100.0, 1.0, 4.5, 20.0).enrichment) == pytest.approx(20.0)
        _, reject = implied_reject(0.20, 0.90, 0.01)
        assert float(reject) == pytest.approx(0.001047, abs=5e-7)

    @pytest.mark.parametrize(
        ("assays", "right", "printed"),
        [
            # A. Ghasemi, mineral-processing-functions, Docs/RecoveryGrade.md, 2025.
            ((0.10, 0.30, 0.05), 0.600, 0.75),
            # Docstring of a public repository, there called an efficiency in per cent.
            ((0.05, 0.40, 0.01), 0.820513, 0.885),
        ],
    )
    def test_printed_recoveries_that_are_wrong(self, assays, right, printed):
        recovery = float(two_product(*assays).recovery)
        assert recovery == pytest.approx(right, abs=5e-7)
        assert abs(recovery - printed) > 0.05

    def test_concentrate_poorer_than_feed(self):
        # A public calculator tutorial prints 64.28 % for feed 14, concentrate 12, tailing 20: the
        # arithmetic is right, but that "concentrate" is the reject. We must give a warning.
        assert not two_product(14.0, 12.0, 20.0).upgraded
        rows = {"test_id": [1] * 3, "stream": ["feed", "product", "reject"]}
        (result,) = balance_tests({**rows, "assay": [0.14, 0.12, 0.20]})
        assert result.recovery == pytest.approx(0.642857, abs=1e-6)
        assert "poorer than the feed" in " ".join(result.warnings)

    def test_three_products(self):
        # Public engineering-calculator page: lead and zinc concentrates and a tailing.
        found = n_product([3.0, 6.0], [[50.0, 8.0], [2.0, 55.0], [0.2, 0.5]])
        assert_allclose(100 * found.yield_, [5.28401, 9.36459, 85.3514], atol=1e-4)
        assert_allclose(100 * found.recovery[:2, 0], [88.0668, 6.24306], atol=1e-4)
        assert_allclose(100 * found.recovery[:2, 1], [7.04535, 85.842], atol=1e-4)

    # Heavy-liquid test of a tin ore, 2,000 g, university exam question; the data resemble those in
    # the heavy-liquid chapter of Wills and Finch (from memory).
    SINK_MASS = (31.4, 184.4, 522.2, 393.4, 238.2, 218.4, 157.4, 51.0, 203.6)
    SINK_TIN = (0.003, 0.04, 0.04, 0.04, 0.17, 0.34, 0.37, 1.30, 9.60)

    def test_heavy_liquid_table(self):
        built = build_up(self.SINK_MASS, self.SINK_TIN)
        assert float(built.head) == pytest.approx(1.12, abs=0.005)
        mass = [1.57, 10.79, 36.90, 56.57, 68.48, 79.40, 87.27, 89.82, 100.0]
        tin = [0.00, 0.33, 1.27, 1.97, 3.78, 7.10, 9.70, 12.66, 100.0]
        assert_allclose(100 * np.cumsum(built.share), mass, atol=0.0101)
        assert_allclose(100 * np.cumsum(built.recovery), tin, atol=0.0101)

    def test_heavy_liquid_cut(self):
        # The exam text says that 68.6 % floats below 2.75; the weights in it give 68.48 %.
        built = build_up(self.SINK_MASS, self.SINK_TIN)
        assert 100 * float(built.share[:5].sum()) == pytest.approx(68.48, abs=0.005)
        assert 100 * float(built.recovery[5:].sum()) == pytest.approx(96.22, abs=0.02)
        sink = build_up(self.SINK_MASS[5:], self.SINK_TIN[5:])
        assert float(sink.head) == pytest.approx(3.416, abs=5e-4)

    def test_size_assay_table(self):
        # G. Akar Sen, Minerals 2016, 6(1), 5, doi 10.3390/min6010005.
        mass = [5.0, 5.7, 8.1, 7.7, 10.6, 11.0, 11.1, 40.8]
        chromite = [17.0, 20.1, 20.3, 24.8, 32.0, 32.2, 31.9, 21.7]
        built = build_up(mass, chromite)
        assert float(built.head) == pytest.approx(24.9, abs=0.05)
        printed = [3.4, 4.6, 6.6, 7.7, 13.6, 14.2, 14.2, 35.6]
        assert_allclose(100 * built.recovery, printed, atol=0.0501)

    def test_reported_runs_are_feasible(self):
        # Grades and recoveries of runs 1 to 20 in G. Akar Sen 2016, feed 24.9 %.
        grade = "42.3 41.3 37.9 36.5 40.3 33.3 30.3 37.0 37.8 28.2 29.1 32.2 30.0 37.1 35.5 35.7"
        recovery = "68.1 70.8 66.1 64.7 71.7 61.0 53.2 71.9 68.5 50.3 52.9 59.7 54.4 66.4 63.2 64.2"
        grade, recovery = f"{grade} 38.8 40.5 30.6 42.2", f"{recovery} 69.9 67.2 57.2 70.9"
        c, r = (np.array(text.split(), dtype=float) / 100 for text in (grade, recovery))
        yields, reject = implied_reject(c, r, 0.249)
        assert (round(yields.min(), 3), round(yields.max(), 3)) == (0.401, 0.484)
        assert float(reject[0]) == pytest.approx(0.1326, abs=5e-5)
        assert ((reject > 0) & (reject < 0.249)).all()
        # A chromite tailings thesis, University of Johannesburg: 19.86 % to 37 % at 67.01 %.
        y, t = implied_reject(0.37, 0.6701, 0.1986)
        assert_allclose([y, t], [0.3597, 0.1023], atol=5e-5)


class TestSeparationEfficiency:
    # N. F. Schulz, "Separation efficiency", Trans. SME-AIME 247 (1970) 81-87.
    @pytest.mark.parametrize(
        ("yield_", "c", "f", "m"),
        [
            (0.25, 0.30, 0.10, 0.70),
            (0.0098, 63.0, 1.0, 78.6),
            (0.8, 0.99, 0.9, 1.0),
            (0.3, 5, 2, 9),
        ],
    )
    def test_both_forms_are_equal(self, yield_, c, f, m):
        by_definition = separation_efficiency(yield_ * c / f, c, f, m)
        assert_allclose(by_definition, schulz_efficiency(yield_, c, f, m), rtol=1e-9)

    def test_tin_concentrator(self):
        # Wills and Finch 2016, ch. 1 (inputs and answers from memory): tin, pure mineral 78.6 %.
        found = separation_efficiency([0.62, 0.72, 0.78], [63.0, 42.0, 21.0], 1.0, 78.6)
        assert_allclose(100 * found, [61.8, 71.2, 75.2], atol=0.05)

    def test_printed_efficiency_that_is_wrong(self):
        # A. Ghasemi, Docs/SeparationEfficiencyM.md, 2025, prints 0.2143.
        assert float(schulz_efficiency(50 / 200, 0.30, 0.10, 0.70)) == pytest.approx(
            0.58333, abs=5e-6
        )

    def test_printed_product_index_that_is_wrong(self):
        # A. Ghasemi, Docs/SeparationEfficiency.md, 2025, prints 0.1875 for
        # c(f-t)(c-f)(1-t) / (f(c-t)^2(1-f)) at c 0.30, t 0.05, f 0.10.
        c, t, f = 0.30, 0.05, 0.10
        index = float(product_index(two_product(f, c, t).recovery, c, f))
        closed = c * (f - t) * (c - f) * (1 - t) / (f * (c - t) ** 2 * (1 - f))
        assert index == pytest.approx(closed, rel=1e-12)
        assert index == pytest.approx(0.50667, abs=5e-6)

    def test_the_two_indices_rank_differently(self):
        # S. Konopka et al., Sustainability 2018, 10(11), 3870, report a product of two yields. It
        # is no separation efficiency: the two indices can rank runs in opposite order.
        recovery, waste = np.array([1.00, 0.50]), np.array([0.55, 0.06])
        grade = recovery / (recovery + waste)
        difference = separation_efficiency(recovery, grade, 0.5)
        product = product_index(recovery, grade, 0.5)
        assert_allclose(difference, [0.45, 0.44], rtol=1e-12)
        assert_allclose(product, [0.45, 0.47], rtol=1e-12)


class TestDensity:
    def test_gold_and_quartz(self):
        # Criterion of A. F. Taggart, Handbook of Mineral Dressing, 1945 (from memory); 11.1 in
        # water as in the tests of a public repository citing Taggart, and in Wills and Finch.
        criterion = concentration_criterion(19.3, 2.65, 1.0)
        assert float(criterion) == pytest.approx(11.1, abs=0.05)
        assert str(water_band(criterion)) == "effective to about 0.075 mm"
        assert float(concentration_criterion(19.3, 2.65, 0.0012)) == pytest.approx(7.28, abs=0.01)

    @pytest.mark.parametrize(
        ("criterion", "size"), [(2.6, "0.075"), (2.0, "0.15"), (1.6, "1.7"), (1.3, "6.35")]
    )
    def test_bands(self, criterion, size):
        # Taggart 1945 (from memory). A public repository puts 75 µm on the 1.75 band and leaves
        # the 1.5 band out: not copied.
        assert str(water_band(criterion)) == f"effective to about {size} mm"

    def test_air_is_not_water(self):
        # Computed: cassiterite 6.8, quartz 2.65: 2.566 in air, 3.515 in water.
        assert float(concentration_criterion(6.8, 2.65, 0.0012)) == pytest.approx(2.566, abs=0.001)
        assert float(concentration_criterion(6.8, 2.65, 1.0)) == pytest.approx(3.515, abs=0.001)

    def test_logistic_curve_with_published_constant(self):
        # T. J. Napier-Munn's form with 1.099 for ln 3, as in the public repository
        # elphick/geometallurgy, utils/partition.py: 10, 25, 50, 75, 90 % at -2, -1, 0, 1, 2 Ep.
        curve = PartitionCurve(1.8, 0.3, "logistic")
        x = 1.8 + 0.3 * np.arange(-2, 3)
        assert_allclose(curve.partition_number(x), [0.1, 0.25, 0.5, 0.75, 0.9], rtol=1e-9)
        assert_allclose(
            curve.partition_number(x), 1 / (1 + np.exp(1.099 * (1.8 - x) / 0.3)), rtol=1e-3
        )

    def test_gaussian_probable_error(self):
        # Ep = 0.6745 σ: definition of the Tromp curve, ISO 923 (from memory).
        from scipy.stats import norm

        x = np.linspace(1.2, 2.4, 13)
        found = fit_partition(x, norm.cdf(x, 1.8, 0.2), form="gaussian")
        assert found.ep == pytest.approx(0.6745 * 0.2, rel=1e-4)
        # Ep = (d75 - d25) / 2 whatever the form.
        assert found.partition_number(found.d50 + found.ep) - found.partition_number(
            found.d50 - found.ep
        ) == pytest.approx(0.5)

    def test_fit_against_scipy(self):
        from scipy.optimize import curve_fit

        x = np.array([1.30, 1.45, 1.55, 1.65, 1.80, 2.00])
        p, se = np.array([0.04, 0.17, 0.45, 0.66, 0.93, 0.98]), np.full(6, 0.02)
        form = lambda d, d50, ep: 1 / (1 + np.exp(-math.log(3) * (d - d50) / ep))  # noqa: E731
        for given, absolute in ((se, True), (None, False)):
            theta, covariance = curve_fit(form, x, p, (1.6, 0.1), given, absolute)
            found = fit_partition(x, p, given)
            assert_allclose([found.d50, found.ep], theta, rtol=1e-5)
            assert_allclose([found.d50_se, found.ep_se], np.sqrt(np.diag(covariance)), rtol=1e-3)

    def test_imperfection(self):
        # Belugou's I = Ep / (d50 - 1) in water; public glossary citing Pryor.
        assert float(imperfection(0.05, 1.5)) == pytest.approx(0.1)

    def test_limits_of_sharpness(self):
        # Definition: infinite sharpness recovers all of the wanted material and nothing else; zero
        # sharpness only splits the feed.
        assert_allclose(grade_recovery(np.inf, 0.0, 0.3), (1.0, 1.0))
        grade, recovery = grade_recovery(0.0, 2 * math.log(4), 0.3)
        assert_allclose([grade, recovery], [0.3, 0.8])
