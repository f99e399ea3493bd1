"""Fill model, mass and diversion against the outside."""

import lifelines
import numpy as np
import pandas as pd
import pytest
from lifelines.datasets import load_leukemia
from lifelines.utils import median_survival_times
from scipy import stats as scipy_stats

from loganalyzer.lifetimes import median_interval, weibull
from loganalyzer.measures.diversion import diversion_rate
from loganalyzer.measures.fill import use_spread
from loganalyzer.measures.mass import FACTORS, KG_M3, PUBLISHED, ticket_rates
from loganalyzer.stats import kaplan_meier
from tests.sorting import (
    DAY,
    HOUR,
    RECYCLING,
    REFUSE,
    alive,
    full,
    level,
    rows,
    site_text,
    sorting,
    uses,
)

# Freireich et al., Blood 21 (1963) 699, the 6-MP arm as lifelines ships it.
TREATED = load_leukemia().query("Rx == 0")
WEEKS, SEEN = TREATED["t"].to_numpy(float), TREATED["status"].to_numpy(bool)


def test_a_weibull_life_with_censoring_agrees_with_lifelines():
    # Source: lifelines 0.30 WeibullFitter on Freireich's data.
    ours, theirs = weibull(WEEKS, SEEN), lifelines.WeibullFitter().fit(WEEKS, SEEN)
    assert ours.shape == pytest.approx(theirs.rho_, rel=1e-4)
    assert ours.scale == pytest.approx(theirs.lambda_, rel=1e-4)
    assert ours.log_likelihood == pytest.approx(theirs.log_likelihood_, abs=1e-6)
    assert ours.quantile(0.5).value == pytest.approx(theirs.median_survival_time_, rel=1e-4)
    errors = np.sqrt(np.diag(ours.covariance)) * [ours.scale, ours.shape]
    assert errors == pytest.approx(theirs.summary["se(coef)"].to_numpy(), rel=1e-3)


def test_a_weibull_life_with_censoring_agrees_with_scipy():
    # Source: scipy.stats.weibull_min.fit of CensoredData, location 0.
    data = scipy_stats.CensoredData.right_censored(WEEKS, ~SEEN)
    shape, _, scale = scipy_stats.weibull_min.fit(data, floc=0)
    ours = weibull(WEEKS, SEEN)
    assert (ours.shape, ours.scale) == pytest.approx((shape, scale), rel=1e-3)
    assert ours.mean().value == pytest.approx(scipy_stats.weibull_min.mean(shape, scale=scale),
                                              rel=1e-3)  # fmt: skip


def test_a_median_of_kaplan_and_meier_and_its_interval_agree_with_lifelines():
    # Source: lifelines 0.30; the median of 23 weeks is Freireich's.
    fitted = lifelines.KaplanMeierFitter().fit(WEEKS, SEEN)
    band = median_survival_times(fitted.confidence_interval_).to_numpy().ravel()
    ours = median_interval(kaplan_meier(WEEKS, SEEN))
    assert (ours.value, ours.low) == (23, band[0] if band[0] < band[1] else band[1])
    assert np.isinf(band.max())
    assert np.isnan(ours.high)


def test_too_few_ends_leave_a_life_unknown():
    assert not weibull([5, 6, 7], [True, False, False]).known


def test_lengths_that_are_all_the_same_do_not_break_the_fit():
    life = weibull([100.0] * 6, [True] * 6)
    assert life.quantile(0.5).value == pytest.approx(100, rel=0.01)


def test_the_spread_of_single_uses_is_found_from_the_spread_of_fills():
    """Fills of so many uses of a known distribution of volume: renewal theory backwards."""
    rng = np.random.default_rng(1)
    volume = rng.gamma(4, 1.25, (4000, 400)).cumsum(axis=1)  # mean 5, standard deviation 2.5
    fills = (volume < 1000).sum(axis=1) + 1
    life = weibull(fills, np.ones(len(fills), bool))
    # A Weibull life has a heavier lower tail than these fills: a fifth too wide at worst.
    assert use_spread(life) == pytest.approx(0.5, rel=0.25)


def test_published_factors_are_those_of_the_epa():
    # Source: US EPA, Volume-to-Weight Conversion Factors, April 2016, as its benchmarking tool's
    # help page gives them; kg/m3 by 1 lb/yd3 = 0.5932764 kg/m3.
    kg_m3 = {kind: round(pounds * KG_M3, 4) for kind, (pounds, _) in FACTORS.items()}
    assert kg_m3 == {"refuse": 81.8721, "recycling": 34.4100, "organics": 234.9375}
    assert "April 2016" in PUBLISHED


