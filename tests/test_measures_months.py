"""Month by month and hour by hour: exposure, trends, and small floors kept from managers."""

import json

import numpy as np
import pandas as pd
import pytest
from plotly.utils import PlotlyJSONEncoder

from dashboards.data import Worked
from dashboards.pages.choice import Choice
from dashboards.pages.incidents import listing
from dashboards.pages.view import View
from loganalyzer.errors import SiteError
from loganalyzer.site import parse_site
from loganalyzer.views import analyse, as_dict, shown_to_manager, summary
from tests.build import timeline
from tests.test_measures_misuse import DAY, episodes, locked, site, spell, use


def analysed(*events, sites=None):
    ordered = sorted(events, key=lambda e: e[0])
    return analyse(timeline(*ordered), site() if sites is None else sites)


@pytest.fixture(scope="module")
def rising():
    """Four months in which floor 7 locks itself out more and more; 8 does so all along."""
    worse = episodes("7", [2, 30, *range(60, 120, 3)])
    return analysed(*spell(120), *worse, *episodes("8", range(5, 120, 8)))


def test_a_rising_floor_is_told_in_a_sentence(rising):
    row = rising.floor_trends.set_index("floor").loc["7"]
    assert row["change"] == "rising"
    assert row["low"] > 1
    assert row["sentence"].startswith(
        "Floor 7 of chute A: lockouts become more: 22 lockout episodes, 7.6 per 100 visits in the "
        "later half of its visits, 1.2 in the earlier, 6.3 times ("
    )
    assert row["sentence"] in [f.sentence for f in summary(rising).findings]


def test_a_floor_that_goes_on_as_it_was_has_no_trend(rising):
    table = rising.floor_trends.set_index("floor")
    assert table.loc["8", "change"] == "none shown"
    assert "no trend is shown: 15 lockout episodes" in table.loc["8", "sentence"]
    assert table.loc["9", "reason"] == "fewer than 5 episodes: too few for a trend"
    assert pd.isna(table.loc["9", "p"])


def test_months_are_local_and_sum_to_the_whole(rising):
    table = rising.lockout_months[rising.lockout_months["floor"].eq("7")]
    assert table["month"].dt.strftime("%Y-%m").tolist() == [
        "2025-03", "2025-04", "2025-05", "2025-06", "2025-07",
    ]  # fmt: skip
    assert table["episodes"].sum() == 22
    assert table["exposure_days"].sum() == pytest.approx(119.7, abs=0.2)
    assert table.loc[table["month"].eq("2025-05-01"), "exposure_days"].item() == 31
    known = table[table["reason"].isna()]
    assert (known["low"] <= known["episodes_per_100_visits"]).all()
    assert (known["episodes_per_100_visits"] <= known["high"]).all()


def test_a_trend_follows_the_visits_and_not_the_calendar():
    """Half the people away in the first months is no rise of their lockouts."""
    quiet, busy = spell(45, each=1), spell(45, each=4, first=45)
    even = [*episodes("7", range(2, 45, 8)), *episodes("7", range(45, 90, 2))]
    row = analysed(*quiet, *busy, *even).floor_trends.set_index("floor").loc["7"]
    assert row["change"] == "none shown"


def test_a_month_with_a_gap_of_ten_days_counts_the_rest():
    table = analysed(*spell(8), *spell(20, first=18), *episodes("7", [3, 20, 21])).lockout_months
    march = table[table["floor"].eq("7") & table["month"].eq("2025-03-01")].iloc[0]
    assert march["exposure_days"] == pytest.approx(28.7 - 10.5, abs=0.5)
    assert march["episodes"] == 3
    assert np.isfinite(march["episodes_per_100_visits"])


def test_a_month_without_any_log_says_so():
    table = analysed(*spell(8), *spell(8, first=70)).lockout_months
    april = table[table["floor"].eq("7") & table["month"].eq("2025-04-01")].iloc[0]
    assert april["reason"] == "no log of the door in service in this month"
    assert pd.isna(april["visits"])


def test_the_week_counts_visits_and_lockouts_in_local_hours():
    # START is Monday 2025-03-03 08:00 UTC, the same hour in Lisbon.
    table = analysed(*spell(14), *locked(2 * DAY + 7200)).week
    wednesday = table[table["floor"].eq("7") & table["hour_of_week"].eq(2 * 24 + 10)].iloc[0]
    assert (wednesday["lockouts"], wednesday["visits"], wednesday["presses"]) == (1, 1, 5)
    assert wednesday["exposure_h"] == 2
    assert wednesday["lockouts_per_hour"] == 0.5
    assert table["visits"].sum() == 14 * 3 * 4 + 1
    assert table.loc[table["reason"].isna()].empty  # refusals are not recorded, and it says so
    assert set(table["reason"]) == {"refusals not in the log"}


