"""What worked: before and after against others, luck, and when it is too early to say."""

import io
import warnings

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from statsmodels.stats.rates import power_poisson_ratio_2indep

from loganalyzer.measures.effects import effects
from loganalyzer.rates import exposure_to_tell, poisson_ratio, ratio_of_ratios
from loganalyzer.site import parse_site
from loganalyzer.tables import TABLES, conform
from loganalyzer.views import analyse
from loganalyzer.views.effects import effects_dict, effects_text
from tests.build import timeline

SITE = """
[site]
id = "quay"
name = "Quay Terrace"
time_zone = "UTC"
min_units = 0
[[chute]]
id = "A"
profile = "x"
"""
CAMPAIGN = '[[campaign]]\ndate = 2026-03-01\nfloors = ["7"]\nnote = "letter"\n'
WORK = '[[work]]\ndate = 2026-03-01\nchute = "A"\nfloor = "7"\ncomponent = "door"\n'
DAYS = pd.date_range("2026-01-01", "2026-04-30")
DAY = pd.Timestamp("2026-03-01")


# Formulas.


@pytest.mark.parametrize(
    ("after", "before", "others"),
    [((4, 100.0), (20, 110.0), (30, 400.0, 33, 390.0)), ((9, 50.0), (3, 60.0), (5, 10.0, 8, 30.0))],
)
def test_difference_in_differences_is_the_interaction_of_a_poisson_regression(
    after, before, others
):
    # Source: statsmodels GLM, Poisson family, log link, offset log(exposure).
    counts = np.array([after[0], before[0], others[0], others[2]])
    exposure = np.array([after[1], before[1], others[1], others[3]])
    later, mine = np.array([1, 0, 1, 0]), np.array([1, 1, 0, 0])
    design = np.column_stack([np.ones(4), later, mine, later * mine])
    with warnings.catch_warnings():  # four numbers, four parameters: nothing is left over
        warnings.simplefilter("ignore")
        fit = sm.GLM(counts, design, family=sm.families.Poisson(), offset=np.log(exposure)).fit()
    effect = ratio_of_ratios(*after, *before, others)
    assert effect.ratio == pytest.approx(np.exp(fit.params[3]), rel=1e-6)
    low, high = np.exp(fit.conf_int()[3])
    assert (effect.low, effect.high) == (
        pytest.approx(low, rel=1e-5),
        pytest.approx(high, rel=1e-5),
    )
    assert effect.p == pytest.approx(fit.pvalues[3], rel=1e-4)


@pytest.mark.parametrize(
    ("rate", "ratio", "exposure"), [(0.02, 0.5, 4000.0), (0.1, 0.5, 900.0), (0.05, 2.0, 2000.0)]
)
def test_the_exposure_that_tells_a_change_has_the_power_that_was_asked_for(rate, ratio, exposure):
    # Source: statsmodels.stats.rates.power_poisson_ratio_2indep, Wald's test of the log ratio.
    needed = exposure_to_tell(rate, rate * exposure, ratio)
    power = power_poisson_ratio_2indep(
        rate * ratio, rate, needed, nobs_ratio=exposure / needed, value=1,
        alternative="larger" if ratio > 1 else "smaller", alpha=0.025,
    )  # fmt: skip
    assert power.power == pytest.approx(0.8, abs=0.001)


def test_with_hardly_anything_before_no_wait_tells():
    assert exposure_to_tell(0.01, 2, 0.5) == np.inf


# The table.


def log_of(rates, after=None, seed=1, uses=20):
    """Lockout episodes at doors by chance: floor → episodes a use, and after DAY where other."""
    rng = np.random.default_rng(seed)
    tried, happened = [], []
    for floor, rate in rates.items():
        for day in DAYS:
            tried.append({"site": "quay", "chute": "A", "floor": floor, "day": day,
                          "uses": uses, "visits": uses})  # fmt: skip
            now = (after or {}).get(floor, rate) if day > DAY else rate
            happened += [
                {"site": "quay", "chute": "A", "floor": floor, "day": day, "component": "door",
                 "outcome": outcome, "source": "ab", "line": 1}
                for outcome in ("lockout episodes", "trouble")
                for _ in range(rng.poisson(now * uses))
            ]  # fmt: skip
    columns = ["site", "chute", "floor", "outcome", "component", "day", "source", "line"]
    return pd.DataFrame(happened, columns=columns), pd.DataFrame(tried)


def judged(log, *tables):
    site = parse_site(SITE + "".join(tables or (CAMPAIGN,)), "quay.toml")
    table = effects(*log, {"quay": site})
    assert conform(table, "effects").schema.names == TABLES["effects"].names
    return table[table["outcome"].ne("openings held too long")].to_dict("records")


