"""Doors left open, in sentences."""

from loganalyzer.views.about_openings import hours_of_long_openings, propped_doors
from loganalyzer.views.analysis import analyse
from tests.build import at, timeline

DAY = 86400


def opened(on, seconds, floor="7"):
    return [(on, floor, "open", "on"), (on + seconds, floor, "open", "off")]


def refused(when, floor, code="busy"):
    return [(when, floor, "press", "mark"), (when, floor, "refusal", "mark", {"code": code})]


def told(finder, *events):
    log = timeline(*sorted(events, key=lambda event: event[0]))
    return list(finder(analyse(log, {})))


def test_a_door_left_open_while_others_are_turned_away_is_told_with_its_lines():
    queue = [event for s in (10, 20, 30) for event in refused(s, "8")]
    (finding,) = told(propped_doors, *opened(0, 120), *queue, *opened(500, 10, "8"))
    assert finding.sentence == (
        "Floor 7 of chute A: left open past 45 s once while others were turned away, 3 presses "
        "refused at other doors; the longest 2 min."
    )
    assert (finding.who, finding.value, finding.n) == ("manager", 3, 1)
    assert finding.evidence[:2] == ("log:1", "log:8")


def test_two_presses_at_other_doors_are_no_queue_nor_are_presses_at_the_open_door():
    queue = [event for s in (10, 20) for event in refused(s, "8")]
    own = [event for s in (30, 40) for event in refused(s, "7")]
    assert not told(propped_doors, *opened(0, 120), *queue, *own)
    # A door that closes within the limit keeps nobody waiting for long.
    three = [event for s in (10, 20, 30) for event in refused(s, "8")]
    assert not told(propped_doors, *opened(0, 45), *three)


def test_the_hour_at_which_a_door_is_left_open_is_told_where_it_stands_out():
    # Ten uses an hour from 8 to 20 on ten days, UTC; long ones from 18 to 19 only.
    uses = [
        event
        for day in range(10)
        for hour in range(12)
        for use in range(10)
        for event in opened(
            day * DAY + hour * 3600 + use * 300, 60 if hour == 10 and use < 2 else 8
        )
    ]
    (finding,) = told(hours_of_long_openings, *uses)
    assert finding.sentence.startswith(
        "Floor 7 of chute A: open too long most often between 18:00 and 19:00, 20 of 100 openings, "
        "20.0 per 100 (13.3 to 28.9)"
    )
    assert finding.sentence.endswith("at other hours 0.")
    assert finding.n == 100
    assert at(10 * 3600).hour == 18


def test_an_even_spread_over_the_day_is_no_finding():
    uses = [
        event
        for day in range(4)
        for hour in range(12)
        for use in range(10)
        for event in opened(day * DAY + hour * 3600 + use * 300, 60 if use == 0 else 8)
    ]
    assert not told(hours_of_long_openings, *uses)
    assert not told(hours_of_long_openings, *opened(0, 90))