# Small floors.


def small(min_units=3):
    text = site(units=8)["quay"].text.replace("min_units = 3", f"min_units = {min_units}")
    text = text.replace('label = "7"\nunits = 8', 'label = "7"\nunits = 2')
    text = text.replace('label = "9"\nunits = 8', 'label = "9"')
    return {"quay": parse_site(text, "quay.toml")}


@pytest.fixture(scope="module")
def misused():
    return [*spell(), *episodes("7", range(0, 28, 2)), *episodes("8", [3])]


def test_a_floor_of_two_homes_is_not_named_to_the_manager(misused):
    found = analysed(*misused, sites=small())
    assert found.floors.set_index("floor").loc["7", "flagged"]
    told = summary(found)
    for finding in told.findings:
        assert finding.who != "manager" or finding.floor != "7"
    assert "1 floor hidden, fewer than 3 units." in [f.sentence for f in told.findings]
    document = as_dict(found, told)
    assert [row["floor"] for row in document["floors"]] == ["8", "9"]
    assert document["hidden_floors"] == 1
    assert "7" not in {row["floor"] for row in document["incidents"] if row["for"] == "manager"}


@pytest.mark.parametrize(("fewest", "floors"), [(3, {"8"}), (0, {"7", "8"})])
def test_the_page_lists_no_incident_of_a_small_floor_for_the_manager(misused, fewest, floors):
    found = analysed(*misused, sites=small(fewest))
    view = View(Worked(found), Choice(), "UTC", "light")
    listed = json.loads(json.dumps(listing(view), cls=PlotlyJSONEncoder))
    assert {row["floor"] for row in rows_of(listed) if row["who"] == "manager"} == floors
    assert ("1 floor hidden" in json.dumps(listed)) == (fewest == 3)


def rows_of(component):
    """The rows of the grid in a component."""
    if isinstance(component, list):
        return [row for part in component for row in rows_of(part)]
    props = component.get("props", {}) if isinstance(component, dict) else {}
    return props.get("rowData") or rows_of(props.get("children") or [])


def test_the_lines_behind_a_chute_are_none_of_a_small_floor(misused):
    found = analysed(*misused, sites=small())
    (told,) = [f for f in summary(found).findings if f.kind == "lockouts"]
    shown = found.incidents[found.incidents["floor"].ne("7")]
    assert told.evidence
    assert {*told.evidence} <= {line for text in shown["evidence"] for line in json.loads(text)}


def test_zero_hides_no_floor(misused):
    told = summary(analysed(*misused, sites=small(0)))
    assert "7" in {f.floor for f in told.findings if f.kind == "misuse"}
    assert not [f for f in told.findings if f.kind == "hidden_floors"]


def test_the_technician_sees_every_door():
    held = [*spell(3), (3 * DAY, "7", "open", "on"), (3 * DAY + 300, "7", "open", "off")]
    told = summary(analysed(*held, sites=small()))
    assert {f.floor for f in told.findings if f.kind == "stuck_door"} == {"7"}


def test_rows_without_a_floor_and_without_units_stay():
    table = pd.DataFrame({"site": "quay", "chute": "A", "floor": ["7", "8", "9", None]})
    assert shown_to_manager(table, small())["floor"].fillna("").tolist() == ["8", "9", ""]
    kinds = table.assign(**{"for": ["technician", "manager", "manager", "manager"]})
    assert len(shown_to_manager(kinds, small())) == 4


def test_min_units_is_three_unless_the_site_file_says_otherwise():
    assert parse_site(site()["quay"].text.replace("min_units = 3\n", ""), "q.toml").min_units == 3
    assert small(0)["quay"].min_units == 0
    with pytest.raises(SiteError, match="min_units"):
        small(-1)


def test_the_reason_to_look_at_the_hardware_goes_to_the_technician():
    stuck = [(9 * DAY + s, "7", "press", "mark", {"stream": "refuse"}) for s in range(60)]
    found = analysed(*spell(), *stuck, *use(10 * DAY, "8"))
    (finding,) = [f for f in summary(found).findings if f.kind == "failing_button"]
    assert (finding.who, finding.floor) == ("technician", "7")
    assert finding.sentence.startswith("Floor 7 of chute A: check the hardware first: ")
    assert not found.floors["flagged"].any()
