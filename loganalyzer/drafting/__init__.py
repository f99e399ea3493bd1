"""An export nobody has a profile for → the draft of one, which says how sure it is of what.

lines → layout and columns → what each column carries → kinds of event texts
→ what they mean, by their words and by their behaviour → a profile file
"""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from loganalyzer.drafting import components, deciding, mixture, scans, writing
from loganalyzer.drafting.components import CodeGuess
from loganalyzer.drafting.deciding import NONE, TOLD, Answers, Field, Meant
from loganalyzer.drafting.guesses import Guess, guess
from loganalyzer.drafting.labels import all_floors, all_streams, floor_map, stream_map
from loganalyzer.drafting.layouts import Column, Found, find_layout
from loganalyzer.drafting.naming import named
from loganalyzer.drafting.roles import Roles, event_texts
from loganalyzer.drafting.seen import Ints, Seen
from loganalyzer.drafting.shapes import Kind, find_kinds
from loganalyzer.drafting.texts import Text, no_log, read_texts
from loganalyzer.errors import InputError
from loganalyzer.profile import Profile, parse_profile
from loganalyzer.readers.unpack import Limits
from loganalyzer.site import Site

SAMPLES = 3


@dataclass(frozen=True)
class Draft:
    """A drafted profile.

    Attributes:
        text: The profile file; profile: the same, read.
        layout: With the reason; roles: evidence by what a column carries.
        guesses: What each kind of text is taken to mean.
        questions: What a person should answer.
        messages: What else to tell.
        sure_lines: Records whose meaning needs no answer, of `lines` records.
        asked_lines: Line numbers (from 1) of the records whose meaning is a question.
        fields: What a person may decide of the whole export, of labels too.
        meant: Likewise of each kind of text, questions first.
        columns: Column → some of its values.
        codes: What the codes of faults are about.
    """

    text: str
    profile: Profile
    layout: str
    roles: Mapping[str, str]
    guesses: tuple[Guess, ...]
    questions: tuple[str, ...]
    messages: tuple[str, ...]
    sure_lines: int
    lines: int
    asked_lines: tuple[int, ...] = ()
    fields: tuple[Field, ...] = ()
    meant: tuple[Meant, ...] = ()
    columns: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    codes: tuple[CodeGuess, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """As plain values for JSON."""
        left_out = ("profile", "guesses", "asked_lines", "meant", "columns")
        plain = {key: value for key, value in asdict(self).items() if key not in left_out}
        return plain | {"guesses": [_told(one) for one in self.guesses]}


def draft(
    paths: Iterable[Path],
    site: Site,
    name: str,
    answers: Answers = NONE,
    limits: Limits | None = None,
) -> Draft:
    """Draft a profile from exports of one controller.

    Args:
        paths: Files or folders; packed ones are read as they are.
        site: Where they come from: its floors and streams are looked for.
        name: The profile's.
        answers: What a person has decided, by keys of `fields` and `meant`.
        limits: How far packed files may expand; null: the defaults.

    Raises:
        InputError: A file cannot be read, is no event log, or holds two kinds of lines; or it is
            not written as an answer says.
        UsageError: An answer is to nothing that is asked.
        ProfileError: With these answers it would be no profile.
    """
    answers = deciding.checked(answers)
    texts = read_texts(paths, answers.get("encoding"), limits)
    text, found, messages = _together(texts, answers)
    guessed = deciding.find(found, site, text.name, NONE) if not answers.get("time") else None
    roles = deciding.find(found, site, text.name, answers) if answers else guessed
    assert roles is not None  # without answers it is what was guessed
    guessed = guessed or roles
    if found.layout == "samples":
        return _of_scans(name, text, found, roles, site, messages, answers)
    roles, kinds, seen = _meanings(found, roles, site, text.name)
    guesses = deciding.meant(kinds, answers, roles.floor is not None)
    proposed, roles = roles, deciding.labelled(roles, answers)
    samples = _samples(text, found, seen)
    codes = components.find(found, roles, seen, guesses)
    written = writing.profile_text(
        name, text.name, found, roles, guesses, samples, (), deciding.refusals(answers),
        answers.get("encoding"), codes,
    )  # fmt: skip
    profile = parse_profile(written, f"{name}.toml")
    asked = tuple(_asked(one) for one in guesses if not one.sure and one.evidence != TOLD)
    open_ = {role: one for role, one in guessed.questions.items()
             if role in answers or role in proposed.questions}  # fmt: skip
    about = tuple(_about(one) for one in codes if not one.sure)
    guessed = replace(guessed, floors=proposed.floors, streams=proposed.streams, questions=open_)
    return Draft(
        written, profile, f"{found.layout}: {found.evidence}",
        roles.said, tuple(guesses), (*roles.questions.values(), *asked, *about),
        (*messages, *_doubts(text.name, found, roles, seen, guesses, site)),
        sum(one.kind.texts.total() for one in guesses if one.sure), len(seen.kind),
        _asked_lines(found, seen, guesses),
        (*deciding.fields(profile, found, roles, guessed, site, answers),
         *deciding.labels(found, roles, guesses, site, answers, proposed)),
        tuple(deciding.rows(kinds, guesses, samples)), _values(found), tuple(codes),
    )  # fmt: skip


def _values(found: Found) -> dict[str, tuple[str, ...]]:
    """Some values of each column, the frequent ones first."""
    return {
        name: tuple(value for value, _ in Counter(filter(None, cells)).most_common(SAMPLES))
        for name, cells in found.columns.items()
    }


def _asked_lines(found: Found, seen: Seen, guesses: Sequence[Guess]) -> tuple[int, ...]:
    unsure = [n for n, one in enumerate(guesses) if not one.sure]
    return tuple(found.lines[at] + 1 for n in unsure for at in seen.at[seen.rows[n]])


def _asked(one: Guess) -> str:
    text = next(iter(one.kind.texts))
    meant = " ".join(one.meaning or ("nothing",)).strip()
    other = f" or {' '.join(one.other).strip()}" if one.other else ""
    return f'what does "{text}" mean: {meant}{other}? (sure {one.certainty:.2f})'


def _about(one: CodeGuess) -> str:
    guessed = f"{one.component}? (sure {one.certainty:.2f})" if one.component else "?"
    return f"what is fault code {one.code} about: {guessed}"


def _told(one: Guess) -> dict[str, Any]:
    return {
        "text": next(iter(one.kind.texts)), "pattern": one.kind.pattern,
        "lines": one.kind.texts.total(), "signal": one.meaning and one.meaning[0],
        "edge": one.meaning and one.meaning[1], "certainty": round(one.certainty, 3),
        "sure": one.sure, "evidence": one.evidence,
    }  # fmt: skip


def _together(texts: Sequence[Text], answers: Answers) -> tuple[Text, Found, tuple[str, ...]]:
    """One text of several exports, if they are written alike."""
    found = [find_layout(text, answers) for text in texts]
    first = found[0]
    for text, other in zip(texts[1:], found[1:], strict=True):
        if other.layout != first.layout or list(other.columns) != list(first.columns):
            raise InputError(
                text.name, f"an export in the layout {other.layout}, unlike {texts[0].name} "
                f"({first.layout})", "exports of one controller, written alike",
                "Draft a profile for each by itself",
            )  # fmt: skip
    messages = tuple(
        f"{text.name}: only its first {len(text.lines):,} lines were looked at."
        for text in texts if not text.whole
    )  # fmt: skip
    if len(texts) == 1:
        return texts[0], first, messages
    columns = {name: [c for one in found for c in one.columns[name]] for name in first.columns}
    starts = np.cumsum([0, *(len(text.lines) for text in texts)])
    lines = [n + int(start) for one, start in zip(found, starts, strict=False) for n in one.lines]
    whole = Text(texts[0].name, [line for text in texts for line in text.lines])
    return whole, replace(first, columns=columns, lines=lines), messages


def _meanings(found: Found, roles: Roles, site: Site, name: str) -> tuple[Roles, list[Guess], Seen]:
    if not roles.event:
        raise no_log(name, "no column of it says what happened")
    texts = event_texts(found, roles)
    roles, guesses, seen = _weighed(found, roles, site, name, texts)
    spoken = any("words" in one.evidence for one in guesses)
    if all_floors(site) and not spoken and not (seen.floor >= 0).any():
        raise no_log(name, "no word of it is known, and nothing in it names a floor of the site")
    return named(roles, seen, guesses, site), guesses, seen


def _weighed(
    found: Found, roles: Roles, site: Site, name: str, texts: Column
) -> tuple[Roles, list[Guess], Seen]:
    """What texts mean, one a record."""
    floors, streams = all_floors(site), all_streams(site)
    kinds = find_kinds(
        texts,
        frozenset() if roles.floor else floors,
        {} if roles.stream else streams,
        roles.written.format == "uptime_s",
    )
    if len(kinds) > 1000 or not kinds:
        raise no_log(name, f"nearly every line says something else ({len(kinds):,} kinds)")
    roles = _labels_in_texts(roles, kinds, floors, streams)
    seen = _seen(found, roles, kinds, texts)
    return roles, guess(kinds, seen, roles.floor is not None), seen


def _labels_in_texts(
    roles: Roles, kinds: Sequence[Kind], floors: frozenset[str], streams: Mapping[str, str]
) -> Roles:
    """The floors and streams that stand in texts."""
    labels = {
        role: list(dict.fromkeys(v for k in kinds for v in k.slots.get(role, {}).values()))
        for role in ("floor", "stream")
    }
    mapped = floor_map(labels["floor"], floors)
    if mapped:
        said = {**roles.said, "floor": f"{len(mapped)} labels in the texts, each a floor"}
        roles = replace(roles, floors=mapped, said=said)
    if labels["stream"]:
        named = stream_map(labels["stream"], streams)
        if named:
            return replace(roles, streams=named)
        asked = f"which stream is which: {', '.join(labels['stream'])}? Write [streams]"
        return replace(roles, questions={**roles.questions, "stream": asked})
    return roles


def _seen(found: Found, roles: Roles, kinds: Sequence[Kind], texts: Sequence[str | None]) -> Seen:
    """The records as arrays."""
    of_text = {text: n for n, kind in enumerate(kinds) for text in kind.texts}
    slots = {
        role: {text: value for kind in kinds for text, value in kind.slots.get(role, {}).items()}
        for role in ("floor", "stream", "code", "value")
    }
    columns = {}
    for role, inside in slots.items():
        column = getattr(roles, role)
        own = found.columns[column] if column else [None] * len(texts)
        columns[role] = [
            cell or (inside.get(text) if text else None)
            for cell, text in zip(own, texts, strict=True)
        ]
    kind = np.array([of_text.get(text or "", -1) for text in texts], np.int64)
    kept = (kind >= 0) & ~np.isnan(roles.written.seconds)
    time = roles.written.seconds
    order = np.flatnonzero(kept)
    if np.mean(np.diff(time[order]) < 0) > 0.5:  # newest first
        order = order[::-1]
    return Seen(
        time[order], kind[order], _codes(columns["floor"])[order],
        _codes(columns["stream"])[order], _codes(columns["code"])[order],
        np.array([_number(cell) for cell in columns["value"]])[order], order, len(kinds),
        _labels(columns["stream"]), _labels(columns["code"]),
    )  # fmt: skip


def _labels(cells: Sequence[str | None]) -> list[str]:
    return list(dict.fromkeys(cell for cell in cells if cell is not None))


def _codes(cells: Sequence[str | None]) -> Ints:
    places = {label: place for place, label in enumerate(_labels(cells))}
    return np.array([-1 if c is None else places[c] for c in cells], np.int64)


def _number(cell: str | None) -> float:
    try:
        return float(cell.replace(",", ".")) if cell else np.nan
    except ValueError:
        return np.nan


def _samples(text: Text, found: Found, seen: Seen) -> dict[int, list[str]]:
    """Some lines of each kind, as they stand in the export."""
    return {
        kind: [
            f"{n + 1}: {text.lines[n]}" for n in (found.lines[at] for at in seen.at[rows[:SAMPLES]])
        ]
        for kind, rows in enumerate(seen.rows)
    }


def _doubts(
    name: str, found: Found, roles: Roles, seen: Seen, guesses: Sequence[Guess], site: Site
) -> tuple[str, ...]:
    """What speaks against a sound draft: no known words, several chutes in one file."""
    told = []
    if not any("words" in one.evidence for one in guesses):
        told.append(
            f"{name}: no word of it is known (English, German, French, Spanish, Portuguese are); "
            "guessed by behaviour alone."
        )

    def weigh(texts: Column) -> tuple[Seen, Sequence[Guess]]:
        _, meant, rows = _weighed(found, roles, site, name, texts)
        return rows, meant

    mixed = mixture.find(found, roles, seen, guesses, weigh)
    if mixed is not None:
        told.append(mixed.told(name))
    return tuple(told)


def _of_scans(
    name: str, text: Text, found: Found, roles: Roles, site: Site, messages: tuple[str, ...],
    answers: Answers,
) -> Draft:  # fmt: skip
    """The draft of a layout of scans."""
    lines, floors, streams, asked = scans.entries(found, all_floors(site), all_streams(site))
    roles = replace(
        roles, floor=None, stream=None, code=None, value=None, floors=floors, streams=streams,
    )  # fmt: skip
    proposed, roles = roles, deciding.labelled(roles, answers)
    questions = (*roles.questions.values(), *asked)
    told = replace(roles, questions={str(n): one for n, one in enumerate(questions)})
    written = writing.profile_text(
        name, text.name, found, told, (), {}, lines, encoding=answers.get("encoding")
    )
    count, profile = len(found.lines), parse_profile(written, f"{name}.toml")
    return Draft(
        written, profile, f"samples: {found.evidence}",
        roles.said, (), questions, messages, 0 if asked else count, count,
        fields=(*deciding.fields(profile, found, roles, proposed, site, answers),),
        columns=_values(found),
    )  # fmt: skip
