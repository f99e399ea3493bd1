"""The lines of an invented controller, still as fields, each with what it truly says."""

import random
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

import pandas as pd

from tests.tools.dialects import held_wordings
from tests.tools.dialects.wordings import CODES, KINDS, STREAMS, WORDINGS
from tests.tools.simulator.truth import Truth

Event = tuple[str, str, str | None, str | None]  # signal, edge, floor, stream
REASONS = ("busy", "full", "service", "lockout", "fault")


@dataclass(frozen=True)
class Line:
    """One line: its fields as written, and its truth.

    Attributes:
        at: Wall clock (or UTC) that is written, without a zone.
        utc: The instant that the controller's clock believes.
        says: Null where a line is no event.
    """

    number: int
    at: datetime
    utc: datetime
    text: str
    kind: str
    floor: str
    stream: str
    code: str
    value: float | None
    says: Event | None


@dataclass(frozen=True)
class Manner:
    """How a controller words what it logs.

    Attributes:
        words: A key of WORDINGS, or "codes", "pairs" (number and state), "hex",
            "numbers".
        streams, codes: Keys of STREAMS and CODES.
        floors: A floor's label as written.
        without: Kinds it does not log.
        utc: Whether it writes UTC.
        seed: Of meaningless codes.
    """

    words: str
    streams: str
    codes: str
    floors: Callable[[str], str]
    without: tuple[str, ...] = ()
    utc: bool = False
    seed: int = 1


def lines(truth: Truth, manner: Manner) -> list[Line]:
    """All lines of the truth's only chute, in order of time."""
    zone = ZoneInfo(truth.plan.time_zone)
    alive = truth.alive.assign(signal="alive", edge="mark")
    rows = pd.concat([truth.events.astype({"signal": str, "edge": str}), alive], ignore_index=True)
    rows = rows.sort_values("time", kind="stable")
    texts = dict(zip(KINDS, _texts(manner), strict=True))
    streams = dict(
        zip(("refuse", "recycling", "organics"), STREAMS[manner.streams].split("|"), strict=True)
    )
    codes = dict(zip(REASONS, CODES[manner.codes].split("|"), strict=True))
    out: list[Line] = []
    for signal, edge, floor, stream, code, value, shown in zip(
        rows["signal"], rows["edge"], rows["floor"], rows["stream"], rows["code"], rows["value"],
        rows["shown"].dt.to_pydatetime(), strict=True,
    ):  # fmt: skip
        kind = f"{signal} {edge}"
        if kind in manner.without:
            continue
        floor, stream, code = (None if pd.isna(one) else one for one in (floor, stream, code))
        at = shown if manner.utc else shown.astimezone(zone)
        out.append(Line(
            len(out) + 1, at.replace(tzinfo=None), shown, texts[kind], kind,
            manner.floors(floor) if floor is not None else "",
            streams[stream] if stream is not None else "",
            "" if code is None else codes.get(code) or _fault(code, manner.seed),
            None if pd.isna(value) else float(value),
            None if signal == "alive" else (signal, edge, floor, stream),
        ))  # fmt: skip
    return out


def _texts(manner: Manner) -> list[str]:
    draw = random.Random(manner.seed)
    if manner.words == "codes":
        return [f"E{number:03}" for number in draw.sample(range(1, 400), len(KINDS))]
    if manner.words == "hex":
        return [f"{number:04X}" for number in draw.sample(range(0x1000, 0xFFFF), len(KINDS))]
    if manner.words == "numbers":
        return [str(number) for number in draw.sample(range(100, 1000), len(KINDS))]
    if manner.words == "pairs":
        signals = list(dict.fromkeys(kind.split()[0] for kind in KINDS))
        number = dict(zip(signals, draw.sample(range(10, 99), len(signals)), strict=True))
        state = {"on": "1", "off": "0", "mark": "2"}
        return [f"{number[kind.split()[0]]} {state[kind.split()[1]]}" for kind in KINDS]
    every = WORDINGS | held_wordings.WORDINGS | held_wordings.SENTENCES
    return list(every[manner.words])


def _fault(code: str, seed: int) -> str:
    """A meaningless number for each fault, the same in one dialect."""
    return f"F{sum(map(ord, code)) * 7 * seed % 90 + 10}"
