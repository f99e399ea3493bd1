"""Logs that hold next to nothing, or something odd: right answers or a reason, never a flag.

Warnings are errors here, so a division by nothing would show.
"""

import pandas as pd
import pytest

from loganalyzer.site import parse_site
from loganalyzer.tables import TABLES, conform
from loganalyzer.views import analyse, as_dict, summary
from loganalyzer.views.audit_report import audit_dict, audit_text
from loganalyzer.views.index_report import indices_dict, indices_text
from loganalyzer.views.wait_report import clearing_what_if, waiting_dict, waiting_text
from tests.build import timeline

BARE = """
[site]
id = "quay"
name = "Quay"
time_zone = "Europe/Lisbon"
[[chute]]
id = "A"
profile = "semicolon-text"
"""
WHOLE = (
    BARE
    + """
[[chute.stream]]
id = "refuse"
kind = "refuse"
[[chute.floor]]
label = "7"
units = 8
elevation_m = 20
[[chute.floor]]
label = "8"
units = 8
elevation_m = 23
[[chute.floor]]
label = "9"
units = 8
elevation_m = 26
"""
)
DAY = 86_400
LOOSE = {"clock": "unanchored"}
ODD = {
    "a-press": [(0, "7", "press", "mark")],
    "an-opening": [(0, "7", "open", "on")],
    "a-closing": [(0, "7", "open", "off")],
    "an-unlock": [(0, "7", "unlocked", "on")],
    "a-fault": [(0, "7", "fault", "on", {"code": "T30"})],
    "a-fault-mark": [(0, None, "fault", "mark")],
    "a-lockout": [(0, "7", "lockout", "on")],
    "a-lockout-end": [(0, "7", "lockout", "off")],
    "a-refusal": [(0, "7", "refusal", "mark")],
    "a-clearing": [(0, None, "clearing", "on"), (9, None, "clearing", "off")],
    "a-travel": [(0, None, "positioning", "on"), (9, None, "positioning", "off")],
    "full": [(0, None, "full", "on", {"stream": "refuse"})],
    "no-longer-full": [(0, None, "full", "off")],
    "a-level": [(0, None, "level", "mark", {"value": 50.0, "stream": "refuse"})],
    "a-note": [(0, None, "note", "mark")],
    "a-power-cut": [(0, None, "power", "off"), (50, None, "power", "on")],
    "a-week-of-service": [(0, None, "service", "on"), (7 * DAY, None, "service", "off")],
    "a-press-in-a-week-of-service": [
        (0, None, "service", "on"), (500, "7", "press", "mark"),
        (501, "7", "refusal", "mark", {"code": "service"}), (7 * DAY, None, "service", "off"),
    ],
    "nothing-that-has-a-time": [
        (0, "7", "press", "mark", LOOSE), (1, "7", "open", "on", LOOSE),
        (9, "7", "open", "off", LOOSE),
    ],
    "scanned-inputs": [
        (0, "7", "open", "on", {"clock": "sampled"}),
        (60, "7", "open", "off", {"clock": "sampled"}),
    ],
}  # fmt: skip


ALONE = ("a-press", "a-closing", "a-note", "nothing-that-has-a-time")


@pytest.mark.parametrize("name", ALONE)
def test_a_log_of_next_to_nothing_has_whole_reports_and_flags_nobody(name):
    whole_and_unflagged(analysed(ODD[name], BARE))


@pytest.mark.parametrize("site", [BARE, WHOLE], ids=["no floors told", "all told"])
def test_chutes_with_odd_logs_have_whole_reports_and_flag_nobody(site):
    """Each odd log is a chute of its own."""
    head, _, chute = site.partition("[[chute]]")
    chutes = ["[[chute]]" + chute.replace('"A"', f'"{name}"') for name in ODD]
    events = [as_chute(name, event) for name in ODD for event in ODD[name]]
    whole_and_unflagged(analysed(events, head + "".join(chutes)))


def as_chute(name, event):
    when, floor, signal, edge, *more = event
    return when, floor, signal, edge, {**(more[0] if more else {}), "chute": name}


def whole_and_unflagged(analysis):
    for text in reports(analysis):
        words = {*text.replace("(", " ").replace(",", " ").split()}
        assert not words & {"nan", "NaN", "None", "<NA>", "NaT", "inf"}
    for name in TABLES:
        if hasattr(analysis, name):
            conform(getattr(analysis, name), name)
    assert not analysis.floors["flagged"].any()


def test_a_gap_of_ten_days_is_no_time_of_the_log():
    events = [e for day in range(30) if not 10 <= day < 20 for e in day_of_uses(day, "7", "8")]
    analysis = analysed(events, WHOLE)
    gap = analysis.coverage[~analysis.coverage["covered"]]
    assert gap["reason"].tolist() == ["no lines"]
    assert gap["seconds"].sum() / DAY == pytest.approx(10, abs=1)
    covered = analysis.coverage.loc[analysis.coverage["covered"], "seconds"].sum()
    whole = analysis.indices.query("month == 'all' and cause == 'all'")
    assert whole["period_h"].item() == pytest.approx(covered / 3600)
    days = analysis.daily[analysis.daily["visits"].isna()]
    assert len(days["day"].unique()) >= 9
    assert days["reason"].notna().all()
    assert not analysis.floors["flagged"].any()


def test_a_floor_with_one_press_is_not_judged_and_says_why():
    events = [e for day in range(30) for e in day_of_uses(day, "7", "8")]
    events.append((30 * DAY, "9", "press", "mark"))
    lone = analysed(events, WHOLE).floors.set_index("floor").loc["9"]
    assert lone["presses"] == 1
    assert not lone["flagged"]
    assert isinstance(lone["reason"], str)


def test_stamps_of_whole_minutes_bring_no_violation():
    events = [e for day in range(10) for e in day_of_uses(day, "7", "8")]
    coarse = [(when // 60 * 60, *rest) for when, *rest in events]
    audit = analysed(coarse, WHOLE).audit
    assert audit["broken"].fillna(0).eq(0).all()
    assert audit.loc[audit["tested"].isna() | audit["tested"].eq(0), "reason"].notna().all()


def analysed(events, site):
    span = (pd.Timestamp("2025-03-03T08:00:00Z"), None)
    return analyse(timeline(*events), {"quay": parse_site(site, "site.toml")}, {}, {"quay": span})


def reports(analysis):
    waits = clearing_what_if(analysis, 8)

    as_dict(analysis, summary(analysis)), audit_dict(analysis), indices_dict(analysis)
    waiting_dict(analysis, waits)
    texts = (waiting_text(analysis, None), waiting_text(analysis, waits))
    return (*texts, indices_text(analysis), audit_text(analysis, {}))


def day_of_uses(day, *floors):
    """Each floor's door used every third hour, as it should be."""
    return [
        event
        for hour in range(0, 24, 3)
        for place, floor in enumerate(floors)
        for event in one_use(day * DAY + hour * 3600 + place * 600, floor)
    ]


def one_use(at, floor):
    return [
        (at, floor, "press", "mark", {"stream": "refuse"}),
        (at + 3, floor, "unlocked", "on"), (at + 5, floor, "open", "on"),
        (at + 15, floor, "open", "off"), (at + 16, floor, "unlocked", "off"),
        (at + 16, None, "clearing", "on"), (at + 26, None, "clearing", "off"),
    ]  # fmt: skip
