"""Which stream a label without a meaning stands for: by the days on which it is emptied.

The site file says when each stream is collected. A label whose container is emptied then, and at
no other times, is that stream. Where the rules do not tell, the labels are laid over the streams in
the order of the site file, and that is a question.
"""

import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import permutations
from zoneinfo import ZoneInfo

import numpy as np
from dateutil.rrule import rrulestr

from loganalyzer.drafting.guesses import Guess
from loganalyzer.drafting.roles import Roles
from loganalyzer.drafting.seen import Floats, Seen
from loganalyzer.site import Site

MOST = 6  # labels that are tried in every order
EARLY, LATE = timedelta(hours=2), timedelta(hours=6)  # of an emptying beside its pickup
DROP = 0.5  # of the reading before: less is an emptying
ENOUGH, AHEAD = 0.6, 0.25  # of a label's matches; of the best order before the next
EPOCH = datetime(1970, 1, 1)  # noqa: DTZ001 - written times have no zone


def named(roles: Roles, seen: Seen, guesses: Sequence[Guess], site: Site) -> Roles:
    """The roles with labels that say nothing laid over the site's streams."""
    labels = sorted(seen.streams, key=_natural)
    streams = [stream.id for stream in site.chutes[0].streams]
    if roles.streams or "stream" not in roles.questions or len(labels) != len(streams):
        return roles
    if len(labels) > MOST:
        return roles
    found = _by_pickups(labels, streams, roles, seen, guesses, site)
    if found:
        questions = {role: asked for role, asked in roles.questions.items() if role != "stream"}
        said = {**roles.said, "stream": "emptied on the days on which the site file says so"}
        return replace(roles, streams=found, said=said, questions=questions)
    mapped = dict(zip(labels, streams, strict=True))
    asked = (
        f"are the streams in the order of the site file "
        f"({', '.join(f'{label} = {stream}' for label, stream in mapped.items())})?"
    )
    said = {**roles.said, "stream": "as many labels as streams; in the site file's order, a guess"}
    return replace(roles, streams=mapped, said=said, questions={**roles.questions, "stream": asked})


def _natural(label: str) -> tuple[int, str]:
    digits = re.findall(r"\d+", label)
    return (int(digits[0][:9]) if digits else -1, label)


def _by_pickups(
    labels: Sequence[str], streams: Sequence[str], roles: Roles, seen: Seen,
    guesses: Sequence[Guess], site: Site,
) -> dict[str, str] | None:  # fmt: skip
    """Each label's stream by when it is emptied, if that tells all of them apart."""
    if roles.written.format == "uptime_s":
        return None
    emptied = [_emptied(seen.streams.index(label), seen, guesses) for label in labels]
    if not all(len(times) for times in emptied):
        return None
    begin, end = (_wall(float(edge), roles, site) for edge in
                  (np.nanmin(seen.time), np.nanmax(seen.time)))  # fmt: skip
    rules = {stream.id: stream.pickup for stream in site.chutes[0].streams}
    pickups = [_pickups(rules[stream], begin, end) for stream in streams]
    walls = [[_wall(float(time), roles, site) for time in times] for times in emptied]
    fits = np.array([[_fit(moments, due) for due in pickups] for moments in walls])
    places = range(len(labels))
    orders = sorted(permutations(places), key=lambda order: -sum(fits[n, order[n]] for n in places))
    best, other = (sum(fits[n, order[n]] for n in places) for order in orders[:2])
    if best - other < AHEAD or min(fits[n, orders[0][n]] for n in places) < ENOUGH:
        return None
    return {label: streams[orders[0][n]] for n, label in enumerate(labels)}


def _emptied(stream: int, seen: Seen, guesses: Sequence[Guess]) -> Floats:
    """When the container of a stream was emptied, by its readings or by what says so."""
    times: list[Floats] = []
    for kind, one in enumerate(guesses):
        rows = seen.rows[kind][seen.stream[seen.rows[kind]] == stream]
        if one.meaning == ("full", "off"):
            times.append(seen.time[rows])
        elif one.meaning == ("level", "mark") and len(rows) > 1:
            value = seen.value[rows]
            fell = (value[:-1] >= 10) & (value[1:] < DROP * value[:-1])
            times.append(seen.time[rows[1:]][fell])
    return np.concatenate(times) if times else np.empty(0)


def _wall(seconds: float, roles: Roles, site: Site) -> datetime:
    written = EPOCH + timedelta(seconds=seconds)
    if roles.written.zone == "site":
        return written
    return written.replace(tzinfo=UTC).astimezone(ZoneInfo(site.time_zone)).replace(tzinfo=None)


def _pickups(rule: str | None, begin: datetime, end: datetime) -> list[datetime]:
    if rule is None or end - begin > timedelta(days=3660):
        return []
    start = begin.replace(hour=0, minute=0, second=0, microsecond=0)
    return list(rrulestr(rule, dtstart=start, ignoretz=True).between(begin, end, inc=True))


def _fit(emptied: Sequence[datetime], due: Sequence[datetime]) -> float:
    """The share of emptyings and pickups that lie beside one another."""
    if not due or not emptied:
        return 0.0
    beside = sum(any(d - EARLY <= moment <= d + LATE for d in due) for moment in emptied)
    return beside / max(len(due), len(emptied))
