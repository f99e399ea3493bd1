"""Words and behaviour together: what each kind means, how sure that is, and why."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from loganalyzer.drafting import course, rare
from loganalyzer.drafting.seen import Seen
from loganalyzer.drafting.shapes import Kind
from loganalyzer.drafting.vocabulary import concepts
from loganalyzer.drafting.wording import MEANINGS, Meaning, points
from loganalyzer.tables import NEEDS_FLOOR

# Below it a guess is a question; below the second it is left to a person altogether.
SURE = 0.75
LIKELY = 0.4
AGAINST = 2.0  # points by which behaviour speaks for another meaning: then it is a question
SILENT = -2.5  # points of a meaning that nothing speaks for


@dataclass(frozen=True)
class Guess:
    """What a kind of text is taken to mean.

    Attributes:
        kind: Its texts.
        meaning: Signal and edge; null if nothing speaks for any.
        certainty: From 0 to 1: the weight of this meaning among all, our own measure.
        other: The next best meaning, null if there is none.
        evidence: Why.
        doorless: Whether it would need a door, and nothing tells which.
    """

    kind: Kind
    meaning: Meaning | None
    certainty: float
    other: Meaning | None
    evidence: str
    doorless: bool = False

    @property
    def sure(self) -> bool:
        """Whether it needs no answer from a person."""
        return self.meaning is not None and self.certainty >= SURE and not self.doorless

    @property
    def likely(self) -> bool:
        """Whether the draft may use it, sure or not."""
        return self.meaning is not None and self.certainty >= LIKELY and not self.doorless


def guess(kinds: Sequence[Kind], seen: Seen, door_column: bool) -> list[Guess]:
    """The meaning of every kind; `door_column`: a column tells the door of each record."""
    behaved = course.weigh(seen)
    worded = [points(kind.words) for kind in kinds]
    press = _press(behaved, worded)
    rest = [kind for kind in range(seen.count) if kind not in behaved]
    rarely, said = rare.weigh(seen, rest, press)
    # What every use shows is told by frequent kinds, so that a rare one hardly means it.
    taken = frozenset(m for m in course.COURSES[0]) if behaved else frozenset()
    guesses = []
    for number, kind in enumerate(kinds):
        acts = behaved.get(number, rarely.get(number, {}))
        if "(?P<now>" in (kind.pattern or ""):
            acts = acts | {course.CLOCK: 5.0}
            said[number] = "tells the date and the time, which the stamps do not"
        frequent = number in behaved
        guesses.append(_weighed(kind, worded[number], acts, frequent, said.get(number, ""), taken))
    guesses = _agreeing(guesses, seen)
    return guesses if door_column else [_without_door(one) for one in guesses]


def _agreeing(guesses: Sequence[Guess], seen: Seen) -> list[Guess]:
    """Guesses that contradict one another are questions.

    Two kinds that take turns bound a condition: if both are taken to begin it, or both to end it,
    one of them is not what its words seem to say, and how long each lasts tells which.
    """
    out = list(guesses)
    for n, one in enumerate(guesses):
        for m, other in enumerate(guesses):
            if n == m or one.meaning is None or one.meaning[1] not in ("on", "off"):
                continue
            if other.meaning == one.meaning and not _ended(one.meaning, guesses):
                edge = rare.edge_of(seen, n, m)
                if edge is not None:
                    meaning = (one.meaning[0], edge)
                    said = f'{one.evidence}; takes turns with "{next(iter(other.kind.texts))}"'
                    out[n] = replace(
                        one, meaning=meaning, certainty=min(one.certainty, SURE - 0.05),
                        other=one.meaning if edge != one.meaning[1] else one.other, evidence=said,
                    )  # fmt: skip
    return out


def _ended(meaning: Meaning, guesses: Sequence[Guess]) -> bool:
    """Whether some kind is the other edge of a condition."""
    other = (meaning[0], "off" if meaning[1] == "on" else "on")
    return any(one.meaning == other for one in guesses)


def _without_door(one: Guess) -> Guess:
    """Marked, if it belongs to a door that its text does not name."""
    needs = one.meaning is not None and one.meaning[0] in NEEDS_FLOOR
    return replace(one, doorless=True) if needs and "floor" not in one.kind.slots else one


def _press(
    behaved: dict[int, dict[Meaning, float]], worded: Sequence[dict[Meaning, float]]
) -> int | None:
    """The kind that is most likely the press."""
    scored = {
        kind: mine.get(course.PRESS, -9.0) + worded[kind].get(course.PRESS, 0.0)
        for kind, mine in behaved.items()
    }
    best = max(scored, key=lambda kind: scored[kind], default=None)
    return best if best is not None and scored[best] > -1 else None


def _weighed(
    kind: Kind,
    words: dict[Meaning, float],
    acts: dict[Meaning, float],
    frequent: bool,
    did: str,
    taken_by_course: frozenset[Meaning],
) -> Guess:
    floor = min(-6.0, *acts.values()) - 2 if frequent else SILENT
    total = {}
    for meaning in MEANINGS:
        did_so = max(acts.get(meaning, floor), -8.0)
        taken = -3.0 if not frequent and meaning in taken_by_course else 0.0
        if not frequent and meaning not in acts and meaning in words:
            did_so = 0.0
        total[meaning] = 1.3 * words.get(meaning, 0.0) + did_so + taken
    order = sorted(total, key=lambda meaning: -total[meaning])
    weights = np.exp(np.array([total[meaning] for meaning in order]) - total[order[0]])
    certainty = float(weights[0] / weights.sum())
    nothing = not words and not acts
    best = max(acts.values(), default=0.0)
    against = best - acts.get(order[0], floor) > AGAINST and (frequent or best > AGAINST)
    certainty = min(certainty, SURE - 0.05 if against else 0.99)
    why = []
    if words.get(order[0]):
        why.append(f"words ({', '.join(sorted(concepts(kind.words)))})")
    if frequent:
        second = max((w for m, w in acts.items() if m != order[0]), default=floor)
        if acts.get(order[0], floor) >= -0.5:
            why.append(f"its place in the course of a use (next best {second:.1f})")
        else:
            why.append("against its place in the course of a use")
    elif did:
        why.append(did + (", which speaks for another meaning" if against else ""))
    return Guess(
        kind, None if nothing else order[0], certainty, order[1] if not nothing else None,
        "; ".join(why) or "nothing speaks for any meaning",
    )  # fmt: skip