def test_diversion_of_the_worked_example():
    # Source: 30 cubic yards of mixed recyclables and 40 of trash, then 5 of food scraps, by the
    # EPA's factors: worked by hand.
    recycled, trash, food = 30 * 58, 40 * 138, 5 * 396 / 1
    assert float(diversion_rate(recycled, trash)) == pytest.approx(0.239669, abs=1e-6)
    assert float(diversion_rate(recycled + food, trash)) == pytest.approx(0.402597, abs=1e-6)


@pytest.mark.parametrize(
    ("recycled", "energy", "landfill", "share", "with_energy"),
    [
        (1025394, 450822, 1320211, 0.366680, 0.527894),
        (1493955, 786926, 825440, 0.480940, 0.734271),
    ],
)
def test_diversion_of_a_city_is_what_it_published(recycled, energy, landfill, share, with_energy):
    # Source: City of Philadelphia, greenworks-dashboard, waste_diversion_rate.csv, 2008 and 2010.
    assert float(diversion_rate(recycled, energy + landfill)) == pytest.approx(share, abs=1e-6)
    assert float(diversion_rate(recycled + energy, landfill)) == pytest.approx(
        with_energy, abs=1e-6
    )


def test_nothing_at_all_has_no_diversion():
    assert np.isnan(diversion_rate(0, 0))


def months(*streams: str, days: int = 62, levels: bool = True, **more):
    """Two months: recycling filled by 40 uses, refuse by 60, both emptied every fourth day."""
    log = [*alive(days)]
    for n in range(0, days - 4, 4):
        start = n * DAY + 2 * HOUR
        for stream, number in (("recycling", 20 + n % 3), ("refuse", 30 + n % 4)):
            log += uses(start + (stream == "refuse") * 4 * HOUR, number, "7", stream)
            if levels:
                log += level(start + 12 * HOUR, 50, stream) + level(start + 3 * DAY, 0, stream)
    return sorting(log, site_text(*(streams or (RECYCLING, REFUSE))), **more)


def test_a_month_has_litres_kilograms_and_both_diversions_apart():
    found = months()
    model = {row["container"]: row for row in rows(found.fill_model)}
    assert model["recycling"]["method"] == "levels carried on to full"
    # 50 % after 21 uses on average: 42 to full; 1100 litres over nearly as many uses.
    assert model["recycling"]["litres_a_use"] == pytest.approx(1100 / 42, rel=0.06)
    first = rows(found.monthly, month="2025-03")
    litres = {row["stream"]: row["litres"] for row in first}
    kg = {row["stream"]: row["kg"] for row in first}
    assert kg["recycling"] == pytest.approx(litres["recycling"] * 0.0344100, rel=1e-4)
    by_volume = litres["recycling"] / sum(litres.values())
    by_mass = kg["recycling"] / sum(kg.values())
    assert first[0]["diversion_by_volume"] == pytest.approx(by_volume)
    assert first[0]["diversion"] == pytest.approx(by_mass)
    assert by_mass < by_volume
    for row in first:
        assert row["diversion_low"] < row["diversion"] < row["diversion_high"]
        assert row["share_low"] < row["share"] < row["share_high"]
        assert "EPA" in row["method"]
        assert "seed" in row["uncertainty"]


