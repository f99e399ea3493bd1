"""From a timeline to pictures' tables and to sentences."""

import json

import numpy as np
import pandas as pd
import pytest

from loganalyzer import sentences
from loganalyzer.facts import facts
from loganalyzer.intervals import pair
from loganalyzer.measures.lockouts import lockouts
from loganalyzer.site import Chute, Floor, Site
from loganalyzer.stats import poisson_interval
from loganalyzer.tables import AUDIENCES, INCIDENT_KINDS, TABLES, conform
from loganalyzer.views import (
    analyse,
    as_dict,
    daily_trend,
    floors_ranked,
    headline,
    hour_of_week,
    incident_list,
    of_chute,
    summary,
)
from loganalyzer.views.about_chutes import NAMES
from tests.build import timeline
from tests.tools.simulator import simulate
from tests.tools.simulator.scenario import samples

CODES = {"sorter_late": "sorter", "door_held": "door"}


def site(zone="Europe/Lisbon", floors=()):
    chute = Chute(id="A", profile="p", floor=[Floor(label=label) for label in floors])
    return {"quay": Site("quay", "Quay", zone, (chute,))}


def timeline_of(events):
    """The simulator's events as the store would give them, one line an event."""
    rows = events.sort_values(["site", "chute", "time"], kind="stable", ignore_index=True)
    rows = rows.assign(
        seq=rows.groupby(["site", "chute"], observed=True).cumcount(), source="log",
        line=np.arange(1, len(rows) + 1), clock="exact", device_time=rows["device"],
    )  # fmt: skip
    return conform(rows[[*TABLES["timeline"].names]], "timeline").to_pandas()


@pytest.fixture(scope="module")
def planted():
    """The first building of the sample logs: what was planted, and what is found."""
    plan = samples()[0].plan
    truth = simulate(plan)
    chutes = tuple(
        Chute(id=c.id, profile="p", floor=[Floor(label=f.label, units=f.units) for f in c.floors])
        for c in plan.chutes
    )
    sites = {plan.site: Site(plan.site, plan.name, plan.time_zone, chutes)}
    codes = {(plan.site, c.id): CODES for c in chutes}
    return truth, analyse(timeline_of(truth.events), sites, codes)


def told(analysis, kind):
    return [f for f in summary(analysis).findings if f.kind == kind]


def test_the_misused_floor_is_found_and_no_other(planted):
    truth, found = planted
    (finding,) = told(found, "misuse")
    assert (finding.chute, finding.floor) == tuple(truth.misuse[["chute", "floor"]].iloc[0])
    assert finding.who == "manager"
    mine = found.floors[found.floors["chute"].eq("A") & found.floors["floor"].eq(finding.floor)]
    episodes = int(mine["lockout_episodes"].iloc[0])
    assert finding.sentence.startswith(
        f"Floor {finding.floor} of chute A: {episodes} lockout episodes in {finding.n} visits, "
    )
    low, high = poisson_interval([episodes])
    assert finding.value == pytest.approx(100 * episodes / finding.n)
    assert [finding.low, finding.high] == pytest.approx([100 * low[0] / finding.n,
                                                         100 * high[0] / finding.n])  # fmt: skip
    assert finding.evidence


def test_the_weak_closer_and_the_slow_diverter_are_found_and_nothing_else(planted):
    truth, found = planted
    assert set(truth.faults["kind"]) == {"weak_closer", "slow_diverter"}
    (closer,), (diverter,) = told(found, "slow_closer"), told(found, "slow_diverter")
    assert (closer.chute, closer.floor, diverter.chute) == ("A", "7", "B")
    assert closer.low > 0
    assert diverter.low > 0


def test_lockouts_inferred_from_presses_are_those_the_controller_made(planted):
    truth, found = planted
    silent = found.timeline[found.timeline["signal"].ne("lockout")]
    guessed = lockouts(silent, pair(silent), facts(silent, found.sites))
    keys = ["chute", "floor", "start", "end"]
    real = truth.lockouts.astype({"chute": "str", "floor": "str"})[keys].sort_values(keys)
    mine = guessed[keys].sort_values(keys)
    assert mine.to_numpy().tolist() == real.to_numpy().tolist()
    assert guessed["inferred"].all()


def test_containers_power_and_service_are_told(planted):
    truth, found = planted
    kinds = found.incidents.groupby(["chute", "kind"], observed=True).size()
    assert kinds["A", "service"] == len(truth.services)
    assert kinds["A", "power_loss"] + kinds["B", "power_loss"] == len(truth.gaps)
    full = truth.fills["full_from"].notna().sum()
    assert kinds["A", "container_full"] + kinds["B", "container_full"] == full
    assert {f.who for f in told(found, "container_full")} == {"coordinator"}


def test_every_figure_comes_with_what_it_rests_on(planted):
    for finding in summary(planted[1]).findings:
        assert finding.who in AUDIENCES
        assert finding.sentence.endswith(".")
        assert "nan" not in finding.sentence.lower()
        if finding.low is not None and not np.isnan(finding.low):
            assert finding.low <= finding.value <= finding.high
            assert finding.n
        assert all(":" in line for line in finding.evidence)


