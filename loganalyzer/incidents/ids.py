"""The name of an incident: the same however and in whatever order the logs are read.

It is made of what the log says of its beginning and nothing else: site, chute, kind, what tells
two of that kind apart at one moment (`Kind.place`), and the controller's own wall clock then. So
neither its end, nor a clock that a later export puts right, nor another export that holds the
same lines changes it. Where its beginning is not in the log, the event that ends it stands for
it. Two that are alike in all of this (a clock that restarts twice at the same hour) are told
apart by their number.
"""

import hashlib

import pandas as pd

from loganalyzer.facts import CHUTE, TEXT_KEYS, plain
from loganalyzer.incidents.kinds import KINDS
from loganalyzer.spans import among, micros

DIGITS = 10


def ids(found: pd.DataFrame, timeline: pd.DataFrame) -> pd.Series:
    """Name incidents.

    Args:
        found: The rows of all rules with `kind`, in the order of their times.
        timeline: Reads `site`, `chute`, `time`, `device_time`.

    Returns:
        `kind-0123456789` for each row, all different.
    """
    names = [name for name in TEXT_KEYS if name not in CHUTE]
    keys = plain(found[[*CHUTE, "kind", *names]], *CHUTE, "kind", *names).fillna("")
    for kind in KINDS:
        beside = [name for name in names if name not in kind.place]
        keys.loc[keys["kind"].eq(kind.name), beside] = ""
    keys["moment"] = _written(found, timeline)
    again = keys.groupby(list(keys.columns)).cumcount()
    keys["again"] = again.astype("str").where(again > 0, "")
    texts = ["|".join(row) for row in keys.itertuples(index=False)]
    hashes = [hashlib.sha1(text.encode(), usedforsecurity=False).hexdigest() for text in texts]
    named = [f"{kind}-{h[:DIGITS]}" for kind, h in zip(keys["kind"], hashes, strict=True)]
    return pd.Series(named, index=found.index, dtype="str")


def _written(found: pd.DataFrame, timeline: pd.DataFrame) -> pd.Series:
    """What the controller's clock showed at the event that each is named after, as text."""
    moment = found["start"].where(found["start_known"].astype(bool), found["end"])
    moment = moment.fillna(found["start"])
    wanted = plain(found[CHUTE].assign(time=moment), *CHUTE)
    events = timeline[[*CHUTE, "time", "device_time"]][
        among(micros(timeline["time"]), micros(moment))
    ]
    shown = plain(events, *CHUTE).groupby([*CHUTE, "time"])["device_time"].min().reset_index()
    written = wanted.merge(shown, on=[*CHUTE, "time"], how="left")["device_time"]
    # A clock that counts from power-on shows no wall time.
    written = written.fillna(wanted["time"].dt.tz_localize(None).reset_index(drop=True))
    text: pd.Series = written.dt.strftime("%Y-%m-%dT%H:%M:%S.%f").set_axis(found.index)
    return text
