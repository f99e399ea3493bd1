"""A strip as the browser draws it: rows, marks, incidents and ticks as plain numbers."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from dashboards.pages.strip.axis import micros, ticks
from dashboards.pages.view import View, duration, kind, word
from loganalyzer.language import phrase, say
from loganalyzer.sentences import capital
from loganalyzer.tables import AUDIENCES
from loganalyzer.views.strip import stretch

PIXELS = 640  # a mark is at least so fine: a pixel or two of a wide screen
MARGIN = 0.5  # of a stretch, sent before and after it, so that it can be moved at once
# Where in a door's row each signal has its lane, and how high it is; shapes tell them apart.
TRACKS = {
    "press": (2, 7), "refusal": (10, 6), "open": (17, 10), "unlocked": (28, 3),
    "lockout": (32, 5), "fault": (32, 5),
}  # fmt: skip
DOOR_PX, PART_PX, INCIDENT_PX = 40, 20, 22
WORDS = {
    "press": "presses", "refusal": "refused presses", "open": "open", "unlocked": "unlocked",
    "lockout": "locked out", "fault": "faults", "positioning": "sorter moves",
    "clearing": "clearing", "full": "full", "compacting": "compacting", "service": "service",
    "power": "power lost", "clock": "clock set",
}  # fmt: skip
WHO = {"manager": "Manager", "technician": "Technician", "coordinator": "Coordinator"}
TROUBLE = ("refusal", "lockout", "fault", "full", "power")
WHOLE, OPEN_END = 8, 16  # bits beside the level: a single span; one whose end was not seen


@dataclass(frozen=True)
class Panel:
    """One stretch to draw: where it begins, how wide it is (microseconds), and how it is called.

    `parameter` is the field of the address that holds its beginning, `title` says it in words.
    """

    begin: int
    wide: int
    parameter: str
    title: str = ""


def rows(view: View) -> list[dict[str, Any]]:
    """The rows of a strip from the top: incidents, doors, the chute's own parts."""
    found: list[dict[str, Any]] = [
        {"name": say(WHO[who], view.language), "high": INCIDENT_PX, "who": who, "lanes": []}
        for who in AUDIENCES
    ]
    names = view.worked.lanes.names
    floors, several = view.choice.floors(), names["chute"].nunique() > 1
    if floors:
        names = names[names["floor"].isin([*floors, ""])]
    for (chute, floor), part in names.groupby(["chute", "floor"], sort=False):
        beyond = f", {chute}" if several else ""
        if floor:
            lanes = [_lane(view, row, *TRACKS[row["signal"]]) for row in part.to_dict("records")]
            name = say(phrase("Floor {floor}", floor=floor), view.language) + beyond
            found.append({"name": name, "high": DOOR_PX, "lanes": lanes})
            continue
        for row in part.to_dict("records"):
            said = say(capital(WORDS.get(row["signal"], row["signal"])), view.language)
            said = f"{said}, {row['stream']}" if row["stream"] else said
            lanes = [_lane(view, row, 3, 13)]
            found.append({"name": said + beyond, "high": PART_PX, "lanes": lanes})
    return found


def _lane(view: View, row: Mapping[Any, Any], top: int, high: int) -> dict[str, Any]:
    signal = str(row["signal"])
    return {
        "lane": int(row["lane"]), "signal": signal, "top": top, "high": high,
        "said": say(WORDS.get(signal, signal), view.language), "trouble": signal in TROUBLE,
    }  # fmt: skip


def panel(view: View, one: Panel) -> dict[str, Any]:
    """One stretch: times are milliseconds from the first that is sent, `lo`."""
    low, high = one.begin - int(MARGIN * one.wide), one.begin + int((1 + MARGIN) * one.wide)
    cut = stretch(
        view.analysis, view.worked.lanes, low, high, int(PIXELS * (1 + 2 * MARGIN)),
        view.choice.floors(),
    )  # fmt: skip
    marks, gaps = cut.marks, cut.gaps[["begin", "until"]].drop_duplicates()
    start = (marks["start"].to_numpy() - low) // 1000
    end = -((low - marks["end"].to_numpy()) // 1000)
    single, whole = marks["single"].to_numpy(), marks["whole"].to_numpy()
    code = marks["level"].to_numpy() + WHOLE * single + OPEN_END * ~whole
    flat = np.stack([start, end, marks["n"].to_numpy(), code], axis=1).astype(np.int64)
    lane, first = np.unique(marks["lane"].to_numpy(), return_index=True)
    parts = np.split(flat, first[1:]) if len(lane) else []
    return {
        "lo": low / 1000, "begin": one.begin / 1000, "wide": one.wide / 1000,
        "parameter": one.parameter, "title": one.title,
        "marks": {str(n): part.ravel().tolist() for n, part in zip(lane, parts, strict=True)},
        "incidents": [_incident(view, row, low) for row in cut.incidents.to_dict("records")],
        "gaps": ((gaps - low) // 1000).to_numpy().tolist(),
        "ticks": [[(at - low) / 1000, said]
                  for at, said in ticks(low, high, one.wide, view.zone, view.language)],
    }  # fmt: skip


def _incident(view: View, row: Mapping[Any, Any], low: int) -> list[Any]:
    where = [phrase("chute {chute}", chute=row["chute"])]
    if word(row["floor"]):
        where.append(phrase("floor {floor}", floor=row["floor"]))
    labels = [word(row[name]) for name in ("stream", "code") if word(row[name])]
    placed = ", ".join([*(say(one, view.language) for one in where), *labels])
    said = phrase("{kind:C}: {where}, {lasted}", kind=kind(row["kind"]), where=placed,
                  lasted=duration((row["until"] - row["begin"]) / 1e6))  # fmt: skip
    return [
        (row["begin"] - low) // 1000, (row["until"] - low) // 1000, str(row["incident"]),
        say(said, view.language), str(row["for"]),
    ]  # fmt: skip


def microseconds(text: str | None) -> int | None:
    """A time of the address; None where it is none."""
    try:
        at = pd.Timestamp(text) if text else pd.NaT
    except ValueError:
        return None
    if pd.isna(at):
        return None
    at = at.tz_localize("UTC") if at.tzinfo is None else at.tz_convert("UTC")
    return micros(at)


def written(us: int) -> str:
    """The same the other way: UTC to the millisecond, whole seconds without a fraction."""
    at = pd.Timestamp(us // 1000 * 1000, unit="us", tz="UTC")
    return (
        at.strftime("%Y-%m-%dT%H:%M:%S" + (f".{us // 1000 % 1000:03}" if us % 10**6 else "")) + "Z"
    )