def test_the_summary_is_json(planted):
    found = planted[1]
    document = json.loads(json.dumps(as_dict(found, summary(found)), allow_nan=False))
    assert [row["chute"] for row in document["headline"]] == ["A", "B"]
    assert document["headline"][0]["first"].endswith("Z")
    assert "lock out and tag out" in document["caution"]
    assert isinstance(document["incidents"][0]["evidence"], list)
    assert len(document["floors"]) == len(found.floors)


def test_floors_are_ranked_by_their_rate_within_a_site(planted):
    ranked = floors_ranked(planted[1])
    assert ranked["rank"].iloc[0] == 1
    assert ranked["episodes_per_100_visits"].is_monotonic_decreasing
    assert len(of_chute(ranked, "quay-terrace", "B")) == 9


def test_the_headline_counts_what_there_is(planted):
    truth, found = planted
    row = headline(found).set_index("chute").loc["A"]
    mine = truth.events["chute"].eq("A")
    assert row["events"] == mine.sum()
    assert row["refusals"] == (mine & truth.events["signal"].eq("refusal")).sum()
    assert row["served"] + row["gave_up"] + row["locked_out"] <= row["visits"]
    assert row["low"] < row["served_share"] < row["high"]
    assert 0.99 < row["covered_share"] <= 1


def test_every_picture_has_its_table(planted):
    found = planted[1]
    assert len(hour_of_week(found)) == 168 * len(found.floors)
    days = daily_trend(found)
    assert days["cycles"].sum() == len(found.cycles)
    listed = incident_list(found)
    assert listed["start"].is_monotonic_decreasing
    shift = listed["start_local"].dt.tz_localize("Europe/Lisbon", ambiguous=True)
    assert (shift.dt.tz_convert("UTC") == listed["start"]).mean() > 0.95


def use(start, floor="7"):
    return [
        (start, floor, "press", "mark"),
        (start + 5, floor, "unlocked", "on"),
        (start + 6, floor, "open", "on"),
        (start + 16, floor, "open", "off"),
        (start + 17, floor, "unlocked", "off"),
    ]


def spoken(*events, **known):
    found = analyse(timeline(*events), site(**known))
    return [f.sentence for f in summary(found).findings]


def test_a_log_without_trouble_says_that_nothing_stands_out():
    said = spoken(*[e for n in range(20) for e in use(n * 600)])
    assert said[0] == "Chute A: nothing stands out in 3.2 h of log with 100 events and 20 uses."


def test_a_log_of_doors_only_says_what_it_cannot_tell():
    said = spoken((0, "7", "open", "on"), (9, "7", "open", "off"), (90, "8", "open", "on"))
    assert any("the log holds no presses, refusals" in line for line in said)
    assert not any("lockout episode" in line for line in said)


def test_a_door_that_is_still_open_comes_first_in_local_time():
    said = spoken(("2025-07-01T08:00:00Z", "7", "open", "on"),
                  ("2025-07-01T08:30:00Z", "8", "press", "mark"))  # fmt: skip
    # Source: tz database, Europe/Lisbon is one hour ahead of UTC in July.
    assert said[0] == (
        "Floor 7 of chute A: open since 2025-07-01 09:00, and still so when the log ends "
        "30 min later."
    )


def test_a_few_lockouts_do_not_make_a_floor_stand_out():
    events = [e for n in range(30) for e in use(n * 600, floor=str(n % 3))]
    locked = [(n * 5000 + 100, "1", "lockout", edge) for n in (4, 5) for edge in ("on", "off")]
    said = spoken(*sorted([*events, *locked], key=lambda e: e[0]))
    assert any("no floor stands out" in line for line in said)


def test_every_kind_of_incident_can_be_said():
    assert set(NAMES) == set(INCIDENT_KINDS)


def test_floors_that_the_site_file_lacks_are_named():
    said = spoken(*use(0), *use(100, "13"), floors=["7"])
    assert any(line.startswith("Chute A: 13 in the log, not in the site file") for line in said)


def test_lines_that_could_not_be_read_are_told_with_their_reasons():
    found = analyse(timeline(*use(0)), site())
    imports = pd.DataFrame({"source": ["a", "b"], "site": "quay", "lines": [900, 100],
                            "rejected": [0, 3]})  # fmt: skip
    rejects = pd.DataFrame({"source": "b", "line": [1, 2, 3], "text": "",
                            "reason": ["unknown event", "cut off", "unknown event"]})  # fmt: skip
    last = summary(found, imports, rejects).findings[-1]
    assert last.sentence == (
        "3 of 1,000 lines could not be read, in 1 of 2 exports (unknown event 2 and cut off 1)."
    )


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (3.25, "3.2 s"),
        (5, "5 s"),
        (90, "90 s"),
        (600, "10 min"),
        (9000, "2.5 h"),
        (2e5, "2.3 days"),
    ],
)
def test_times_are_said_in_the_unit_people_use(seconds, text):
    assert sentences.lasting(seconds) == text


def test_figures_keep_the_digits_that_mean_something():
    assert [sentences.figure(v) for v in (0, 0.104, 5.583, 12, 134.2)] == [
        "0", "0.10", "5.6", "12.0", "134"
    ]  # fmt: skip
    assert sentences.between(3.54, 8.38) == "(3.5 to 8.4)"
