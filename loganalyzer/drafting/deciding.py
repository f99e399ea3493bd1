"""What a person decides of a draft: answers by key, put in the place of guesses, and what is asked.

Keys: `encoding`, `layout`, `delimiter`, `pattern`; `time`, `format`, `zone`; a column for `event`,
`floor`, `stream`, `code`, `value`, `order`, `chute` (empty: none; two columns: a tab between);
`floors:LABEL`, `streams:LABEL`, `chutes:LABEL`, `refusals:CODE` for what a label means; and
`means:TEXT` for what a kind of text means, as `open on`, `ignore`, or empty for what stays unknown.
"""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from pydantic import ValidationError

from loganalyzer.drafting.guesses import Guess
from loganalyzer.drafting.labels import floor_map, stream_map
from loganalyzer.drafting.layouts import DELIMITERS, FINDERS, Found
from loganalyzer.drafting.roles import Roles, find_roles, joined
from loganalyzer.drafting.shapes import Kind
from loganalyzer.drafting.stamps import Written, candidates, find_format, read_as
from loganalyzer.drafting.wording import MEANINGS, reason
from loganalyzer.drafting.writing import refusal_codes
from loganalyzer.errors import InputError, UsageError
from loganalyzer.profile import ENCODINGS, REFUSALS, Profile
from loganalyzer.settings.entries import TimeRule
from loganalyzer.site import Site
from loganalyzer.tables import NEEDS_FLOOR

Answers = Mapping[str, str]
NONE: Answers = {}
COLUMNS = ("event", "floor", "stream", "code", "value", "chute", "order")
FIELDS = ("layout", "encoding", "delimiter", "pattern", "time", "format", "zone", *COLUMNS)
TABLES = ("floors", "streams", "chutes", "refusals")
LABELS = 60  # of a table that are asked for
LONGEST, MOST = 2_000, 1_000  # letters of an answer; answers
BETWEEN = "\t"
NO_DELIMITER = '"\r\n'
TOLD = "as told"
MEANT = {" ".join(meaning).strip(): meaning for meaning in MEANINGS}


@dataclass(frozen=True)
class Field:
    """One thing that a person may decide.

    Attributes:
        key: Of the answer.
        value: What holds now; guess: what it would be without an answer.
        options: What may be chosen; empty for a free text.
        why: The evidence.
        open: Whether it is a question; asked: whether it was one before any answer.
        free: Whether something else than the options may be written.
        lines: How many records it is about, null for a matter of the whole export.
    """

    key: str
    value: str
    guess: str
    options: tuple[str, ...] = ()
    why: str = ""
    open: bool = False
    free: bool = False
    lines: int | None = None
    asked: bool = False


@dataclass(frozen=True)
class Meant:
    """A kind of event text, and what it is taken to mean.

    Attributes:
        key: Of the answer.
        text: One of its texts; lines: how many records; samples: some of them, numbered.
        value: What holds now, as `open on`; guess: what it would be without an answer.
        other: The next best.
        certainty: Of the guess, from 0 to 1.
        why: Its evidence.
        open: Whether it is a question still; asked: whether it was one before any answer.
        doorless: Whether it is left out, since nothing tells the door that it needs.
    """

    key: str
    text: str
    lines: int
    samples: tuple[str, ...]
    value: str
    guess: str
    other: str
    certainty: float
    why: str
    open: bool
    doorless: bool
    asked: bool


