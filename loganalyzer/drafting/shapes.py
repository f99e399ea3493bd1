"""Event texts → kinds: texts that differ only in a door, a stream, a number are one kind.

Texts are cut into words; words with digits in them, words that name a floor or a stream are
slots. Texts whose other words agree, place by place, are one template.
"""

import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from loganalyzer.drafting.labels import floor_map, floor_of, stream_of
from loganalyzer.drafting.stamps import STAMP
from loganalyzer.drafting.wording import points
from loganalyzer.stamps.months import plain

APART = re.compile(r"[^\W_]+|\s+|[\W_]")  # where what happened and where are glued together
TOKEN = re.compile(r"(?<!\S)[+-]\d+(?:[.,]\d+)?(?!\S)|[^\W_]+(?:[.,:/\-][^\W_]+)*|\s+|[\W_]")
SLOT = "\0"
STAMPED = "\1"
MATERIAL = "\2"


@dataclass
class Kind:
    """Texts that mean the same.

    Attributes:
        pattern: What finds them, null where there is one text only.
        texts: The texts, with how often each stands.
        words: Their words, without slots.
        slots: Group → value in each text, as written.
    """

    pattern: str | None
    texts: Counter[str] = field(default_factory=Counter)
    words: str = ""
    slots: dict[str, dict[str, str]] = field(default_factory=dict)


def find_kinds(
    texts: Iterable[str | None],
    floors: frozenset[str],
    streams: Mapping[str, str],
    uptime: bool = False,
) -> list[Kind]:
    """The kinds of event texts, most frequent first.

    Args:
        texts: As written, one a record.
        floors: Labels of the site, empty where a column tells the floor.
        streams: Stream id → kind, empty where a column tells the stream.
        uptime: Whether stamps count from the power-on, so that a date in a text says what it is.
    """
    times = Counter(text for text in texts if text)
    families: dict[tuple[str, ...], list[tuple[str, list[str]]]] = defaultdict(list)
    cut = APART if floors and _glued(times, floors) else TOKEN
    for text in times:
        slotted, values = _slotted(text, floors, streams, cut)
        families[slotted].append((text, values))
    known, nowhere = _known_floors(families, floors)
    marked = _marked_roles(families, times, known, len(streams))
    kinds: dict[tuple[str, ...], Kind] = {}
    for family, members in families.items():
        whole = _slot_roles(family, members, (known, nowhere), marked, streams)
        if uptime and family.count(STAMPED) == 1:
            marks = [token for token in family if _is_slot(token)]
            whole[marks.index(STAMPED)] = "now"
        for text, values in members:
            # A floor's place may hold what means: none.
            roles = [
                "" if role == "floor" and value not in known else role
                for role, value in zip(whole, values, strict=True)
            ]
            key = tuple(
                value if role == "" else role
                for role, value in zip(roles, values, strict=True)
            )  # fmt: skip
            full = (*family, *key)
            kind = kinds.setdefault(full, _kind(family, roles, values))
            kind.texts[text] += times[text]
            for role, value in zip(roles, values, strict=True):
                if role in ("floor", "stream", "code", "value"):
                    kind.slots.setdefault(role, {})[text] = value
    _label_streams(kinds.values())
    return sorted(kinds.values(), key=lambda kind: -kind.texts.total())


def _glued(times: Counter[str], floors: frozenset[str]) -> bool:
    """Whether a floor stands behind a code in one word, as in 014-07."""
    pairs: dict[str, set[str]] = defaultdict(set)
    lines: Counter[str] = Counter()
    for text, count in times.items():
        for found in re.finditer(r"(?<!\S)([^\W_]+)([-./:])([^\W_]+)(?!\S)", text):
            pairs[found[2]].add(found[3])
            lines[found[2]] += count
    for mark, behind in pairs.items():
        mapped = {floor for value in behind if (floor := floor_of(value, floors))}
        if (
            len(mapped) >= 0.6 * len(floors)
            and len(behind) <= len(floors) + 1
            and lines[mark] > 0.9 * times.total()
        ):
            return True
    return False


