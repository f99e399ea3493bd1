"""Formulas against published tables and against reference libraries."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lifelines import KaplanMeierFitter
from lifelines.datasets import load_leukemia
from scipy import stats as scipy_stats
from statsmodels.datasets import nile
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.proportion import proportion_confint

from loganalyzer.stats import (
    benjamini_hochberg,
    free_fall_s,
    kaplan_meier,
    poisson_interval,
    poisson_prediction,
    survival_quantile,
    theil_sen,
    wilson,
)


@pytest.mark.parametrize(
    ("hits", "trials", "low", "high"),
    [
        # Source: R. G. Newcombe, Stat. Med. 17 (1998) 857-872, cases of table I, method 3;
        # all digits from statsmodels proportion_confint(method="wilson").
        (81, 263, 0.255289, 0.366210),
        (15, 148, 0.062386, 0.160487),
        (23, 60, 0.270883, 0.509824),
        (0, 45, 0.0, 0.078652),
    ],
)
def test_score_interval_agrees_with_newcombe(hits, trials, low, high):
    assert np.allclose(np.ravel(wilson([hits], [trials])), [low, high], atol=5e-7)


@settings(max_examples=50, deadline=None)
@given(st.integers(1, 5000), st.floats(0, 1))
def test_score_interval_agrees_with_statsmodels(trials, share):
    hits = round(share * trials)
    # Source: statsmodels, proportion_confint.
    expected = proportion_confint(hits, trials, method="wilson")
    assert np.allclose(np.ravel(wilson([hits], [trials])), expected, atol=1e-12)


def test_a_share_of_nothing_is_not_a_number():
    low, high = wilson(pd.Series([0, 0, 2]), pd.Series([0, None, 1], dtype="Int64"))
    assert np.isnan([*low, *high]).all()


@pytest.mark.parametrize(
    ("count", "level", "low", "high"),
    [
        # Source: F. Garwood, Biometrika 28 (1936) 437; digits from scipy.stats.chi2.
        (0, 0.95, 0, 3.688879),
        (1, 0.95, 0.025318, 5.571643),
        (2, 0.95, 0.242209, 7.224688),
        (3, 0.95, 0.618672, 8.767273),
        (5, 0.95, 1.623486, 11.668332),
        (10, 0.95, 4.795389, 18.390356),
        (20, 0.95, 12.216520, 30.888378),
        (50, 0.95, 37.110964, 65.918767),
        (100, 0.95, 81.363991, 121.626794),
        (0, 0.90, 0, 2.995732),
        (5, 0.90, 1.970150, 10.513035),
        (100, 0.90, 84.139277, 118.079273),
    ],
)
def test_exact_poisson_interval_agrees_with_garwood(count, level, low, high):
    assert np.allclose(np.ravel(poisson_interval([count], level)), [low, high], atol=5e-7)


def test_a_poisson_rate_divides_by_the_exposure():
    # Source: documentation of R's poisson.test, Welsh nickel workers, 137 in 24.19893.
    low, high = poisson_interval([137])
    assert np.allclose([low[0] / 24.19893, high[0] / 24.19893], [4.753125, 6.692709], atol=5e-7)


def test_a_poisson_count_that_is_not_known_has_no_interval():
    assert np.isnan(np.ravel(poisson_interval([np.nan]))).all()


# Source: E. J. Freireich et al., Blood 21 (1963) 699: weeks to relapse, 6-MP arm.
SIX_MP = [6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35]
RELAPSED = [1, 1, 1, 0, 1, 0, 1, 0, 0, 1, 1, 0, 0, 0, 1, 1, 0, 0, 0, 0, 0]


def test_survival_agrees_with_the_published_trial():
    curve = kaplan_meier(SIX_MP, RELAPSED)
    expected = [
        # time, at risk, events, survival, Greenwood's standard error
        (6, 21, 3, 0.857143, 0.076360),
        (7, 17, 1, 0.806723, 0.086935),
        (10, 15, 1, 0.752941, 0.096350),
        (13, 12, 1, 0.690196, 0.106815),
        (16, 11, 1, 0.627451, 0.114054),
        (22, 7, 1, 0.537815, 0.128234),
        (23, 6, 1, 0.448179, 0.134591),
    ]
    assert np.allclose(curve.to_numpy(), expected, atol=1e-6)
    assert survival_quantile(curve, 0.5) == 23


def test_survival_lists_are_those_of_the_reference_data_set():
    # Source: lifelines.datasets.load_leukemia, Rx == 0.
    arm = load_leukemia().query("Rx == 0").sort_values(["t", "status"], ascending=[True, False])
    assert arm["t"].tolist() == SIX_MP
    assert arm["status"].tolist() == RELAPSED


def test_survival_without_censoring_reaches_the_placebo_median():
    placebo = [1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23]
    curve = kaplan_meier(placebo, [True] * 21)
    assert survival_quantile(curve, 0.5) == 8
    assert curve["survival"].iloc[-1] == 0


@settings(max_examples=30, deadline=None)
@given(st.lists(st.tuples(st.integers(1, 12), st.booleans()), min_size=2, max_size=40))
def test_survival_agrees_with_lifelines_on_random_data(rows):
    times, seen = zip(*rows, strict=True)
    curve = kaplan_meier(times, seen)
    # Source: lifelines.KaplanMeierFitter.
    fitted = KaplanMeierFitter().fit(times, seen)
    expected = fitted.survival_function_at_times(curve["time"]).to_numpy()
    assert np.allclose(curve["survival"], expected, atol=1e-9)


def test_a_share_that_was_never_reached_is_not_a_number():
    assert np.isnan(survival_quantile(kaplan_meier([5, 9, 9], [True, False, False]), 0.9))
    assert np.isnan(survival_quantile(kaplan_meier([], []), 0.5))


def test_trend_of_the_nile_agrees_with_the_reference():
    data = nile.load_pandas().data
    trend = theil_sen(data["year"], data["volume"])
    # Source: statsmodels.datasets.nile; slope and limits scipy.stats.theilslopes, tau_b -0.280741.
    assert np.allclose(
        [trend.slope, trend.low, trend.high, trend.tau],
        [-2.6, -3.627907, -1.428571, -0.280741],
        atol=1e-6,
    )


def test_a_short_trend_has_the_exact_p_value():
    y = [12.5, 13.1, 12.9, 14.0, 13.8, 14.6, 15.1, 14.9]
    trend = theil_sen(range(8), y)
    # Source: S = 22 of 28 pairs; exact distribution of Kendall's tau, p 0.005506 (scipy).
    assert np.allclose(
        [trend.slope, trend.low, trend.high, trend.tau, trend.p],
        [0.3875, 0.225, 0.55, 22 / 28, 0.005506],
        atol=1e-6,
    )


def test_two_points_or_a_flat_line_make_no_trend():
    assert np.isnan(theil_sen([1, 2], [1, 2]).p)
    assert theil_sen([1, 2, 3, 4], [5, 5, 5, 5]).p == 1


def test_adjusted_p_values_agree_with_the_paper():
    # Source: Y. Benjamini, Y. Hochberg, J. R. Stat. Soc. B 57 (1995) 289, example of section 4.
    p = [
        0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262,
        0.5719, 0.6528, 0.7590, 1.0,
    ]  # fmt: skip
    q = benjamini_hochberg(p)
    assert (q <= 0.05).sum() == 4
    assert np.allclose(q[:5], [0.0015, 0.003, 0.0095, 0.035625, 0.0603], atol=5e-7)


@settings(max_examples=50, deadline=None)
@given(st.lists(st.floats(0, 1), min_size=1, max_size=30))
def test_adjusted_p_values_agree_with_statsmodels(p):
    # Source: statsmodels, multipletests(method="fdr_bh"). A test without a p-value does not count.
    expected = multipletests(p, method="fdr_bh")[1]
    assert np.allclose(benjamini_hochberg([*p, np.nan])[:-1], expected, atol=1e-12)


def test_garwood_limits_are_chi_square_quantiles():
    counts = np.arange(1, 200)
    # Source: scipy.stats.chi2.
    low, high = poisson_interval(counts)
    assert np.allclose(low, scipy_stats.chi2.ppf(0.025, 2 * counts) / 2, rtol=1e-9)
    assert np.allclose(high, scipy_stats.chi2.ppf(0.975, 2 * counts + 2) / 2, rtol=1e-9)


def test_free_fall_takes_the_time_of_standard_gravity():
    # Source: sqrt(2 h / g) with g = 9.80665 m/s2 (3rd CGPM 1901), worked by hand.
    assert np.allclose(
        free_fall_s([3, 10, 30, 60, 120]),
        [0.782195, 1.428087, 2.473519, 3.498084, 4.947038],
        atol=5e-7,
    )
    assert np.isnan(free_fall_s([np.nan, -1])).all()


@pytest.mark.parametrize("ratio", [0.02, 0.33, 1.0, 4.0])
def test_a_count_to_come_has_the_predictive_distribution_of_scipy(ratio):
    counts = np.array([0, 0.4, 1, 7, 120])
    low, high = poisson_prediction(counts, np.full(5, ratio))
    expected = [scipy_stats.nbinom.ppf(q, counts + 0.5, 1 / (1 + ratio)) for q in (0.025, 0.975)]
    np.testing.assert_array_equal([low, high], expected)


def test_nineteen_counts_to_come_in_twenty_lie_in_their_interval():
    """Checked by drawing, whatever the rate; the interval is of whole numbers, so a little wide."""
    rng = np.random.default_rng(7)
    for rate in (0.3, 3, 30):
        before, after = rng.poisson(5 * rate, 4000), rng.poisson(rate, 4000)
        low, high = poisson_prediction(before, np.full(4000, 0.2))
        assert ((low <= after) & (after <= high)).mean() >= 0.94


def test_without_a_time_there_is_no_count_to_come():
    assert np.isnan(poisson_prediction([3, 3], [0, np.nan])).all()
