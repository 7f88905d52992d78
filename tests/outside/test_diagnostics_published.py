"""Control charts and change points against published values and other libraries."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import null_space
from scipy.stats import multivariate_normal

from optimizer.diagnostics.calibration import share_interval
from optimizer.diagnostics.control_chart import (
    chart_constants,
    mean_range,
    out_of_line,
    sd_of_range,
)
from optimizer.diagnostics.serial_correlation import restricted
from optimizer.diagnostics.trend_and_steps import Known, steps, trend

# --- Control charts --------------------------------------------------------------------------

# ISO 7870-2 / ASTM tables, also Montgomery, Introduction to Statistical Quality Control,
# appendix VI; from memory.
TABLE = {
    2: {"d2": 1.128, "d3": 0.853, "c4": 0.7979, "A2": 1.880, "A3": 2.659, "D4": 3.267, "B4": 3.267},
    5: {"d2": 2.326, "d3": 0.864, "c4": 0.9400, "A2": 0.577, "A3": 1.427, "D4": 2.114, "B4": 2.089},
    10: {"d2": 3.078, "d3": 0.797, "c4": 0.9727, "A2": 0.308, "A3": 0.975, "D3": 0.223,
         "D4": 1.777, "B3": 0.284, "B4": 1.716},
    25: {"d2": 3.931, "d3": 0.708, "c4": 0.9896, "A2": 0.153, "A3": 0.606, "D3": 0.459,
         "D4": 1.541, "B3": 0.565, "B4": 1.435},
}  # fmt: skip


@pytest.mark.parametrize("n", TABLE)
def test_chart_constants_of_the_tables(n):
    found = chart_constants(n)
    for name, value in TABLE[n].items():
        assert found[name] == pytest.approx(value, abs=0.0011), name


def test_range_of_two_and_three_in_closed_form():
    # d2(2) = 2/sqrt(pi), d2(3) = 3/sqrt(pi), d3(2)^2 = 2 - 4/pi.
    assert mean_range(2) == pytest.approx(2.0 / np.sqrt(np.pi), abs=1e-8)
    assert mean_range(3) == pytest.approx(3.0 / np.sqrt(np.pi), abs=1e-8)
    assert sd_of_range(2) == pytest.approx(np.sqrt(2.0 - 4.0 / np.pi), abs=1e-4)


def test_rate_of_false_alarms_on_a_chart():
    # Limits at three standard deviations: 0.27 % of normal values; estimated limits raise the rate.
    # 200 charts of 100 days, seed fixed: 0.4 % with a standard error of 0.05 %.
    rng = np.random.default_rng(2)
    share = np.mean([out_of_line(rng.standard_normal(100)).mean() for _ in range(200)])
    assert 0.002 < share < 0.006


# --- Change points ---------------------------------------------------------------------------


def plain(y):
    """A series of independent readings around one unknown level."""
    variance = float(np.var(y, ddof=1))
    return Known(lambda u: (u - u.mean(axis=0)) / variance, np.full(len(y), variance), 0.0 * y + 1)


def test_flow_of_the_nile():
    # Annual flow at Aswan 1871-1970 (statsmodels' copy). Cobb, Biometrika 65 (1978) 243: it falls
    # by about 250 after 1898, from a mean of about 1098 to about 850. One change, no more.
    from statsmodels.datasets import nile

    data = nile.load_pandas().data
    y, year = data["volume"].to_numpy(float), data["year"].to_numpy(float)
    found = steps(y, year, plain(y))
    assert len(found) == 1
    assert found[0].at == 1899.0
    assert found[0].size == pytest.approx(849.97 - 1097.75, abs=0.5)
    assert found[0].p_value < 0.001


def test_slope_agrees_with_ordinary_least_squares():
    # statsmodels OLS with known variance 1.
    import statsmodels.api as sm

    rng = np.random.default_rng(6)
    time, y = np.arange(40.0), rng.standard_normal(40)
    known = Known(lambda u: u - u.mean(axis=0), np.ones(40), np.full(40, 1.0 - 1.0 / 40))
    found = trend(y, time, known, np.zeros(40, dtype=int))
    reference = sm.OLS(y, sm.add_constant(time)).fit(
        cov_type="fixed scale", cov_kwds={"scale": 1.0}
    )
    assert found.slope == pytest.approx(reference.params[1], rel=1e-9)
    assert found.se == pytest.approx(reference.bse[1], rel=1e-9)
    assert found.p_value == pytest.approx(reference.pvalues[1], rel=1e-7)


def test_error_of_a_slope_with_heteroscedastic_readings():
    # statsmodels OLS, covariance HC2 (MacKinnon & White 1985); the readings lie on days so far
    # apart that their errors are independent. Ours has the additional factor days / (days - 1).
    import statsmodels.api as sm

    rng = np.random.default_rng(11)
    time = np.arange(40.0)
    y = rng.standard_normal(40) * (1.0 + np.abs(time - 20.0) / 5.0)
    known = Known(lambda u: u - u.mean(axis=0), np.ones(40), np.full(40, 1.0 - 1.0 / 40))
    found = trend(y, time, known, 1000 * np.arange(40))
    reference = sm.OLS(y, sm.add_constant(time)).fit(cov_type="HC2")
    assert found.wider > 2.0
    assert found.se == pytest.approx(reference.bse[1] * np.sqrt(40 / 39), rel=1e-9)


def test_restricted_likelihood_equals_that_of_error_contrasts():
    # Harville, Biometrika 61 (1974) 383: the likelihood of any full set of contrasts orthogonal to
    # level and trend, computed by scipy. Constants differ, so the test compares the difference
    # between two covariances.
    rng = np.random.default_rng(14)
    day = np.arange(25.0)
    H = np.column_stack([np.ones(25), day])
    contrasts = null_space(H.T)
    y = rng.standard_normal(25) + 0.3 * day
    near = 0.7 ** np.abs(day[:, None] - day[None, :])

    def theirs(covariance):
        scale = restricted(y, covariance, H)[1]
        inner = contrasts.T @ covariance @ contrasts * scale
        return multivariate_normal(cov=inner).logpdf(contrasts.T @ y)

    one, other = np.diag(1.0 + day / 25.0), 0.4 * near + 0.6 * np.eye(25)
    ours = restricted(y, other, H)[0] - restricted(y, one, H)[0]
    assert ours == pytest.approx(theirs(other) - theirs(one), abs=1e-9)
    fitted = multivariate_normal(cov=contrasts.T @ other @ contrasts)
    assert restricted(y, other, H)[1] == pytest.approx(
        (contrasts.T @ y) @ np.linalg.solve(fitted.cov, contrasts.T @ y) / 23, rel=1e-9
    )


# --- Shares ----------------------------------------------------------------------------------


@pytest.mark.parametrize(("hits", "n"), [(18, 20), (90, 100), (1, 7), (9, 10), (22, 24)])
def test_interval_of_a_share(hits, n):
    # statsmodels, Jeffreys' interval.
    from statsmodels.stats.proportion import proportion_confint

    found = share_interval(hits, n)
    assert (found.low, found.high) == pytest.approx(
        proportion_confint(hits, n, alpha=0.1, method="jeffreys"), abs=1e-9
    )
    assert found.mean == hits / n
