"""Events in plain words, minute by minute, for somebody who was not there."""

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import pandas as pd

from loganalyzer.facts import plain
from loganalyzer.language import Phrase, phrase
from loganalyzer.sentences import count, listed
from loganalyzer.views.finding import rows

# What each kind of incident is, in words that need no knowledge of the machine.
MEANS = {
    "stuck_door": "An intake door stood open for longer than the site allows. While a door is open "
    "no other door of the chute is served, and an intake door is a fire door.",
    "container_full": "The controller reported a container or compactor full. While it is full, "
    "presses for that material are turned away.",
    "abuse_lockout": "The controller ignored the buttons of one door for a while, because they "
    "were pressed more often than its limit.",
    "sorter_fault": "The sorter under the chute, which sends each material to its own container, "
    "reported a fault or took longer than its limit to get into place.",
    "latch_fault": "The controller reported a fault of the latch that keeps a door shut.",
    "interlock_breach": "The log shows something that the controller's safety rules forbid.",
    "contact_chatter": "The switch that tells whether a door is open went on and off faster than "
    "anybody can move a door.",
    "common_cause": "The same trouble occurred at several doors at once, which points to something "
    "that they share.",
    "compactor_jam": "The controller reported a fault of the compactor.",
    "power_loss": "The controller was without power. Without it no door can be opened, and nothing "
    "is logged.",
    "service": "Maintenance took the doors out of use.",
    "log_gap": "For this time there are no lines in the log, and nothing is known of it.",
    "other_fault": "The controller reported a fault that no other kind of incident takes.",
}
EVENTS = {
    ("press", "mark"): "a button is pressed{floor}{stream}",
    ("refusal", "mark"): "a press is not acted on{floor}{stream}{code}",
    ("positioning", "on"): "the diverter sets off{stream}",
    ("positioning", "off"): "the diverter is in place{stream}",
    ("unlocked", "on"): "the door can be opened{floor}",
    ("unlocked", "off"): "the door is locked again{floor}",
    ("open", "on"): "the door opens{floor}",
    ("open", "off"): "the door closes{floor}",
    ("clearing", "on"): "the wait for falling material begins",
    ("clearing", "off"): "the wait for falling material ends",
    ("lockout", "on"): "the controller begins to ignore the buttons{floor}",
    ("lockout", "off"): "the buttons are listened to again{floor}",
    ("full", "on"): "the container is reported full{stream}",
    ("full", "off"): "the container is no longer reported full{stream}",
    ("service", "on"): "maintenance takes the doors out of use",
    ("service", "off"): "maintenance gives the doors back",
    ("fault", "on"): "a fault is reported{floor}{code}",
    ("fault", "off"): "a fault is reported over{floor}{code}",
    ("fault", "mark"): "a fault is reported{floor}{code}",
    ("power", "on"): "the controller has power",
    ("power", "off"): "the controller loses power",
    ("compacting", "on"): "the compactor's ram sets off{stream}",
    ("compacting", "off"): "the compactor's ram is back{stream}",
    ("clock", "mark"): "the controller's clock is set{value}",
    ("level", "mark"): "the container's level is read{stream}{value}",
}  # fmt: skip
NOTHING = "something is noted, kept as evidence and not analysed"
A_MINUTE = 12  # events of a minute that are told one by one


def minutes(events: pd.DataFrame, first: int, last: int) -> tuple[list[Phrase], int]:
    """What happened, a sentence a minute.

    Args:
        events: Rows of `timeline` in their order, `local` (the site's wall clock) and `named`
            (whether the incident rests on it: it is never left out of a minute that is told).
        first: How many minutes to tell from the beginning.
        last: How many from the end.

    Returns:
        The sentences, and how many minutes with events were left out between.
    """
    groups = [part for _, part in events.groupby(events["local"].dt.floor("min"), sort=False)]
    left_out = max(0, len(groups) - first - last)
    shown = groups[:first] + groups[len(groups) - last :] if left_out else groups
    return [_minute(part) for part in shown], left_out


def event(row: Any) -> Phrase:
    """One event; what the line does not hold is not said."""
    said = {
        "floor": phrase(" at floor {floor}", floor=row.floor) if row.floor else phrase(""),
        "stream": phrase(" for {stream}", stream=row.stream) if row.stream else phrase(""),
        "code": phrase(" (code: {code})", code=row.code) if row.code else phrase(""),
        "value": phrase(": {value:g}", value=row.value) if pd.notna(row.value) else phrase(""),
    }
    template = EVENTS.get((row.signal, row.edge), NOTHING)
    return phrase(
        template, **{name: one for name, one in said.items() if f"{{{name}}}" in template}
    )


def _minute(part: pd.DataFrame) -> Phrase:
    text = plain(part, "floor", "stream", "code", "signal", "edge")
    text = text.astype(dict.fromkeys(("floor", "stream", "code"), object))
    text = text.where(text.notna(), None)
    told_here = text["named"] | (np.arange(len(text)) < A_MINUTE)
    said: list[str] = [
        phrase("{t:%H:%M:%S} {event}", t=row.local, event=event(row))
        for row in rows(text[told_here])
    ]
    more = len(part) - len(said)
    told, minute = _joined(said), part["local"].iloc[0]
    if not more:
        return phrase("{minute:%Y-%m-%d %H:%M}: {events}.", minute=minute, events=told)
    return phrase("{minute:%Y-%m-%d %H:%M}: {events}; and {n} more events in that minute.",
                  minute=minute, events=told, n=count(more))  # fmt: skip


def _joined(said: Sequence[str]) -> str:
    return listed(said) if len(said) < 2 else _semicolons(iter(said))


def _semicolons(said: Iterator[str]) -> str:
    told = next(said)
    for one in said:
        told = phrase("{one}; {two}", one=told, two=one)
    return told
