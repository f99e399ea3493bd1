"""Rates compared, shrunk and followed: published values and reference libraries."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats as scipy_stats
from statsmodels.stats.rates import confint_poisson_2indep, test_poisson_2indep

from loganalyzer.rates import Gamma, dispersion, gamma_poisson, laplace, poisson_ratio
from loganalyzer.stats import poisson_interval

test_poisson_2indep.__test__ = False  # a function of statsmodels, not a test of ours


@pytest.mark.parametrize(
    ("first", "second", "ratio", "low", "high", "p"),
    [
        # Source: documentation of R's poisson.test, lung cancer in Fredericia against three
        # other Danish cities; digits from scipy.stats.binomtest.
        ((11, 800), (21, 3011), 1.971488, 0.858426, 4.277266, 0.112017),
        # Source: breast cancer after fluoroscopy, J. D. Boice, R. R. Monson, J. Natl. Cancer
        # Inst. 59 (1977) 823-832 (from memory); digits from scipy.stats.binomtest.
        ((41, 28010), (15, 19017), 1.855759, 1.005684, 3.609300, 0.047660),
    ],
)
def test_the_ratio_of_two_rates_agrees_with_published_cases(first, second, ratio, low, high, p):
    found = poisson_ratio(*first, *second)
    assert np.allclose(
        [found.ratio, found.low, found.high, found.p], [ratio, low, high, p], atol=1e-6
    )


@settings(max_examples=50, deadline=None)
@given(st.integers(0, 40), st.integers(0, 40), st.floats(0.5, 50), st.floats(0.5, 50))
def test_the_ratio_of_two_rates_agrees_with_the_binomial_test(x, y, t, u):
    found = poisson_ratio(x, t, y, u)
    if x + y == 0:
        assert np.isnan(found.ratio)
        assert found.p == 1
        return
    # Source: scipy.stats.binomtest, the interval of Clopper and Pearson.
    test = scipy_stats.binomtest(x, x + y, t / (t + u), alternative="greater")
    limits = scipy_stats.binomtest(x, x + y).proportion_ci(method="exact")
    with np.errstate(divide="ignore"):
        odds = np.array([*limits]) / (1 - np.array([*limits])) * u / t
    assert found.p_more == pytest.approx(test.pvalue, abs=1e-12)
    assert [found.low, found.high] == pytest.approx(odds)
    less = scipy_stats.binomtest(x, x + y, t / (t + u), alternative="less").pvalue
    assert found.p == pytest.approx(min(1.0, 2 * min(test.pvalue, less)), abs=1e-12)


def test_the_ratio_agrees_with_statsmodels():
    found = poisson_ratio(41, 28010, 15, 19017)
    # Source: statsmodels, an approximate interval and the exact conditional test.
    near = confint_poisson_2indep(41, 28010, 15, 19017, method="score", compare="ratio")
    assert [found.low, found.high] == pytest.approx(near, rel=0.1)
    exact = test_poisson_2indep(
        41, 28010, 15, 19017, method="exact-cond", alternative="larger"
    ).pvalue
    assert found.p_more == pytest.approx(exact)


def test_p_is_small_just_where_the_interval_excludes_one():
    counts = np.arange(0, 40)
    found = poisson_ratio(counts, 10, 12, 10)
    excluded = (found.low > 1) | (found.high < 1)
    assert ((found.p < 0.05) == excluded).all()
    assert 0 < excluded.sum() < len(counts)


def test_bunches_widen_the_interval():
    single, bunched = (poisson_ratio(30, 10, 20, 20, spread) for spread in (1, 3))
    assert [single.ratio, bunched.ratio] == pytest.approx([3, 3])
    assert bunched.low < single.low < single.high < bunched.high
    assert bunched.p > single.p
    third = poisson_ratio(10, 10, 20 / 3, 20)
    assert np.allclose([bunched.low, bunched.p], [third.low, third.p])


def test_no_exposure_has_no_ratio():
    found = poisson_ratio([3, 3], [0, 5], [2, 2], [5, 0])
    assert np.isnan([found.ratio, found.low, found.high, found.p]).all()


# Source: D. P. Gaver, I. G. O'Muircheartaigh, Technometrics 29 (1987) 1-15: pump failures, as the
# NIMBLE user manual gives them; estimates from scipy.stats.nbinom and scipy.optimize.
TIME = [94.3, 15.7, 62.9, 126, 5.24, 31.4, 1.05, 1.05, 2.1, 10.5]
FAILURES = [5, 1, 5, 14, 3, 19, 1, 1, 4, 22]


def test_pump_failures_are_shrunk_as_published():
    found = gamma_poisson(FAILURES, TIME)
    assert [found.shape, found.rate] == pytest.approx([0.822965, 1.261653], rel=1e-4)
    assert found.log_likelihood == pytest.approx(-32.257836, abs=1e-6)
    expected = [0.06093, 0.10748, 0.09075, 0.11648, 0.58800, 0.60692, 0.78860, 0.78860, 1.43470,
                1.94046]  # fmt: skip
    assert found.shrink(FAILURES, TIME) == pytest.approx(expected, abs=6e-6)
    # Source: the same likelihood by scipy.
    theirs = scipy_stats.nbinom.logpmf(
        FAILURES, found.shape, found.rate / (found.rate + np.array(TIME))
    ).sum()
    assert found.log_likelihood == pytest.approx(theirs)


def test_short_exposures_move_most_and_a_unit_without_any_gets_the_mean():
    found = gamma_poisson(FAILURES, TIME)
    raw = np.array(FAILURES) / TIME
    moved = np.abs(found.shrink(FAILURES, TIME) - raw) / np.abs(raw - found.shape / found.rate)
    assert (np.argsort(moved, kind="stable") == np.argsort([-t for t in TIME], kind="stable")).all()
    assert found.shrink([0], [0]) == pytest.approx(found.shape / found.rate)


def test_a_known_spread_gives_the_textbook_mean():
    # Source: Gamma(2, 4) and Poisson: (y + 2) / (t + 4).
    assert Gamma(2, 4).shrink([3, 0], [10, 10]) == pytest.approx([5 / 14, 2 / 14])


def test_rates_that_differ_by_chance_shrink_to_the_common_one():
    found = gamma_poisson([5, 5, 6, 4], [10, 10, 10, 10])
    assert found.shrink([5, 6], [10, 10]) == pytest.approx([0.5, 0.5], rel=1e-3)


def test_nothing_to_fit_is_not_a_number():
    for counts, exposure in (([3], [10]), ([0, 0], [10, 10]), ([3, 4], [10, 0]), ([], [])):
        assert np.isnan(gamma_poisson(counts, exposure).shape)


@pytest.mark.parametrize(
    ("counts", "expected"),
    [
        # Source: L. von Bortkiewicz (1898), deaths by horse kick, 200 corps-years.
        ([109, 65, 22, 3, 1], 1.001565),
        # Source: M. Greenwood, G. U. Yule (1920), accidents of 647 women (from memory).
        ([447, 132, 42, 21, 3, 2], 1.487241),
    ],
)
def test_dispersion_of_one_group_is_the_variance_to_mean_ratio(counts, expected):
    values = np.repeat(np.arange(len(counts)), counts)
    assert dispersion([values], [np.ones(len(values))]) == pytest.approx(expected, abs=1e-6)


def test_dispersion_of_a_short_series():
    # Source: worked by hand: mean 2, variance 12/7.
    assert dispersion([[2, 3, 0, 1, 4, 2, 1, 3]], [np.ones(8)]) == pytest.approx(0.857143, abs=1e-6)


def test_groups_of_different_rates_are_not_over_dispersed_by_that():
    rng = np.random.default_rng(5)
    counts = rng.poisson(np.array([[1.0], [9.0]]) * np.ones((2, 4000)))
    assert dispersion(counts, np.ones((2, 4000))) == pytest.approx(1, abs=0.05)
    bunches = counts * 3
    assert dispersion(bunches, np.ones((2, 4000))) == pytest.approx(3, abs=0.15)


def test_dispersion_without_events_or_with_one_block_is_not_a_number():
    assert np.isnan(dispersion([[0, 0]], [[1, 1]]))
    assert np.isnan(dispersion([[3]], [[1]]))
    assert np.isnan(dispersion([[3, 0]], [[1, 0]]))


# Source: NIST/SEMATECH e-Handbook of Statistical Methods, section 8.2.2.3: repair ages of a
# system watched for 1500 hours.
AGES = [5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478]


def test_trends_agree_with_the_handbook():
    found = laplace(AGES, 1500)
    assert [found.z, found.p] == pytest.approx([-1.326949, 0.184525], abs=1e-6)
    assert laplace(AGES, 1500, 4.0).z == pytest.approx(-1.326949 / 2, abs=1e-6)


def test_a_trend_of_nothing_is_not_a_number():
    assert np.isnan(laplace([], 100).z)
    assert np.isnan(laplace([3], 0).p)


def test_the_rate_form_of_the_exact_interval():
    # Source: documentation of R's poisson.test: 137 nasal cancers, 24.19893 expected.
    low, high = poisson_interval([137])
    assert [137 / 24.19893, low[0] / 24.19893, high[0] / 24.19893] == pytest.approx(
        [5.661407, 4.753125, 6.692709], abs=1e-6
    )