def checked(answers: Answers) -> Answers:
    """The answers, none of them to anything that is not asked.

    Raises:
        UsageError: One is, or there are too many or too long ones.
    """
    for key, value in answers.items():
        table, _, label = key.partition(":")
        known = key in FIELDS or (label and table in (*TABLES, "means"))
        if not known or max(len(key), len(value)) > LONGEST or len(answers) > MOST:
            raise UsageError(
                "the answer", f"'{key[:80]}'",
                f"one of {', '.join(FIELDS)}, {', '.join(f'{one}:LABEL' for one in TABLES)} or "
                f"means:TEXT, of at most {LONGEST:,} letters, {MOST:,} answers in all",
                "Take it from the questions of the draft",
            )  # fmt: skip
        allowed = _allowed(key)
        if allowed and value not in allowed:
            raise UsageError(
                f"the answer to {key[:80]}", f"'{value[:80]}'",
                f"one of {', '.join(allowed)}, or nothing", "Choose one of these",
            )  # fmt: skip
    delimiter = answers.get("delimiter") or ","
    if len(delimiter) > 1 or delimiter in NO_DELIMITER:
        raise UsageError(
            "the answer to delimiter", repr(delimiter[:80]),
            "one character, no quote and no line end", "Write the character between two fields",
        )  # fmt: skip
    return {key: value for key, value in answers.items() if value or not _needed(key)}


def _allowed(key: str) -> tuple[str, ...]:
    if key.startswith("means:"):
        return ("", *MEANT)
    if key.startswith("refusals:"):
        return ("", *REFUSALS)
    return ("", *FINDERS) if key == "layout" else ("", *ENCODINGS) if key == "encoding" else ()


def _needed(key: str) -> bool:
    """Whether an empty answer means: as guessed."""
    return key in FIELDS and key not in COLUMNS[1:]


def find(found: Found, site: Site, name: str, answers: Answers) -> Roles:
    """What the columns carry: as a person says, else as guessed.

    Raises:
        InputError: A column is none of the export's, or its stamps are not read.
    """
    told = {role: _columns(found, answers[role]) for role in COLUMNS if role in answers}
    timed = _timed(found, site, answers)
    roles = find_roles(found, site, name, timed)
    taken = {column for columns in told.values() for column in columns}
    for role in COLUMNS:
        if role in told:
            roles = _with(roles, role, told[role], found, site)
        elif role != "event" and getattr(roles, role) in taken:
            roles = replace(roles, **_set(role, None), said=_without(roles.said, role))
        elif role == "event":
            roles = replace(roles, event=tuple(c for c in roles.event if c not in taken))
    return roles


def _columns(found: Found, answer: str) -> tuple[str, ...]:
    names = (answer,) if answer in found.columns else tuple(filter(None, answer.split(BETWEEN)))
    for name in names:
        if name not in found.columns:
            raise InputError(
                "the columns", f"'{name}'", f"one of {', '.join(found.columns)}",
                "Choose a column of the export",
            )  # fmt: skip
    return names


def _with(roles: Roles, role: str, names: tuple[str, ...], found: Found, site: Site) -> Roles:
    said = {**roles.said, role: TOLD} if names else _without(roles.said, role)
    questions = _without(roles.questions, role)
    if role == "event":
        return replace(roles, event=names, said=said, questions=questions)
    name = names[0] if names else None
    roles = replace(roles, **_set(role, name), said=said, questions=questions)
    values = list(dict.fromkeys(cell for cell in found.columns[name] if cell)) if name else []
    if role == "floor":
        return replace(roles, floors=floor_map(values, _floors(site)) or {})
    if role == "stream":
        kinds = {stream.id: stream.kind for chute in site.chutes for stream in chute.streams}
        return replace(roles, streams=stream_map(values, kinds) or {})
    if role == "chute":
        ids = {chute.id.casefold(): chute.id for chute in site.chutes}
        return replace(roles, chutes={v: ids[v.casefold()] for v in values if v.casefold() in ids})
    return roles


def _set(name: str, value: object) -> dict[str, Any]:
    return {name: value}


def _without(table: Mapping[str, str], key: str) -> dict[str, str]:
    return {name: value for name, value in table.items() if name != key}


def _floors(site: Site) -> frozenset[str]:
    return frozenset(floor.label for chute in site.chutes for floor in chute.floors)


