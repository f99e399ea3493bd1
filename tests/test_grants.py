from loganalyzer.grants import Paired, find
from loganalyzer.intervals import pair
from loganalyzer.keys import Log
from tests.build import timeline

REFUSE, DRY = {"stream": "refuse"}, {"stream": "recycling"}


def test_containers_that_are_full_at_one_time_each_end_with_their_own_off():
    events = timeline(
        (None, "full", "on", REFUSE),
        (None, "full", "on", DRY),
        (None, "full", "off", DRY),
        (None, "full", "off", REFUSE),
    )
    log = Log.of(events)
    found = find(log, Paired.of(log, pair(events)), "full")
    assert list(zip(found.own.tolist(), found.end.tolist(), strict=True)) == [(0, 3), (1, 2)]


def test_an_off_without_its_on_is_the_one_of_its_stream():
    events = timeline(
        (None, "full", "on", REFUSE), (None, "full", "off", DRY), (None, "full", "off", REFUSE)
    )
    log = Log.of(events)
    found = find(log, Paired.of(log, pair(events)), "full").by_row()
    rows = zip(found.own.tolist(), found.end.tolist(), found.known.tolist(), strict=True)
    assert list(rows) == [(0, 2, True), (1, 1, False)]
