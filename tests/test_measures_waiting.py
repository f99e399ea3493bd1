"""What people wait for, part by part; how many are served soon enough; the chute as one server."""

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.proportion import proportion_confint

from loganalyzer.cycles import cycles
from loganalyzer.facts import facts
from loganalyzer.intervals import pair
from loganalyzer.localtime import exposure
from loganalyzer.measures.coverage import coverage
from loganalyzer.measures.lockouts import lockouts
from loganalyzer.measures.queueing import queue
from loganalyzer.measures.replay import Change, replayed, what_if
from loganalyzer.measures.wait_parts import SECONDS, wait_parts, wait_split, week_waits
from loganalyzer.measures.waiting import served_within
from loganalyzer.occupied import occupied
from loganalyzer.presses import pressed
from loganalyzer.site import parse_site
from loganalyzer.tables import TABLES, conform
from loganalyzer.views import analyse
from loganalyzer.views.wait_report import clearing_what_if, waiting_dict, waiting_text
from loganalyzer.visits import visits
from tests.build import timeline

SITES = {
    "quay": parse_site(
        """
        [site]
        id = "quay"
        name = "Quay"
        time_zone = "Europe/Berlin"
        [[chute]]
        id = "A"
        profile = "p"
        [[chute.floor]]
        label = "7"
        units = 6
        elevation_m = 30.0
        [[chute.floor]]
        label = "8"
        units = 4
        """,
        "quay.toml",
    )
}


def press(at, floor, code=None):
    events = [(at, floor, "press", "mark", {"stream": "refuse"})]
    return events + ([(at, floor, "refusal", "mark", {"code": code})] if code else [])


def use(at, floor="7", travel=4.0, latch=1.0, reach=2.0, opened=8.0, clearing=12.0):
    """One use from the press that is acted upon to the material landed."""
    there = at + travel
    unlocked = there + latch
    shut = unlocked + reach + opened
    return [
        *press(at, floor),
        (at, None, "positioning", "on", {"stream": "refuse"}),
        (there, None, "positioning", "off", {"stream": "refuse"}),
        (unlocked, floor, "unlocked", "on"),
        (unlocked + reach, floor, "open", "on"),
        (shut, floor, "open", "off"),
        (shut, floor, "unlocked", "off"),
        (shut, None, "clearing", "on"),
        (shut + clearing, None, "clearing", "off"),
    ]


def in_order(events):
    return sorted(events, key=lambda event: event[0])


def without(events, *signals):
    return [event for event in events if event[2] not in signals]


class Measured:
    """The tables of this page, each worked out when it is asked for."""

    def __init__(self, *events, sites=SITES):
        self.sites = sites
        self.log = timeline(*in_order(events))
        self.pairs = pair(self.log)
        self.cycles = cycles(self.log, self.pairs, sites)
        self.visits = visits(self.log, self.cycles, self.pairs, sites)
        self.facts, self.coverage = facts(self.log, sites), coverage(self.log)
        self.taken = occupied(self.pairs, self.cycles, self.log)

    @property
    def wait_parts(self):
        return wait_parts(self.visits, self.taken, self.log, self.facts)

    @property
    def wait_split(self):
        return wait_split(self.wait_parts, self.facts)

    @property
    def served_within(self):
        return served_within(self.visits, self.log, self.facts)

    @property
    def week_waits(self):
        hours = exposure(self.coverage, self.sites)
        return week_waits(self.visits, self.wait_parts, hours, self.log, self.facts, self.sites)

    @property
    def queue(self):
        asked, week = pressed(self.log), self.week_waits
        return queue(asked, self.visits, self.coverage, week, self.taken, self.facts)


def parts(events):
    """The parts of each visit, by floor."""
    return Measured(*events).wait_parts.set_index("floor")


# Floor 7 is used from 0 s, locked at 15 s and clear at 27 s. At floor 8 somebody presses at 5 s
# and is refused, so at 20 s too, and is granted at 30 s: open at 37 s.
TWO = [*use(0), *press(5, "8", "busy"), *press(20, "8", "busy"), *use(30, "8")]


def test_a_wait_is_split_into_queue_clearing_retry_positioning_latch_and_reach():
    row = parts(TWO).loc["8"]
    assert row["wait_s"] == 32
    assert row[SECONDS].tolist() == [10, 12, 3, 4, 1, 2, 0]
    assert pd.isna(row["reason"])
    alone = parts(TWO).loc["7"]
    assert alone[SECONDS].tolist() == [0, 0, 0, 4, 1, 2, 0]


def test_a_diverter_in_its_place_takes_no_time():
    row = parts([*TWO, *without(use(100, "8", travel=0), "positioning")]).iloc[-1]
    assert row[SECONDS].tolist() == [0, 0, 0, 0, 1, 2, 0]


