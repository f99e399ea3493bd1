"""Small logs of a chute's uses and containers, for tests of sorting, containers and pickups."""

from typing import Any

import pandas as pd

from loganalyzer.cycles import cycles
from loganalyzer.facts import facts
from loganalyzer.intervals import pair
from loganalyzer.localtime import exposure
from loganalyzer.measures.coverage import coverage
from loganalyzer.site import parse_site
from loganalyzer.views.sorting import Sorting
from loganalyzer.visits import visits
from tests.build import timeline

HOUR, DAY = 3600, 86400
Event = tuple[Any, ...]


def use(when: float, floor: str = "7", stream: str = "recycling") -> list[Event]:
    """The events of one use: press, unlock, door opened and closed, cleared."""
    return [
        (when, floor, "press", "mark", {"stream": stream}), (when + 2, floor, "unlocked", "on"),
        (when + 4, floor, "open", "on"), (when + 9, floor, "open", "off"),
        (when + 9.5, floor, "unlocked", "off"), (when + 10, None, "clearing", "on"),
        (when + 20, None, "clearing", "off"),
    ]  # fmt: skip


def uses(start: float, number: int, floor: str = "7", stream: str = "recycling") -> list[Event]:
    """So many uses, two minutes apart."""
    return [event for n in range(number) for event in use(start + 120 * n, floor, stream)]


def full(when: float, until: float | None, stream: str | None = "recycling") -> list[Event]:
    """A container told full, and clear again (null: never)."""
    on = (when, None, "full", "on", {"stream": stream})
    return [on] if until is None else [on, (until, None, "full", "off", {"stream": stream})]


def level(when: float, percent: float, stream: str = "recycling") -> list[Event]:
    """One reading."""
    return [(when, None, "level", "mark", {"stream": stream, "value": percent})]


def alive(days: float, every: float = 6 * HOUR) -> list[Event]:
    """Notes that keep the log covered."""
    return [(n * every, None, "note", "mark") for n in range(int(days * DAY / every) + 1)]


def site_text(*streams: str, more: str = "") -> str:
    """A site file in UTC with one chute A, floors 1, 7 and 8, and these [[chute.stream]] bodies."""
    bodies = "".join(f"[[chute.stream]]\n{body}\n" for body in streams)
    floors = "".join(f'[[chute.floor]]\nlabel = "{f}"\nunits = 8\n' for f in ("1", "7", "8"))
    return (
        '[site]\nid = "quay"\nname = "Quay"\ntime_zone = "UTC"\n'
        f'[[chute]]\nid = "A"\nprofile = "json-events"\n{bodies}{floors}{more}'
    )


RECYCLING = 'id = "recycling"\nkind = "recycling"\ncontainer_l = 1100\n'
REFUSE = 'id = "refuse"\nkind = "refuse"\ncontainer_l = 2200\n'


def sorting(events: list[Event], text: str | None = None, **more: Any) -> Sorting:
    """Everything of a log, in order of time, under a site file."""
    site = parse_site(text or site_text(RECYCLING, REFUSE), "quay.toml")
    sites = {site.id: site}
    log = timeline(*sorted(events, key=lambda event: event[0]))
    intervals = pair(log)
    cycle = cycles(log, intervals, sites)
    covered = coverage(log)
    return Sorting(
        log, intervals, cycle, visits(log, cycle, intervals, sites), covered,
        exposure(covered, sites), facts(log, sites), sites, **more,
    )  # fmt: skip


def rows(table: pd.DataFrame, **wanted: Any) -> list[dict[str, Any]]:
    """The rows of a table with these values, null as None."""
    for column, value in wanted.items():
        table = table[table[column].eq(value)]
    return [
        {name: None if pd.api.types.is_scalar(v) and pd.isna(v) else v for name, v in row.items()}
        for row in table.to_dict("records")
    ]
