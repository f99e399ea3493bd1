"""The rows behind a number are as many as the number says."""

import pytest

from loganalyzer.site import parse_site
from loganalyzer.views import Analysis, analyse, floors_ranked, headline
from loganalyzer.views.behind import KINDS, Wanted, behind
from tests.build import timeline
from tests.test_strip import SITE, site

DAY = 86_400


@pytest.fixture(scope="module")
def log() -> Analysis:
    """Two days of uses at two doors, a refusal, and a lockout."""
    events = []
    for day in (0, 1):
        for number, floor in enumerate(("1", "10")):
            start = day * DAY + 1000 * number
            events += [
                (start, floor, "press", "mark", {"stream": "refuse"}),
                (start + 4, floor, "unlocked", "on"),
                (start + 6, floor, "open", "on"),
                (start + 12, floor, "open", "off"),
                (start + 13, floor, "unlocked", "off"),
            ]
    for number in range(6):
        events.append((2 * DAY + 5 * number, "1", "press", "mark"))
        events.append((2 * DAY + 5 * number, "1", "refusal", "mark", {"code": "busy"}))
    events += [(2 * DAY + 26, "1", "lockout", "on"), (2 * DAY + 120, "1", "lockout", "off")]
    return analyse(timeline(*events), {"quay": site()})


@pytest.mark.parametrize(
    ("what", "number"),
    [("visits", "visits"), ("cycles", "cycles"), ("refusals", "refusals"),
     ("lockouts", "lockouts"), ("episodes", "lockout_episodes")],
)  # fmt: skip
def test_a_list_is_as_long_as_the_number_in_the_headline(log: Analysis, what: str, number: str):
    assert len(behind(log, what, Wanted())) == headline(log)[number].iloc[0] > 0


@pytest.mark.parametrize("column", ["presses", "visits", "cycles", "lockouts"])
def test_a_floors_list_is_as_long_as_the_number_of_the_floor(log: Analysis, column: str):
    for row in floors_ranked(log).to_dict("records"):
        found = behind(log, column, Wanted(floors=frozenset({row["floor"]})))
        assert len(found) == row[column]


def test_how_a_visit_ended_the_day_and_the_hour_narrow_the_list(log: Analysis):
    served = behind(log, "visits", Wanted(result="served"))
    assert len(served) == headline(log)["served"].iloc[0]
    assert len(behind(log, "visits", Wanted(day="2025-03-04"))) == 2
    assert len(behind(log, "visits", Wanted(hour=8))) == 2  # Monday, 8 in Lisbon as in UTC
    assert behind(log, "visits", Wanted(hour=7)).empty
    assert len(behind(log, "refusals", Wanted(result="busy"))) == 6
    assert behind(log, "refusals", Wanted(result="full")).empty


@pytest.mark.parametrize("what", KINDS)
def test_every_row_leads_to_a_line_of_the_log(log: Analysis, what: str):
    found = behind(log, what, Wanted())
    lines = set(map(tuple, log.timeline[["source", "line"]].astype(str).to_numpy()))
    assert set(map(tuple, found[["source", "line"]].astype(str).to_numpy())) <= lines
    assert found["time"].is_monotonic_increasing
    assert found["local"].notna().all()


def test_floors_of_few_units_are_left_out():
    text = SITE.replace('label = "1"\n', 'label = "1"\nunits = 1\n')
    rows = [(0, "1", "press", "mark"), (60, "10", "press", "mark")]
    found = behind(analyse(timeline(*rows), {"quay": parse_site(text, "q")}), "presses", Wanted())
    assert list(found["floor"]) == ["10"]