def test_material_that_falls_behind_an_accepted_press_is_clearing_too():
    again = [*press(30, "8"), (31, None, "clearing", "on"), (35, None, "clearing", "off")]
    opened = [(36, "8", "unlocked", "on"), (38, "8", "open", "on"), (40, "8", "open", "off")]
    row = parts([*use(0), *again, *opened, (41, "8", "unlocked", "off")]).loc["8"]
    assert row[SECONDS].tolist() == [0, 4, 0, 0, 2, 2, 0]


@pytest.mark.parametrize(
    ("missing", "nulls", "unsplit", "reason"),
    [
        ("clearing", ["clearing_s", "retry_s"], 15, "clearing not in the log"),
        ("positioning", ["positioning_s", "latch_s"], 5, "positioning not in the log"),
        ("unlocked", ["latch_s", "reach_s"], 3, "unlocking not in the log"),
    ],
)
def test_what_is_not_recorded_is_null_and_goes_into_no_other_part(missing, nulls, unsplit, reason):
    row = parts(without(TWO, missing)).loc["8"]
    assert row[SECONDS].index[row[SECONDS].isna()].tolist() == nulls
    assert row["unsplit_s"] == unsplit
    assert row[SECONDS].sum() == row["wait_s"] == 32
    assert row["reason"] == reason


def test_an_earlier_grant_that_came_to_nothing_is_not_somebody_elses_use():
    nobody = [*press(0, "7"), (1, "7", "unlocked", "on"), (31, "7", "unlocked", "off")]
    row = parts([*nobody, *use(40), *use(100, "8")]).loc["7"]
    assert row["wait_s"] == 47
    assert row["queue_s"] == 0
    assert row[SECONDS].tolist() == [0, 0, 40, 4, 1, 2, 0]


def test_times_that_nobody_can_trust_are_left_out():
    lost = [(*event[:4], {**(event[4] if len(event) > 4 else {}), "clock": "unanchored"})
            for event in use(-9e8)]  # fmt: skip
    assert len(parts([*lost, *use(0)])) == 1


gaps = st.lists(st.tuples(st.sampled_from("789"), st.integers(1, 60_000)), min_size=1, max_size=25)


@given(gaps, st.sampled_from([(), ("clearing",), ("positioning",), ("unlocked",)]))
@settings(max_examples=25, deadline=None)
def test_the_parts_add_up_to_the_wait_whatever_the_log(presses, missing):
    """A chute played press by press in milliseconds: refused while busy, granted when free."""
    events, now, free = [], 0, 0
    for floor, gap in presses:
        now += gap
        if now < free:
            events += press(now / 1000, floor, "busy")
            continue
        events += use(now / 1000, floor, travel=gap % 7, latch=0.3, reach=1.7, opened=5)
        free = now + gap % 7 * 1000 + 7_000 + 12_000
    table = Measured(*without(events, *missing)).wait_parts
    micros = (table[SECONDS].fillna(0) * 1e6).round().sum(axis=1)
    assert (micros == (table["wait_s"] * 1e6).round()).all()
    assert (table[SECONDS].fillna(0) >= 0).all(axis=None)


def test_the_split_of_a_chute_is_the_mean_of_its_visits():
    table = Measured(*TWO).wait_split.set_index("part")
    assert table.loc["queue", ["n", "mean_s", "share"]].tolist() == [2, 5.0, 10 / 39]
    assert table["share"].sum() == pytest.approx(1)


def test_who_gave_up_was_not_served_within_any_time():
    gone = press(500, "8", "busy")
    table = Measured(*TWO, *use(300), *gone, *use(700)).served_within.set_index("within_s")
    assert table["visits"].tolist() == [5, 5, 5]
    assert table["served"].tolist() == [3, 3, 4]
    assert table.loc[60, "share"] == 0.8
    # Source: statsmodels.
    expected = proportion_confint(4, 5, method="wilson")
    assert table.loc[60, ["low", "high"]].tolist() == pytest.approx(expected)


def test_waits_fall_into_the_local_hour_of_the_week():
    # START is Monday 2025-03-03 08:00 UTC, 09:00 in Berlin.
    table = Measured(*TWO, *use(7 * 86400)).week_waits.set_index("hour_of_week")
    row = table.loc[9]
    assert (row["visits"], row["served"], row["mean_s"], row["median_s"]) == (3, 3, 46 / 3, 7)
    assert row["within_30_s"] == pytest.approx(2 / 3)
    assert pd.isna(table.loc[10, "mean_s"])
    assert table.loc[10, "reason"] == "no log in this hour"


def test_an_hour_that_occurs_twice_counts_twice():
    # Source: tz database, Europe/Berlin: 2025-10-26 02:00 to 03:00 occurs twice.
    start = (pd.Timestamp("2025-10-25T22:30Z") - pd.Timestamp("2025-03-03T08:00Z")).total_seconds()
    events = [e for n in range(12) for e in use(start + 1800 * n)]
    table = Measured(*events).week_waits.set_index("hour_of_week")
    assert table.loc[6 * 24 + 2, ["exposure_h", "visits"]].tolist() == [2, 4]