def _slotted(
    text: str, floors: frozenset[str], streams: Mapping[str, str], cut: re.Pattern[str]
) -> tuple[tuple[str, ...], list[str]]:
    """A text's words with slots, and what stands in the slots."""
    out: list[str] = []
    values: list[str] = []
    at = 0
    for found in STAMP.finditer(text):
        if not found["stamp"].isdigit():
            _cut(cut.findall(text[at : found.start()]), floors, streams, out, values)
            out.append(STAMPED)
            values.append(found["stamp"])
            at = found.end()
    _cut(cut.findall(text[at:]), floors, streams, out, values)
    return tuple(out), values


def _cut(
    tokens: Sequence[str],
    floors: frozenset[str],
    streams: Mapping[str, str],
    out: list[str],
    values: list[str],
) -> None:
    for token in tokens:
        word = plain(token)
        digits = any(letter.isdigit() for letter in token)
        named = bool(floors) and not digits and len(tokens) > 1 and _names_floor(word, floors)
        material = bool(streams) and len(tokens) > 1 and len(word) > 2 and stream_of(token, streams)
        if digits or named:
            out.append(SLOT if named or token in floors else _marked(token))
            values.append(token)
        elif material:
            out.append(MATERIAL)
            values.append(token)
        else:
            out.append(token)


def _marked(token: str) -> str:
    """A slot with the letters beside its digits, so that D07 and S1 are not of one kind."""
    letters = re.sub(r"[\d.,:/%+-]+", "#", token)
    return SLOT if letters == "#" else SLOT + letters


def _is_slot(token: str) -> bool:
    return token[:1] in (SLOT, STAMPED, MATERIAL)


def _names_floor(word: str, floors: frozenset[str]) -> bool:
    """Whether a word without digits is a floor's name and hardly anything else."""
    short = word in ("g", "r/c") or (1 < len(word) < 12 and word.isascii())
    return short and floor_of(word, floors) is not None


def _known_floors(
    families: Mapping[tuple[str, ...], list[tuple[str, list[str]]]],
    floors: frozenset[str],
) -> tuple[set[str], set[str]]:
    """Floor labels as written, in slots that go through most floors; what there means: none."""
    known: set[str] = set()
    nowhere: set[str] = set()
    for members in families.values():
        for place in range(len(members[0][1])):
            values = {one[place] for _, one in members}
            mapped = _but_one(values, floors) if floors else None
            if mapped and len(mapped) >= 0.6 * len(floors):
                known.update(mapped)
                nowhere |= values - set(mapped)
    return known, nowhere


def _but_one(values: set[str], floors: frozenset[str]) -> dict[str, str] | None:
    """Each label's floor, if at most one of them means none."""
    meant = {value for value in values if floor_of(value, floors) is not None}
    return floor_map(meant, floors) if len(meant) >= max(len(values) - 1, 1) else None


def _marked_roles(
    families: Mapping[tuple[str, ...], list[tuple[str, list[str]]]],
    times: Counter[str],
    known: set[str],
    streams: int,
) -> dict[str, str]:
    """What words of letters and digits carry besides the event's own code, as S1 in "E017 S1".

    The code of the event is the mark that stands in most lines and is no floor; of the others, one
    with as many values as there are streams is the stream, the rest are codes of faults.
    """
    values: dict[str, set[str]] = defaultdict(set)
    lines: Counter[str] = Counter()
    spread: Counter[str] = Counter()
    for family, members in families.items():
        marks = [token for token in family if _is_slot(token)]
        spread.update(set(marks))
        for text, own in members:
            for mark, value in zip(marks, own, strict=True):
                if len(mark) > 1:
                    values[mark].add(value)
                    lines[mark] += times[text]
    others = [mark for mark, _ in lines.most_common() if not values[mark] <= known][1:]
    stream = next((m for m in others if len(values[m]) == streams > 1 and spread[m] > 1), None)
    return {mark: "stream" if mark == stream else "code" for mark in others}


