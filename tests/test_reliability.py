"""Growth, control charts, circles and bunching against published values."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats as reference

from loganalyzer.changes import noise_of
from loganalyzer.rates import laplace
from loganalyzer.reliability import (
    at_least,
    beginning,
    bunching,
    burst,
    cusum,
    ewma,
    power_law,
    rayleigh,
)
from loganalyzer.stats import poisson_interval
from tests.test_drift import coal_years

# Source: NIST/SEMATECH e-Handbook of Statistical Methods, case study of sections 8.2.2.3 and
# 8.4.5.2: ages at repair, watched for 1500 h.
REPAIRS = [5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478]


def test_the_trend_tests_give_the_handbook_s_case_study():
    # Source: NIST/SEMATECH e-Handbook, section 8.2.3.4; p-values by scipy.stats.
    trend = laplace(REPAIRS, 1500)
    assert (trend.z, trend.p) == pytest.approx((-1.326949, 0.184525), abs=1e-6)
    statistic = 2 * np.log(1500 / np.array(REPAIRS)).sum()
    assert statistic == pytest.approx(37.228081, abs=1e-6)
    assert power_law(REPAIRS, 1500).p == pytest.approx(2 * 0.010986, abs=2e-6)


def test_the_power_law_gives_the_handbook_s_case_study():
    # Source: NIST/SEMATECH e-Handbook, section 8.4.5.2; 80 % interval.
    fit = power_law(REPAIRS, 1500, level=0.8)
    assert (fit.shape, fit.raw) == pytest.approx((0.483506, 0.5372289), abs=1e-6)
    assert fit.scale == pytest.approx(0.2913003, rel=1e-6)
    found = (fit.gap, fit.gap_low, fit.gap_high)
    assert found == pytest.approx((310.234, 157.7138, 548.5566), abs=1e-3)
    assert fit.low < fit.shape < fit.high


def test_watching_that_stops_at_an_event_is_another_case():
    # Source: Modarres, Kaminskiy, Krivtsov, Reliability Engineering and Risk Analysis, example
    # 5.11, as the package reliability (Repairable_systems.ROCOF) works it out.
    gaps = [104, 131, 1597, 59, 4, 503, 157, 6, 118, 173, 114, 62, 101, 216, 106, 140, 1, 102, 3,
            393, 96, 232, 89, 61, 37, 293, 7, 165, 87, 99]  # fmt: skip
    ages = np.cumsum(gaps)
    fit = power_law(ages, ages[-1])
    assert fit.raw == pytest.approx(1.588053, rel=1e-6)
    assert laplace(ages[:-1], ages[-1]).z == pytest.approx(2.409438, abs=1e-6)


@pytest.mark.parametrize(("ages", "end"), [([], 10), ([3], 10), ([0, 3], 10), ([1, 2], 0)])
def test_too_few_events_have_no_growth(ages, end):
    assert np.isnan(power_law(ages, end).shape)


def test_the_interval_of_the_growth_holds_the_truth_as_often_as_it_says():
    # Source: MIL-HDBK-189 gives the interval from memory; this is the check: 95 % of 2000.
    rng = np.random.default_rng(5)
    fits = [power_law(100 * rng.random(12) ** (1 / 1.5), 100) for _ in range(2000)]
    assert 0.935 <= np.mean([fit.low <= 1.5 <= fit.high for fit in fits]) <= 0.965


# Source: NIST/SEMATECH e-Handbook, section 6.3.2.4.
EWMA = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8,
        51.2, 52.6, 52.4, 53.6, 52.1]  # fmt: skip
LINE = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52,
        50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99]  # fmt: skip


def test_the_moving_average_gives_the_handbook_s_example():
    chart = ewma(EWMA, 50, 2.0539, 0.3, 3)
    assert np.abs(chart.line - LINE).max() < 0.005 + 1e-9
    wanted = [51.84851, 52.25639, 52.43141, 52.55161, 52.58740, 52.58843]
    assert chart.high[[0, 1, 2, 4, 9, 19]] == pytest.approx(wanted, abs=1e-5)
    assert chart.low[-1] == pytest.approx(47.4115, abs=2e-4)
    assert not chart.above.any()


def test_the_moving_average_is_that_of_pandas():
    # Source: pandas.Series.ewm, adjust=False.
    wanted = pd.Series([50.0, *EWMA]).ewm(alpha=0.3, adjust=False).mean().to_numpy()[1:]
    assert ewma(EWMA, 50, 2.0539, 0.3, 3).line == pytest.approx(wanted)


def test_the_sums_give_the_handbook_s_example():
    # Source: NIST/SEMATECH e-Handbook, section 6.3.2.3.
    x = [324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
         324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875,
         328.350]  # fmt: skip
    chart = cusum(x, 325, 0.3175, 4.1959)
    high = [0, 0, 0, 0, 0.0325, 0, 0, 0, 0, 0, 0, 0, 3.0075, 4.94, 7.4475, 10.63, 11.9875, 14.445,
            16.0025, 19.035]  # fmt: skip
    low = [0, 0.0075, 0, 0.3325, 0, 0, 0.5575, 0.715, 0.1725, 0.255, 0.3125, *[0] * 9]
    assert chart.line == pytest.approx(high, abs=1e-9)
    assert chart.other == pytest.approx(low, abs=1e-9)
    assert (np.flatnonzero(chart.above) + 1).tolist() == list(range(14, 21))


@pytest.mark.parametrize(
    ("degrees", "length", "mean", "z", "p"),
    [
        # Source: Zar, Biostatistical Analysis, chapters 26 and 27; p as pingouin.circ_rayleigh.
        ([45, 55, 81, 96, 110, 117, 132, 154], 0.825218, 98.98775, 5.447875, 0.001852),
        # Source: the documentation of astropy.stats.rayleightest; p by Zar's formula.
        ([130, 90, 0, 145], 0.596197, 101.16894, 1.421804, 0.254678),
    ],
)
def test_angles_point_as_published(degrees, length, mean, z, p):
    found = rayleigh(np.radians(degrees))
    assert (found.length, found.z, found.p) == pytest.approx((length, z, p), abs=1e-6)
    assert np.degrees(found.mean) == pytest.approx(mean, abs=1e-5)


def test_the_mean_of_23_and_1_o_clock_is_midnight():
    mean = rayleigh(np.array([23, 1]) * np.pi / 12).mean
    assert np.cos(mean) == pytest.approx(1)


@pytest.mark.parametrize(
    ("frequencies", "index", "p"),
    [
        # Source: Bortkiewicz 1898, deaths by horse kicks in 200 corps-years.
        ([109, 65, 22, 3, 1], 1.001565, 0.480449),
        # Source: Greenwood and Yule 1920, accidents of 647 workers.
        ([447, 132, 42, 21, 3, 2], 1.487241, 9.57e-15),
        # Arithmetic: the counts 2 3 0 1 4 2 1 3 have mean 2 and variance 12 / 7.
        ([1, 2, 2, 2, 1], 0.857143, 0.539749),
    ],
)
def test_the_index_of_dispersion_is_as_published(frequencies, index, p):
    counts = np.repeat(np.arange(len(frequencies)), frequencies)
    found = bunching(counts)
    assert found[0] == pytest.approx(index, abs=1e-6)
    assert found[1] == pytest.approx(p, rel=1e-3)


@settings(max_examples=25)
@given(st.integers(0, 60), st.floats(0.01, 80))
def test_the_chance_of_so_many_or_more_is_poisson_s(count, mean):
    wanted = reference.poisson.sf(count - 1, mean)
    assert at_least([count], [mean])[0] == pytest.approx(wanted, rel=1e-9)


def test_the_noise_of_single_values_gives_the_handbook_s_limits():
    # Source: NIST/SEMATECH e-Handbook, section 6.3.2.2: mean 50.81, limits 55.8041 and 45.8159.
    values = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    wide = 3 * np.sqrt(noise_of(values))
    limits = (np.mean(values) + wide, np.mean(values) - wide)
    assert limits == pytest.approx((55.8041, 45.8159), abs=5e-5)


def test_the_interval_of_a_rate_is_that_of_the_time_between_failures():
    # Source: NIST/SEMATECH e-Handbook, section 8.4.5.1: 2 failures in 800 h, 90 % two-sided.
    low, high = poisson_interval([2], 0.9)
    assert (800 / high[0], 800 / low[0]) == pytest.approx((127.069, 2251.229), abs=1e-3)


def test_coal_mining_disasters_read_backwards_begin_to_come_often_about_1890():
    # Source: Raftery, Akman, Biometrika 73 (1986) 85-89: the rate falls from about 3.1 to 0.9 a
    # year between 1886 and 1896.
    back = np.repeat(np.arange(112), coal_years()[::-1]) + 0.5  # years before 1963
    found = beginning(back, 112, 0.9, int(np.searchsorted(back, 78)))
    assert 1886 <= 1963 - found.high <= 1963 - found.at <= 1963 - found.low <= 1897


def test_the_interval_of_a_beginning_holds_it_as_often_as_it_says():
    rng = np.random.default_rng(8)
    held, off = [], []
    for _ in range(300):
        begin = rng.uniform(15, 30)
        before = rng.uniform(0, begin, rng.poisson(begin / 60))
        after = rng.uniform(begin, 60, rng.poisson(0.3 * (60 - begin)))
        ages = np.sort([*before, *after])
        if len(after) < 4:
            continue
        found = beginning(ages, 60, 1 / 60, burst(ages, 60, 1 / 60, 7)[0])
        held.append(found.low <= begin <= found.high)
        off.append(found.at - begin)
    assert np.mean(held) > 0.92
    assert np.median(np.abs(off)) < 2.5
    assert abs(np.median(off)) < 1


@pytest.mark.parametrize("ages", [[5.0], [5.0, 5.0, 5.0], [0.0, 1.0]])
def test_few_events_or_many_at_once_have_a_beginning_no_later_than_the_first(ages):
    found = beginning(ages, 5.0 + len(ages), 0.1, 0)
    assert 0 <= found.low <= found.at <= max(ages[0], 1e-9)
    assert found.at <= found.high <= max(ages[-1], 1e-9)