def test_attempts_are_counted_as_visits_and_as_presses():
    # A use takes 27 s from press to landed. Of floor 8's visits one finds the chute busy.
    row = Measured(*TWO).queue.iloc[0]
    assert (row["visits"], row["turned_away"], row["busy_share"]) == (2, 1, 0.5)
    assert (row["presses"], row["presses_busy"]) == (4, 2)
    assert (row["uses"], row["service_s"]) == (2, 27)
    assert row["utilisation"] == pytest.approx(54 / 57)


def test_the_formula_stands_beside_what_was_seen():
    # Ten uses of 27 s in the hours up to the last one's end.
    events = [e for n in range(10) for e in use(n * 1000)] + press(9010, "8", "busy")
    row = Measured(*events).queue.iloc[0]
    load = 11 / (9027) * 27
    assert row["offered_load"] == pytest.approx(load)
    # Source: Erlang's formula with one server, A / (1 + A).
    assert row["erlang_b"] == pytest.approx(load / (1 + load))
    assert row["engset"] < row["erlang_b"]  # ten units are fewer people than endless ones
    assert row["difference"] == pytest.approx(row["busy_share"] - row["expected"])


def test_presses_refused_for_another_reason_never_reached_the_server():
    row = Measured(*TWO, *press(200, "8", "full"), *press(900, "7", "lockout")).queue.iloc[0]
    assert (row["visits"], row["presses"], row["presses_busy"]) == (2, 4, 2)


def test_who_presses_again_at_the_door_they_hold_open_is_no_new_attempt():
    again = press(9, "7", "busy")
    row = Measured(*use(0), *again, *TWO_LATER).queue.iloc[0]
    assert (row["visits"], row["turned_away"], row["presses_busy"]) == (3, 1, 3)


TWO_LATER = [(event[0] + 1000, *event[1:]) for event in TWO]


def test_refusals_without_a_reason_leave_the_queue_unknown():
    row = Measured(*use(0), (5, "8", "press", "mark"), (5, "8", "refusal", "mark")).queue.iloc[0]
    assert pd.isna(row["busy_share"])
    assert row["reason"] == "no refusal says that the chute was busy"
    assert row["utilisation"] > 0


DOORS_ONLY = [
    e for n in range(5) for e in ((n * 60, "7", "open", "on"), (n * 60 + 9, "7", "open", "off"))
]
ONE_PRESS = [*use(0), *press(100, "8")]
REFUSED = [event for day in range(7) for event in press(day * 86400, "7", "service")]
SERVICE = [(0, None, "service", "on"), *REFUSED, (7 * 86400, None, "service", "off")]
TEN_DAYS = [*use(0), *[e for n in range(40) for e in use(10 * 86400 + n * 600)]]


@pytest.mark.parametrize("sites", [SITES, {}], ids=["site file", "no site file"])
@pytest.mark.parametrize(
    "events", [DOORS_ONLY, ONE_PRESS, SERVICE, TEN_DAYS, press(0, "7")],
    ids=["doors only", "one press", "a week of service", "ten days of silence", "one line"],
)  # fmt: skip
def test_poor_logs_give_reasons_and_no_crash(events, sites):
    found = Measured(*events, sites=sites)
    for name in ("wait_parts", "wait_split", "served_within", "week_waits", "queue"):
        assert conform(getattr(found, name), name).schema.names == TABLES[name].names
    for name, column in (("served_within", "share"), ("queue", "busy_share"), ("wait_split", "n")):
        table = getattr(found, name)
        unknown = table[column].isna() if column != "n" else table[column].eq(0)
        assert table.loc[unknown, "reason"].notna().all(), name
    asked, locked = pressed(found.log), lockouts(found.log, found.pairs, found.facts)
    plays = replayed(asked, found.visits, found.taken, locked, found.facts, Change(8.0))
    table = what_if(plays)
    assert len(table) == 3
    assert table.loc[table["mean_s"].isna(), "reason"].notna().all()


def test_door_contacts_alone_say_what_is_missing():
    analysis = analyse(timeline(*in_order(DOORS_ONLY)), SITES)
    assert analysis.wait_parts.empty
    assert analysis.queue["reason"].tolist() == ["presses not in the log"]
    assert analysis.queue["visits"].isna().all()
    assert analysis.served_within["reason"].tolist() == ["presses not in the log"] * 3
    table = clearing_what_if(analysis, 8.0)
    assert "With another clearing time: not known" in waiting_text(analysis, table)
    assert waiting_dict(analysis, table)["queue"][0]["busy_share"] is None
