"""Repairs: before against after, how long until a trouble comes back, and too early to say."""

import pandas as pd
import pytest
from scipy.stats import binomtest

from loganalyzer.errors import SiteError
from loganalyzer.site import parse_site
from loganalyzer.tables import conform
from tests.build import START, timeline
from tests.conditioned import condition

DAY = 86400
CODES = {("quay", "A"): {"E12": "sorter", "L1": "latch"}}
SITE = """
[site]
id = "quay"
name = "Quay"
time_zone = "UTC"
[[chute]]
id = "A"
profile = "p"
[[chute.floor]]
label = "7"
"""


def faults(days, code="E12", floor=None):
    return [(day * DAY, floor, "fault", "mark", {"code": code}) for day in days]


def service(day):
    return [(day * DAY, None, "service", "on"), (day * DAY + 3600, None, "service", "off")]


def found(*events, site=SITE):
    events = [*events, (0, "7", "press", "mark"), (100 * DAY, "7", "press", "mark")]
    presses = [(day * DAY / 3 + 7, "7", "press", "mark") for day in range(1, 300)]
    log = timeline(*sorted([*events, *presses], key=lambda e: e[0]))
    sites = {"quay": parse_site(site, "quay.toml")}
    return condition(log, CODES, sites).repairs


def test_before_and_after_are_compared_exactly():
    before, after = [n * 25 / 21 + 0.5 for n in range(21)], [30 + n for n in range(11)]
    (row,) = found(*faults(before), *service(26), *faults(after)).to_dict("records")
    assert (row["before"], row["after"]) == (21, 11)
    assert (row["before_days"], row["after_days"]) == pytest.approx((26, 74), abs=0.05)
    ratio = (11 / row["after_days"]) / (21 / row["before_days"])
    assert row["ratio"] == pytest.approx(ratio)
    # Source: Clopper and Pearson's limits of the share, as scipy.stats.binomtest gives them.
    share = binomtest(11, 32).proportion_ci()
    odds = [p / (1 - p) * row["before_days"] / row["after_days"] for p in share]
    assert [row["low"], row["high"]] == pytest.approx(odds, rel=1e-6)
    assert row["high"] < 1
    assert row["verdict"] == "better"


def test_a_repair_after_which_nothing_came_held():
    (row,) = found(*faults(range(1, 40, 2)), *service(50)).to_dict("records")
    assert row["verdict"] == "held"
    assert not row["came_back"]
    assert row["back_days"] == pytest.approx(50, abs=0.1)
    assert pd.isna(row["back_median_days"])


def test_a_trouble_that_goes_on_is_no_better():
    (row,) = found(*faults(range(1, 99, 3)), *service(50.5)).to_dict("records")
    assert row["verdict"] == "no better"
    assert row["came_back"]


@pytest.mark.parametrize("days", [[10], [20, 60], [80, 85]])
def test_a_few_faults_leave_it_too_early_to_say(days):
    (row,) = found(*faults(days), *service(90)).to_dict("records")
    assert row["verdict"] == "too early to say"


def test_the_time_to_come_back_is_kaplan_meier_s_over_all_repairs():
    # Back after 2, 4 and 6 days, and not again in the last 20: the curve falls to 3/4, 2/4, 1/4.
    days = [10, 22, 44, 66]
    table = found(*faults(days), *service(20), *service(40), *service(60), *service(80))
    assert table["back_days"].round(1).tolist() == [2.0, 4.0, 6.0, 20.0]
    assert table["back_median_days"].round(1).tolist() == [4.0] * 4


WORK = """
[[work]]
date = {date}
component = "latch"
floor = "7"
note = "new coil"
"""


def test_work_in_the_site_file_is_for_the_part_and_floor_that_it_names():
    site = SITE + WORK.format(date=(START + pd.Timedelta(days=50)).date())
    mine = faults(range(1, 40), "L1", "7")
    table = found(*mine, *faults(range(1, 99, 7)), *faults(range(2, 90, 9), "L1", "8"), site=site)
    assert table[["code", "floor", "by", "note", "verdict"]].to_numpy().tolist() == [
        ["L1", "7", "work", "new coil", "held"]
    ]
    assert conform(table, "repairs").num_rows == 1


@pytest.mark.parametrize(
    ("key", "value", "allowed"),
    [("component", "latsch", "latch"), ("floor", "77", "7"), ("chute", "B", "A"),
     ("date", "soon", "2026-03-01")],
)  # fmt: skip
def test_a_wrong_work_entry_is_one_clear_line(key, value, allowed):
    entry = {"date": "2026-03-01", key: f'"{value}"'}
    lines = "\n".join(f"{name} = {text}" for name, text in entry.items())
    with pytest.raises(SiteError) as caught:
        parse_site(f"{SITE}\n[[work]]\n{lines}\n", "quay.toml")
    assert value in str(caught.value)
    assert allowed in str(caught.value)


def test_without_repairs_there_is_nothing_to_compare():
    assert found(*faults(range(5))).empty