def _timed(found: Found, site: Site, answers: Answers) -> Roles | None:
    """The stamps as a person says, or null: nothing is said of them.

    Raises:
        InputError: They are not read so.
    """
    if not answers.keys() & {"time", "format", "zone"}:
        return None
    if "time" in answers:
        names = _columns(found, answers["time"])
    else:
        names = find_roles(found, site, "the export").time
    stamps = joined([found.columns[name] for name in names])
    form = answers.get("format")
    if form is None:
        written = find_format(stamps, site.time_zone)
    else:
        read = read_as(form, stamps) if _directives(form) else None
        written = Written(form, read[1], read[0], TOLD) if read else None
    if written is None:
        example = next((stamp for stamp in stamps if stamp), "nothing")
        raise InputError(
            "the stamps", f"'{example}'", f"stamps that {form or 'some format'} reads",
            "Choose another column or format",
        )  # fmt: skip
    if "zone" in answers:
        written = replace(written, zone=answers["zone"])
    said = {"time": f"{written.format}: {written.evidence}"}
    return Roles(names, written, said=said,
                 questions={"time": written.question} if written.question else {})  # fmt: skip


def _directives(form: str) -> bool:
    """Whether it is a format at all."""
    try:
        TimeRule(format=form)
    except ValidationError:
        return False
    return form != "uptime_s"


def labelled(roles: Roles, answers: Answers) -> Roles:
    """Labels mapped as a person says, else as guessed."""
    for table in TABLES[:3]:
        told = _told(answers, table)
        if told:
            kept = {w: ours for w, ours in {**getattr(roles, table), **told}.items() if ours}
            roles = replace(
                roles, **_set(table, kept), questions=_without(roles.questions, table.rstrip("s"))
            )
    return roles


def refusals(answers: Answers) -> dict[str, str]:
    """What a person says of the codes of refusals."""
    return {code: word for code, word in _told(answers, "refusals").items() if word}


def _told(answers: Answers, table: str) -> dict[str, str]:
    start = f"{table}:"
    return {key[len(start) :]: ours for key, ours in answers.items() if key.startswith(start)}


def key_of(kind: Kind) -> str:
    """The key of a kind of text: what an answer about it is filed under."""
    return f"means:{kind.pattern or next(iter(kind.texts))}"[:LONGEST]


def meant(guesses: Sequence[Guess], answers: Answers, door_column: bool) -> list[Guess]:
    """What a person says that texts mean, else as guessed."""
    return [
        _meant(one, answers[key_of(one.kind)], door_column) if key_of(one.kind) in answers else one
        for one in guesses
    ]


def _meant(one: Guess, answer: str, door_column: bool) -> Guess:
    meaning = MEANT.get(answer)
    needs = meaning is not None and meaning[0] in NEEDS_FLOOR
    return replace(
        one, meaning=meaning, certainty=1.0, evidence=TOLD,
        doorless=needs and not door_column and "floor" not in one.kind.slots,
    )  # fmt: skip


def fields(profile: Profile, found: Found, roles: Roles, guessed: Roles, site: Site,
           answers: Answers) -> Iterator[Field]:  # fmt: skip
    """What may be decided of the export as a whole: layout, stamps, columns.

    Args:
        profile: The draft.
        found: Its layout.
        roles: As they hold.
        guessed: As they would be with no answer about columns.
        site: The site.
        answers: Those given.
    """
    layouts = (found.layout,) if found.layout in ("sheet", "samples") else tuple(FINDERS)
    yield Field("layout", found.layout, found.layout, layouts, found.evidence)
    if found.layout != "sheet":
        yield Field("encoding", answers.get("encoding", ""), "", ("", *ENCODINGS))
    if profile.delimited is not None:
        mark = profile.delimited.delimiter
        yield Field("delimiter", mark, mark, tuple(dict.fromkeys((mark, *DELIMITERS))),
                    found.evidence)  # fmt: skip
    if profile.lines is not None:
        text = profile.lines.pattern
        yield Field("pattern", text, text, (), found.evidence, free=True)
    names = tuple(found.columns)
    time = BETWEEN.join(roles.time)
    asked = "time" in roles.questions
    yield Field("time", time, BETWEEN.join(guessed.time), _and(names, time), "")
    stamps = [stamp for stamp in joined([found.columns[name] for name in roles.time]) if stamp]
    why = roles.questions.get("time") or roles.written.evidence
    yield Field("format", roles.written.format, guessed.written.format,
                tuple(dict.fromkeys((roles.written.format, *candidates(stamps[:2000])))), why,
                open=asked, free=True, asked="time" in guessed.questions)  # fmt: skip
    zones = tuple(dict.fromkeys((roles.written.zone, "site", "utc")))
    yield Field("zone", roles.written.zone, guessed.written.zone, zones, "")
    if found.layout == "samples":
        return
    for role in COLUMNS:
        if role == "chute" and len(site.chutes) < 2 and roles.chute is None:
            continue
        value = BETWEEN.join(roles.event) if role == "event" else getattr(roles, role) or ""
        guess = BETWEEN.join(guessed.event) if role == "event" else getattr(guessed, role) or ""
        options = _and(names, value) if role == "event" else ("", *names)
        why = roles.questions.get(role) or roles.said.get(role, "")
        yield Field(role, value, guess, options, why, role in roles.questions,
                    asked=role in guessed.questions)  # fmt: skip