EVEN = {str(n): 0.03 for n in range(1, 9)}


def test_a_campaign_that_halves_and_more_is_said_to_have_worked():
    (row,) = judged(log_of({**EVEN, "7": 0.1}, {"7": 0.02}))
    assert row["verdict"] == "worked"
    assert row["low"] < 0.2 < row["high"] < 1
    assert row["others"] == "the chute's other doors"
    assert len(pd.read_json(io.StringIO(row["evidence"]))) == 10
    exact = poisson_ratio(row["after"], row["uses_after"], row["before"], row["uses_before"])
    assert row["plain_ratio"] == pytest.approx(float(exact.ratio))


def test_a_season_that_moves_all_floors_is_no_effect():
    halved = dict.fromkeys(EVEN, 0.05)
    (row,) = judged(log_of(dict.fromkeys(EVEN, 0.1), halved))
    assert row["plain_high"] < 1  # before and after alone would call it a success
    assert row["low"] < 1 < row["high"]
    assert row["verdict"] != "worked"


def test_few_events_are_too_early_and_the_day_to_look_again_is_said():
    (row,) = judged(log_of({**dict.fromkeys(EVEN, 0.1), "7": 0.02}, uses=30))
    assert row["verdict"] == "too early"
    assert row["look_again"] > DAYS[-1]
    (row,) = judged(log_of(dict.fromkeys(EVEN, 0.002)))
    assert row["verdict"] == "too early"
    assert pd.isna(row["look_again"])
    assert row["reason"] == "too few before for any wait to tell"


def test_enough_without_a_change_is_no_change():
    (row,) = judged(log_of(dict.fromkeys(EVEN, 0.2)))
    assert row["verdict"] == "no change"


def test_what_got_worse_is_said():
    (row,) = judged(log_of(dict.fromkeys(EVEN, 0.05), {"7": 0.2}), WORK)
    assert (row["by"], row["outcome"], row["verdict"]) == ("work", "trouble", "worse")


def test_the_worst_of_many_alike_floors_is_expected_to_get_better_by_luck():
    """All have one rate: the one with the most is picked, and its excess is luck alone."""
    happened, tried = log_of({str(n): 0.01 for n in range(1, 31)}, seed=3)
    early = happened[happened["day"].lt(DAY) & happened["outcome"].eq("lockout episodes")]
    worst = early.groupby("floor").size().idxmax()
    (row,) = judged((happened, tried), CAMPAIGN.replace('"7"', f'"{worst}"'))
    assert row["by_luck"] < 0.8
    even = early.groupby("floor").size()
    assert row["by_luck"] == pytest.approx(even.mean() / even.max(), rel=0.35)


def test_over_many_campaigns_without_effect_few_are_said_to_have_worked():
    verdicts = [judged(log_of(dict.fromkeys(EVEN, 0.1), seed=seed))[0]["verdict"]
                for seed in range(80)]  # fmt: skip
    # Source: 2.5 % of them by the interval's definition; binomial, 80 trials: 7 or more has
    # a chance below 0.5 %.
    assert verdicts.count("worked") < 7


@pytest.mark.parametrize(
    ("log", "reason"),
    [
        (log_of({"7": 0.1}), "nothing to compare with"),
        (log_of({**EVEN, "7": 0.0}), "nothing of the kind before"),
    ],
)
def test_what_cannot_be_judged_says_why(log, reason):
    (row,) = judged(log)
    assert reason in row["reason"]


def test_a_campaign_of_yesterday_is_not_judged():
    log = log_of(EVEN)
    (row,) = judged(log, CAMPAIGN.replace("2026-03-01", "2026-04-28"))
    assert row["reason"] == "fewer than 7 days of log before or after"
    assert pd.isna(row["ratio"])


def test_a_second_campaign_at_the_same_floor_ends_the_first():
    second = CAMPAIGN.replace("2026-03-01", "2026-04-01")
    first, later = judged(log_of(dict.fromkeys(EVEN, 0.1)), CAMPAIGN, second)
    assert first["uses_after"] == 31 * 20  # from 2 March to 1 April
    assert later["uses_before"] == 31 * 20  # from 1 to 31 March


def test_the_text_says_what_luck_would_bring_and_what_to_do_where_nothing_was_done():
    bare = parse_site(SITE, "quay.toml")
    log = timeline((0, "7", "open", "on"), (5, "7", "open", "off"))
    assert "write down what was done" in effects_text(analyse(log, {"quay": bare}))
    site = parse_site(SITE + WORK, "quay.toml")
    analysis = analyse(log, {"quay": site})
    text = effects_text(analysis)
    assert "fewer than 7 days" in text
    assert "lock out and tag out" in text
    assert effects_dict(analysis)["effects"][0]["before"] == 0