def _slot_roles(
    family: tuple[str, ...],
    members: Sequence[tuple[str, list[str]]],
    known: tuple[set[str], set[str]],
    marked: Mapping[str, str],
    streams: Mapping[str, str],
) -> list[str]:
    """What each slot carries: floor, stream, code, value, old, new, number, or "": the kind."""
    marks = [token for token in family if _is_slot(token)]
    roles: list[str] = []
    plainly = bool(points(" ".join(t for t in family if not _is_slot(t))))
    stamped = [n for n, mark in enumerate(marks) if mark == STAMPED]
    said = [
        n for n, mark in enumerate(marks)
        if mark not in (STAMPED, MATERIAL)
        and not _floors_only({one[n] for _, one in members}, *known)
    ]  # fmt: skip
    for place, mark in enumerate(marks):
        values = {one[place] for _, one in members}
        if mark == STAMPED:
            pair = len(stamped) == 2
            roles.append(("old" if place == stamped[0] else "new") if pair else "number")
        elif mark == MATERIAL:
            roles.append("stream")
        elif _floors_only(values, *known) and "floor" not in roles:
            roles.append("floor")
        elif said == [place] and not plainly and not (_worded(family) and _amount(values)):
            roles.append("")  # what else would say what happened?
        elif mark in marked and marked[mark] not in roles:
            roles.append(marked[mark])
        else:
            roles.append(_other_role(values, plainly, len(streams), roles))
    return roles


def _floors_only(values: set[str], known: set[str], nowhere: set[str]) -> bool:
    """Whether values are floors, one perhaps that means none beside many."""
    other = values - known
    few = len(values) <= 4
    return bool(values & known) and (
        not other or (len(other) == 1 and not (few and other - nowhere))
    )


def _worded(family: tuple[str, ...]) -> bool:
    """Whether a text has a word of its own, known or not."""
    return any(sum(letter.isalpha() for letter in t) > 2 for t in family if not _is_slot(t))


def _amount(values: set[str]) -> bool:
    """Whether values are amounts: numbers with decimals, or many numbers."""
    return all(re.fullmatch(r"[+-]?\d+([.,]\d+)?%?", value) for value in values) and (
        len(values) > 40 or any(re.fullmatch(r"[+-]?\d+[.,]\d+%?", value) for value in values)
    )


def _other_role(values: set[str], plainly: bool, streams: int, roles: Sequence[str]) -> str:
    decimal = any(re.fullmatch(r"[+-]?\d+[.,]\d+", value) for value in values)
    numeric = all(re.fullmatch(r"[+-]?\d+([.,]\d+)?%?", value) for value in values)
    if numeric and (decimal or len(values) > 40):
        return "value" if decimal or plainly else "number"
    if len(values) > 60:
        return "number"
    if plainly and numeric and len(values) <= max(streams, 1) and all(len(v) < 3 for v in values):
        return "stream"
    if plainly and numeric and len(values) > 8:
        return "value"
    return "code" if plainly and "code" not in roles else ""


GROUPS = {"floor": r"(?P<floor>[\w./-]+)", "code": r"(?P<code>[\w./-]+)",
          "value": r"(?P<value>[+-]?\d+(?:[.,]\d+)?)", "number": r"\S+"}  # fmt: skip


def _kind(family: tuple[str, ...], roles: Sequence[str], values: Sequence[str]) -> Kind:
    parts, words, slot = [], [], 0
    for token in family:
        if not _is_slot(token):
            parts.append(r"\s+" if token.isspace() else re.escape(token))
            words.append(token)
            continue
        role, value = roles[slot], values[slot]
        slot += 1
        if role == "":
            parts.append(re.escape(value))
            words.append(value)
        elif role in ("old", "new", "now"):
            parts.append(rf"(?P<{role}>{_stamp_shape(value)})")
        elif token == STAMPED:
            parts.append(_stamp_shape(value))
        else:
            parts.append(GROUPS.get(role, "(?P<stream>STREAMS)"))
    plainly = any(role for role in roles)
    return Kind("^" + "".join(parts) + "$" if plainly else None, words="".join(words))


def _stamp_shape(value: str) -> str:
    return re.sub(r"\\ ", " ", re.sub(r"\d+", r"\\d+", re.escape(value)))


def _label_streams(kinds: Iterable[Kind]) -> None:
    """Write the labels that were seen into the patterns: words are told apart by being listed."""
    kinds = list(kinds)
    seen = sorted({v for kind in kinds for v in kind.slots.get("stream", {}).values()}, key=len)
    if seen:
        listed = "|".join(re.escape(value) for value in reversed(seen))
        for kind in kinds:
            if kind.pattern:
                kind.pattern = kind.pattern.replace("STREAMS", listed)
