"""Guesses → the text of a profile file, each with its evidence, open ones as questions."""

import re
from collections.abc import Iterator, Mapping, Sequence

from loganalyzer.drafting.components import CodeGuess
from loganalyzer.drafting.guesses import Guess
from loganalyzer.drafting.layouts import Found
from loganalyzer.drafting.roles import Roles
from loganalyzer.drafting.wording import IGNORE, reason
from loganalyzer.settings.writing import key, quoted

NONE: Mapping[str, str] = {}
SHOWN = 3  # sample lines beside a question


def profile_text(
    name: str,
    source: str,
    found: Found,
    roles: Roles,
    guesses: Sequence[Guess],
    samples: Mapping[int, Sequence[str]],
    entries: Sequence[str],
    refusals: Mapping[str, str] = NONE,
    encoding: str | None = None,
    codes: Sequence[CodeGuess] = (),
) -> str:
    """The profile file.

    Args:
        name: Of the profile.
        source: Of the exports it was drafted from.
        found: The layout.
        roles: What its columns carry.
        guesses: What its texts mean.
        samples: Some lines of each guess, by its place.
        entries: Lines of [[samples]] entries, for that layout.
        refusals: Codes of refusals that a person has told: as written → ours.
        encoding: Null: as the readers find out.
        codes: What the codes of faults are about.
    """
    return "\n".join([
        f"# Drafted from {_comment(source)}. Measure it: loganalyzer inspect FILE --profile THIS",
        "# What stands behind 'sure' is our own measure from 0 to 1, no probability. Answer each",
        "# QUESTION by correcting its entry, and delete the word; then inspect again.",
        *(f"# QUESTION: {_comment(asked)}" for asked in roles.questions.values()),
        f"name = {quoted(name)}",
        f"# {_comment(found.evidence)}",
        f"layout = {quoted(found.layout)}",
        *([f"encoding = {quoted(encoding)}"] if encoding else []),
        *([f"skip_lines = {found.skip_lines}"] if found.skip_lines else []),
        "", *found.toml, "" if found.toml else "# The columns are those of the header.",
        *_columns(roles),
        "[time]", f"# {_comment(roles.said['time'])}",
        f"format = {quoted(roles.written.format)}", f"zone = {quoted(roles.written.zone)}", "",
        *_labels("floors", roles.floors),
        *_labels("streams", roles.streams, roles.said.get("stream", "")),
        *_labels("chutes", roles.chutes), *_refusals(found, roles, guesses, refusals),
        *_code_lines(codes),
        *entries,
        *(line for place in _order(guesses) for line in _entry(guesses[place], samples[place])),
    ]) + "\n"  # fmt: skip


def _comment(text: str) -> str:
    return "".join(letter if letter.isprintable() else " " for letter in text)


def _columns(roles: Roles) -> Iterator[str]:
    yield "[columns]"
    yield f"time = [{', '.join(map(quoted, roles.time))}]"
    if roles.event:
        yield f"event = [{', '.join(map(quoted, roles.event))}]"
    for role in ("floor", "stream", "code", "value", "chute", "order"):
        column = getattr(roles, role)
        if column is not None:
            said = roles.said.get(role)
            yield f"{role} = {quoted(column)}" + (f"  # {_comment(said)}" if said else "")
    yield ""


def _labels(table: str, labels: Mapping[str, str], said: str = "") -> Iterator[str]:
    changed = {w: ours for w, ours in labels.items() if (w.lstrip("0 ") or w[-1:]) != ours}
    if changed:
        yield f"[{table}]" + (f"  # {_comment(said)}" if said else "")
        yield from (f"{key(written)} = {quoted(ours)}" for written, ours in changed.items())
        yield ""


def refusal_codes(found: Found, roles: Roles, guesses: Sequence[Guess]) -> tuple[str, ...]:
    """Codes as written beside refusals, in the order of the export."""
    codes: dict[str, None] = {}
    for one in guesses:
        if one.meaning == ("refusal", "mark"):
            codes |= dict.fromkeys(one.kind.slots.get("code", {}).values())
    if roles.code is not None:
        refusing = {t for g in guesses if g.meaning == ("refusal", "mark") for t in g.kind.texts}
        texts = [
            " ".join(c for c in cells if c)
            for cells in zip(*(found.columns[e] for e in roles.event), strict=True)
        ]
        cells = found.columns[roles.code]
        codes |= dict.fromkeys(c for t, c in zip(texts, cells, strict=True) if c and t in refusing)
    return tuple(codes)[:20]


def _refusals(
    found: Found, roles: Roles, guesses: Sequence[Guess], told: Mapping[str, str]
) -> Iterator[str]:
    """What the codes of refusals mean, where their words or a person tell."""
    codes = refusal_codes(found, roles, guesses)
    if codes:
        yield "[refusals]"
        for written in codes:
            word = told.get(written) or reason(written)
            open_ = "# QUESTION: busy, full, service, lockout or fault? "
            yield f"{'' if word else open_}{key(written)} = {quoted(word or 'busy')}"
        yield ""


def _code_lines(codes: Sequence[CodeGuess]) -> Iterator[str]:
    """What fault codes are about; unsure ones stand as comments until somebody answers."""
    if not codes:
        return
    yield "[codes]"
    for one in codes:
        text = f", text = {quoted(one.text)}" if one.text and one.text != one.code else ""
        entry = f'{key(one.code)} = {{ component = "{one.component or "other"}"{text} }}'
        why = f"{one.lines:,} lines: {_comment(one.evidence)}"
        if one.sure:
            yield f"{entry}  # sure {one.certainty:.2f}, {why}"
        else:
            yield f"# QUESTION: what is it about? sure {one.certainty:.2f}, {why}"
            yield f"# {entry}"
    yield ""


def _order(guesses: Sequence[Guess]) -> list[int]:
    """Whole texts first, then patterns, those that say most first: the first match wins."""

    def said(place: int) -> tuple[bool, int]:
        pattern = guesses[place].kind.pattern
        return (pattern is not None, -len(guesses[place].kind.words))

    return sorted(range(len(guesses)), key=said)


def _entry(one: Guess, samples: Sequence[str]) -> Iterator[str]:
    kind = one.kind
    count = kind.texts.total()
    off = "" if one.likely else "# "
    if one.sure:
        yield f"# sure {one.certainty:.2f}, {count:,} lines: {_comment(one.evidence)}"
    else:
        other = f" or {' '.join(one.other).strip()}" if one.other else ""
        meant = " ".join(one.meaning).strip() if one.meaning else "what"
        yield (
            f"# QUESTION: {meant}{other}? sure {one.certainty:.2f}, {count:,} lines: "
            f"{_comment(one.evidence)}"
        )
        yield from (f"#   {_comment(line)[:160]}" for line in samples[:SHOWN])
    yield f"{off}[[event]]"
    if kind.pattern is not None:
        yield f"{off}pattern = {quoted(kind.pattern)}"
    else:
        texts = list(kind.texts)
        yield (
            f"{off}text = [{', '.join(map(quoted, texts))}]"
            if len(texts) > 1
            else (f"{off}text = {quoted(texts[0])}")
        )
    if one.meaning == IGNORE:
        yield f"{off}ignore = true"
    else:
        signal, edge = one.meaning or ("note", "mark")
        yield f'{off}signal = "{signal}"'
        yield f'{off}edge = "{edge}"'
        code = reason(kind.words) if signal == "refusal" and "code" not in kind.slots else None
        if code and not re.search(r"P<code>", kind.pattern or ""):
            yield f'{off}code = "{code}"  # by its words'
    yield ""
