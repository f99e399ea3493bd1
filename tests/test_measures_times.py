"""How long doors stand open, how long people wait, and clearings against free fall."""

import numpy as np
import pandas as pd
import pytest

from loganalyzer.cycles import cycles
from loganalyzer.facts import facts
from loganalyzer.intervals import pair
from loganalyzer.measures.clearing_floor import clearings_below_free_fall
from loganalyzer.measures.doors import open_times
from loganalyzer.measures.waiting import waits
from loganalyzer.site import parse_site
from loganalyzer.visits import visits
from tests.build import timeline

SITES = {
    "quay": parse_site(
        """
        [site]
        id = "quay"
        name = "Quay"
        time_zone = "UTC"
        [[chute]]
        id = "A"
        profile = "p"
        [[chute.floor]]
        label = "7"
        elevation_m = 30.0
        [[chute.floor]]
        label = "8"
        """,
        "quay.toml",
    )
}


def use(start, opened=10.0, clearing=12.0, floor="7", travel=4.0):
    """One use: press, travel, unlock, open, close, lock, clearing."""
    ready = start + 1 + travel
    shut = ready + 2 + opened
    return [
        (start, floor, "press", "mark", {"stream": "refuse"}),
        (start + 1, None, "positioning", "on", {"stream": "refuse"}),
        (ready, None, "positioning", "off", {"stream": "refuse"}),
        (ready, floor, "unlocked", "on"),
        (ready + 2, floor, "open", "on"),
        (shut, floor, "open", "off"),
        (shut, floor, "unlocked", "off"),
        (shut, None, "clearing", "on"),
        (shut + clearing, None, "clearing", "off"),
    ]


def tables(*events):
    log = timeline(*events)
    pairs = pair(log)
    used = cycles(log, pairs, SITES)
    return log, pairs, used, visits(log, used, pairs, SITES), facts(log, SITES)


def opened(*events):
    _, pairs, used, _, known = tables(*events)
    return open_times(used, pairs, known).set_index("floor")


def test_open_times_are_the_quantiles_of_their_door():
    table = opened(*[e for n in range(10) for e in use(n * 100, opened=n + 1)])
    row = table.loc["7"]
    assert (row["openings"], row["cut_off"]) == (10, 0)
    assert (row["open_s_median"], row["open_s_p90"], row["open_s_p99"]) == (5, 9, 10)
    assert pd.isna(row["reason"])


def test_a_door_that_was_never_opened_has_no_times_and_says_why():
    row = opened(*use(0)).loc["8"]
    assert row["openings"] == 0
    assert np.isnan(row["open_s_median"])
    assert row["reason"] == "never opened in this log"


def test_a_log_without_contacts_has_no_openings_rather_than_none():
    row = opened((0, "7", "press", "mark"), (9, "7", "press", "mark")).loc["7"]
    assert pd.isna(row["openings"])
    assert row["reason"] == "door contacts not in the log"


def test_openings_cut_off_by_a_power_cut_lengthen_the_times():
    cut = [*use(1000, opened=500)[:5], (1200, None, "power", "off"), (1300, None, "power", "on")]
    whole = [e for n in range(4) for e in use(n * 100, opened=n + 1)]
    row = opened(*whole, *cut, (2000, "8", "press", "mark")).loc["7"]
    assert (row["openings"], row["cut_off"]) == (5, 1)
    # Kaplan-Meier by hand: 1, 2, 3, 4 and one followed for 193 s: S = .8 .6 .4 .2
    assert row["open_s_median"] == 3
    assert np.isnan(row["open_s_p90"])
    assert row["reason"] == "too few closings seen"


def test_waits_run_from_the_press():
    log, _, used, tried, known = tables(*use(0), *use(100), (300, "8", "press", "mark"))
    table = waits(used, tried, log, known).set_index("wait")
    assert table["n"].to_dict() == {
        "press_to_unlock": 2, "press_to_open": 2, "positioning": 2, "clearing": 2
    }  # fmt: skip
    assert table["median_s"].to_dict() == {
        "press_to_unlock": 5, "press_to_open": 7, "positioning": 4, "clearing": 12
    }  # fmt: skip


def test_a_wait_that_the_log_does_not_show_is_null_with_its_reason():
    log, _, used, tried, known = tables((0, "7", "open", "on"), (9, "7", "open", "off"))
    table = waits(used, tried, log, known).set_index("wait")
    assert table["median_s"].isna().all()
    assert table.loc["clearing", "reason"] == "clearing not in the log"
    assert table.loc["press_to_open", "reason"] == "presses not in the log"


@pytest.mark.parametrize(
    ("clearing", "too_short"),
    [
        # Source: free fall from 30 m takes 2.473519 s (g = 9.80665 m/s2, 3rd CGPM 1901).
        (1.0, 1),
        (1.4, 1),  # still too short if the log's clock was a whole second off
        (1.6, 0),
        (12.0, 0),
    ],
)
def test_a_clearing_shorter_than_free_fall_is_too_short(clearing, too_short):
    # Whole seconds but for the clearing's end: the written stamps decide how fine the log is.
    log, _, used, _, known = tables(*use(0, clearing=clearing))
    known = facts(log.assign(device_time=log["device_time"].dt.floor("s")), SITES)
    row = clearings_below_free_fall(used, known).set_index("floor").loc["7"]
    assert row["fall_s"] == pytest.approx(2.473519, abs=5e-7)
    assert (row["clearings"], row["too_short"]) == (1, too_short)


def test_a_fine_clock_leaves_less_doubt():
    _, _, used, _, known = tables(*use(0.123, clearing=2.4))
    assert clearings_below_free_fall(used, known)["too_short"].iloc[0] == 1


def test_without_a_height_nothing_is_proven():
    _, _, used, _, known = tables(*use(0, clearing=0.5, floor="8"))
    row = clearings_below_free_fall(used, known).set_index("floor").loc["8"]
    assert pd.isna(row["too_short"])
    assert row["reason"] == "no elevation_m in the site file"
