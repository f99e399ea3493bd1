"""What a fault's code is about: by words beside it, else by when it comes.

Words are those of the code itself, of the text it stands in and of the other columns of its lines.
Behaviour: whether it names a door, a stream or neither, and what is under way when it comes, which
alone never settles it: it is a question then.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from loganalyzer.drafting.guesses import SURE, Guess
from loganalyzer.drafting.layouts import Found
from loganalyzer.drafting.roles import Roles
from loganalyzer.drafting.seen import Ints, Seen
from loganalyzer.drafting.vocabulary import COMPONENTS, stems, words_of

LIKELY = 0.5  # of a code's lines at which something is under way, to count
LIFT = 3.0  # times as often as by chance
NEAR_S = 5.0  # how long after its end something still counts as under way
BY_WORDS, BY_MANY = 0.9, 0.7  # how sure words make it; words of two components
DOORS = 3  # doors from which on a code that names doors is none of one door's hardware
# Under way → what a fault that comes meanwhile is about; the last two where it names a door.
MEANWHILE = (
    ("positioning", "sorter"), ("compacting", "compactor"), ("open", "door"), ("unlocked", "latch"),
)  # fmt: skip


@dataclass(frozen=True)
class CodeGuess:
    """What the code of a fault is taken to be about.

    Attributes:
        code: As written; lines: how many tell it.
        component: One of the contract's components, null where nothing speaks for any.
        certainty: From 0 to 1, our own measure.
        evidence: Why.
        text: Words beside it, empty if there are none.
    """

    code: str
    lines: int
    component: str | None
    certainty: float
    evidence: str
    text: str = ""

    @property
    def sure(self) -> bool:
        """Whether it needs no answer from a person."""
        return self.component is not None and self.certainty >= SURE


def find(found: Found, roles: Roles, seen: Seen, guesses: Sequence[Guess]) -> list[CodeGuess]:
    """What the codes of faults are about, frequent ones first."""
    kinds = [n for n, one in enumerate(guesses) if one.meaning and one.meaning[0] == "fault"]
    rows = np.sort(np.concatenate([seen.rows[n] for n in kinds])) if kinds else np.empty(0, int)
    rows = rows[seen.code[rows] >= 0]
    begins = {n for n in kinds if (guesses[n].meaning or ("", ""))[1] != "off"}
    running = {signal: _running(seen, guesses, signal) for signal, _ in MEANWHILE}
    out = []
    for place, times in Counter(seen.code[rows].tolist()).most_common(60):
        mine = rows[seen.code[rows] == place]
        starts = mine[np.isin(seen.kind[mine], list(begins))]
        code = seen.codes[place]
        beside = _beside(mine, found, roles, seen, guesses)
        worded = _by_words(code, times, beside)
        out.append(worded or _by_behaviour(code, times, starts, seen, running))
    return out


def _beside(
    rows: Ints, found: Found, roles: Roles, seen: Seen, guesses: Sequence[Guess]
) -> tuple[str, ...]:
    """The words of the texts that a code stands in, and what else its lines say."""
    kinds = {guesses[n].kind.words.strip() for n in set(seen.kind[rows].tolist())}
    used = {*roles.time, *roles.event, roles.floor, roles.stream, roles.code, roles.value,
            roles.chute, roles.order}  # fmt: skip
    said = []
    for name, cells in found.columns.items():
        if name not in used:
            texts = Counter(cells[at] for at in seen.at[rows].tolist() if cells[at])
            said += [text for text, times in texts.most_common(1) if times > 0.5 * len(rows)]
    return (*sorted(kinds), *said)


def _by_words(code: str, times: int, beside: Sequence[str]) -> CodeGuess | None:
    """What the words speak of; those of the code itself first."""
    for text in (code, " ".join(beside)):
        spoken = [part for part, words in COMPONENTS.items() if stems(words).search(words_of(text))]
        if spoken:
            best, *others = spoken  # the list has the particular before the general
            more = f", and of {', '.join(others)}" if others else ""
            said = f'words ("{text.strip()[:60]}" speaks of {best}{more})'
            certainty = BY_MANY if others else BY_WORDS
            return CodeGuess(code, times, best, certainty, said, text.strip()[:60])
    return None


def _by_behaviour(
    code: str, times: int, starts: Ints, seen: Seen, running: Mapping[str, np.ndarray]
) -> CodeGuess:
    """What is under way when it comes, and what it names."""
    if not len(starts):
        return CodeGuess(code, times, None, 0.0, "only ever ends; nothing speaks for any component")
    doors = len(set(seen.floor[starts].tolist()) - {-1})
    named = float(np.mean(seen.floor[starts] >= 0))
    streamed = float(np.mean(seen.stream[starts] >= 0))
    where = (
        f"names {doors} {'door' if doors == 1 else 'doors'}" if named > LIKELY
        else "names a stream" if streamed > LIKELY else "names no door and no stream"
    )  # fmt: skip
    for signal, component in MEANWHILE:
        at_door = signal in ("open", "unlocked")
        if at_door != (named > LIKELY):
            continue
        during = running[signal]
        share = float(np.mean(during[starts])) if len(during) else 0.0
        by_chance = _time_share(seen, during)
        if share > LIKELY and share > LIFT * by_chance:
            said = f"{100 * share:.0f} % of it while {signal} (by chance {100 * by_chance:.0f} %)"
            return CodeGuess(code, times, component, 0.6, f"{where}; {said}")
    if named > LIKELY:
        part = "latch" if doors < DOORS else "control"
        return CodeGuess(code, times, part, 0.4, where)
    if streamed > LIKELY:
        return CodeGuess(code, times, "container", 0.4, where)
    return CodeGuess(code, times, "other", 0.3, f"{where}; nothing speaks for any component")


def _running(seen: Seen, guesses: Sequence[Guess], signal: str) -> np.ndarray:
    """At each record, whether a condition of the chute is under way or has just ended."""
    edges = np.zeros(len(seen.time), np.int64)
    for n, one in enumerate(guesses):
        if one.meaning in ((signal, "on"), (signal, "off")):
            edges[seen.rows[n]] = 1 if one.meaning == (signal, "on") else -1
    rows = np.flatnonzero(edges)
    if not len(rows):
        return np.zeros(0, np.bool_)
    last = np.searchsorted(rows, np.arange(len(edges)), "right") - 1
    before = np.where(last >= 0, edges[rows[np.maximum(last, 0)]], 0)
    since = seen.time - seen.time[rows[np.maximum(last, 0)]]
    return np.asarray((before == 1) | ((before == -1) & (since <= NEAR_S)), np.bool_)


def _time_share(seen: Seen, during: np.ndarray) -> float:
    """The share of the time, between records, in which it is under way."""
    if len(during) < 2:
        return 0.0
    steps = np.maximum(np.diff(seen.time), 0)
    return float((steps * during[:-1]).sum() / max(steps.sum(), 1.0))