def test_levels_in_coarse_steps_leave_uses_to_full_less_sure():
    """Half full by a sensor of four steps may be three eighths or five."""

    def width(step: float) -> float:
        log = [*alive(62)]
        for n in range(0, 58, 4):
            log += uses(n * DAY + 2 * HOUR, 20 + n % 3) + level(n * DAY + 9 * HOUR, 50)
            top = 50 + step * (n // 4 % 2)
            log += level(n * DAY + 12 * HOUR, top) + level(n * DAY + 3 * DAY, 0)
        model = rows(sorting(log).fill_model, container="recycling")[0]
        assert model["method"] == "levels carried on to full"
        return (model["mean_high"] - model["mean_low"]) / model["mean"]

    assert width(25) > 0.3 > 0.2 > width(5)


def test_an_own_density_stands_above_the_published_one_and_is_surer():
    own = months(RECYCLING + "density_kg_m3 = 60\n", REFUSE + "density_kg_m3 = 110\n")
    published = months()
    ours, theirs = (
        rows(one.monthly, month="2025-03", stream="recycling")[0] for one in (own, published)
    )
    assert ours["kg"] / theirs["kg"] == pytest.approx(60 / 34.41, rel=1e-4)
    assert ours["method"] == "own density: site file, density_kg_m3"
    width = [row["diversion_high"] - row["diversion_low"] for row in (ours, theirs)]
    assert width[0] < width[1]


def test_weigh_tickets_stand_above_densities_and_their_fit_is_shown():
    days = pd.date_range("2025-03-06", periods=12, freq="4D").as_unit("us")
    tickets = pd.DataFrame({"date": days, "stream": "recycling", "kg": 42.0})
    found = months(tickets={"quay": tickets})
    mass = rows(found.masses, stream="recycling")[0]
    # 42 kg for 20, 21 or 22 uses.
    assert mass["kg_a_use"] == pytest.approx(2.0, rel=0.02)
    assert mass["method"] == "weigh tickets"
    fit = rows(found.weigh_tickets)
    assert fit[0]["reason"] == "the ticket it starts from"
    assert all(abs(row["residual_kg"]) < 3 for row in fit[1:])
    assert sum(row["residual_kg"] for row in fit[1:]) == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize("lost", ["row", "weight"])
def test_a_ticket_that_is_missing_or_unreadable_makes_the_next_one_no_lighter(lost):
    days = pd.date_range("2025-03-06", periods=12, freq="4D").as_unit("us")
    tickets = pd.DataFrame({"date": days, "stream": "recycling", "kg": 42.0})
    tickets.loc[5, "kg"] = np.nan
    found = months(tickets={"quay": tickets.dropna() if lost == "row" else tickets})
    fit = rows(found.weigh_tickets)
    left_out = [row["reason"] for row in fit[1:] if row["reason"]]
    assert left_out == [{
        "row": "emptied more often since the ticket before than is usual: a ticket may be missing",
        "weight": "its weight could not be read",
    }[lost]]  # fmt: skip
    mass = rows(found.masses, stream="recycling")[0]
    assert mass["kg_a_use"] == pytest.approx(2.0, rel=0.02)


def test_with_tickets_alone_litres_and_diversion_by_volume_are_null_with_why():
    days = pd.date_range("2025-03-06", periods=12, freq="4D").as_unit("us")
    both = [pd.DataFrame({"date": days, "stream": s, "kg": 42.0}) for s in ("recycling", "refuse")]
    texts = ('id = "recycling"\nkind = "recycling"\n', 'id = "refuse"\nkind = "refuse"\n')
    row = rows(months(*texts, tickets={"quay": pd.concat(both)}).monthly, month="2025-03")[0]
    assert row["diversion"] is not None
    assert (row["litres"], row["diversion_by_volume"]) == (None, None)
    assert "the container's litres are not in the site file" in row["reason"]


def test_kilograms_a_use_by_tickets_are_a_ratio_of_sums():
    # Source: ratio estimator, worked by hand: 60 kg of 30 uses, residuals 0, 2 and -2, so that
    # the variance is 3/2 x 8 / 30^2 and the t quantile of 2 degrees of freedom 4.302653.
    fit = pd.DataFrame({
        "site": "s", "stream": "r", "kg": [20.0, 22.0, 18.0], "uses": [10, 10, 10], "reason": None,
    })  # fmt: skip
    (row,) = rows(ticket_rates(fit))
    assert row["kg_a_ticket_use"] == pytest.approx(2.0)
    half = 4.302653 * np.sqrt(1.5 * 8) / 30
    assert row["kg_ticket_high"] - row["kg_ticket_low"] == pytest.approx(2 * half, rel=1e-6)


def test_a_stream_whose_volume_is_not_known_leaves_no_diversion_and_says_why():
    text = 'id = "refuse"\nkind = "refuse"\n'
    (row, *_) = rows(months(RECYCLING, text).monthly, month="2025-03")
    assert (row["diversion"], row["diversion_by_volume"]) == (None, None)
    assert "refuse: litres a use not known" in row["reason"]


def test_linen_is_neither_diverted_nor_disposed_of():
    linen = 'id = "linen"\nkind = "linen"\n'
    plain = rows(months().monthly, month="2025-03")[0]
    with_it = rows(months(RECYCLING, REFUSE, linen).monthly, month="2025-03")[0]
    assert with_it["diversion"] == pytest.approx(plain["diversion"])


def test_fulls_cut_off_by_pickups_count_as_more_than():
    log = [*alive(60)]
    for n in range(12):
        start = n * 4 * DAY + HOUR
        log += uses(start, 30 if n % 3 else 18)
        log += full(start + 9 * HOUR, start + 20 * HOUR) if n % 3 else level(start + 8 * HOUR, 60)
        log += level(start + 30 * HOUR, 0)
    model = rows(sorting(log).fill_model, container="recycling")[0]
    assert model["cut_off"] >= 3
    assert model["median_seen"] == 30
    assert 29 < model["median"] < 31