def _and(names: tuple[str, ...], value: str) -> tuple[str, ...]:
    return names if value in names else (value, *names)


def labels(found: Found, roles: Roles, guesses: Sequence[Guess], site: Site, answers: Answers,
           guessed: Roles) -> Iterator[Field]:  # fmt: skip
    """What may be decided of labels: floors, streams, chutes, codes of refusals."""
    ours = {
        "floors": sorted(_floors(site)),
        "streams": sorted({s.id for chute in site.chutes for s in chute.streams}),
        "chutes": [chute.id for chute in site.chutes],
    }
    for table, own in ours.items():
        role = table.rstrip("s")
        for label, lines in _labels(found, roles, guesses, role).most_common(LABELS):
            value = _site_label(label, getattr(roles, table), own)
            guess = _site_label(label, getattr(guessed, table), own)
            asked = not value and f"{table}:{label}" not in answers
            yield Field(f"{table}:{label}", value, guess, ("", *own),
                        roles.questions.get(role, ""), asked or role in roles.questions,
                        lines=lines, asked=not guess or role in guessed.questions)  # fmt: skip
    counts = _labels(found, roles, guesses, "code")
    told = refusals(answers)
    for code in refusal_codes(found, roles, guesses):
        guess, key = reason(code) or "", f"refusals:{code}"
        yield Field(key, told.get(code, guess), guess, ("", *REFUSALS), "",
                    not guess and key not in answers, lines=counts[code],
                    asked=not guess)  # fmt: skip


def _site_label(written: str, table: Mapping[str, str], own: Sequence[str]) -> str:
    plain = table.get(written) or written.lstrip("0 ") or written[-1:]
    return plain if plain in own else ""


def _labels(found: Found, roles: Roles, guesses: Sequence[Guess], role: str) -> Counter[str]:
    """How often each label of a role stands in the export."""
    column = getattr(roles, role)
    counts = Counter(cell for cell in found.columns[column] if cell) if column else Counter()
    for one in guesses if column is None else ():
        for text, label in one.kind.slots.get(role, {}).items():
            counts[label] += one.kind.texts[text]
    return counts


def rows(guessed: Sequence[Guess], holds: Sequence[Guess],
         samples: Mapping[int, Sequence[str]]) -> Iterator[Meant]:  # fmt: skip
    """The kinds of texts, those that are questions first, then the frequent ones."""
    order = sorted(
        range(len(guessed)), key=lambda n: (guessed[n].sure, -guessed[n].kind.texts.total())
    )
    for place in order:
        one, now = guessed[place], holds[place]
        yield Meant(
            key_of(one.kind), next(iter(one.kind.texts)), one.kind.texts.total(),
            tuple(samples.get(place, ())),
            _said(now.meaning if now.likely or now.doorless else None),
            _said(one.meaning), _said(one.other), round(one.certainty, 2), one.evidence,
            not now.sure and now.evidence != TOLD, now.doorless, not one.sure,
        )  # fmt: skip


def _said(meaning: tuple[str, str] | None) -> str:
    return " ".join(meaning).strip() if meaning else ""
