"""What site and profile files have in common: TOML in, checked tables out."""

import re
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any, TypeVar
from zoneinfo import ZoneInfo, available_timezones

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    StringConstraints,
    ValidationError,
)

from loganalyzer.errors import SettingsError
from loganalyzer.patterns import Pattern
from loganalyzer.settings.mistakes import Mistake, nearest, refuse, syntax_error, told, toml

# Numbers are numbers: neither '90' nor true is one.
Number = Annotated[float, Field(strict=True, allow_inf_nan=False)]
Positive = Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0)]
Count = Annotated[int, Field(strict=True, ge=0)]
PositiveCount = Annotated[int, Field(strict=True, gt=0)]
YesNo = Annotated[bool, Field(strict=True)]
Id = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9_-]+$")]
Word = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1)]


def filled(expected: str) -> AfterValidator:
    """A check that a list is not empty."""

    def check_list(value: tuple[Any, ...]) -> tuple[Any, ...]:
        if not value:
            refuse([Mistake((), "an empty list", expected, None)])
        return value

    return AfterValidator(check_list)


# One text, or several in a list; at least one.
Texts = Annotated[
    tuple[Annotated[str, StringConstraints(min_length=1)], ...],
    BeforeValidator(lambda value: (value,) if isinstance(value, str) else value),
    filled("a text, or several in a list"),
]

M = TypeVar("M", bound=BaseModel)


class Settings(BaseModel):
    """A table of a settings file: frozen, and every key it does not know is a mistake."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", validate_by_name=True, validate_by_alias=True
    )


def one_of(words: Sequence[str], what: str) -> AfterValidator:
    """A check that a text is one of these words; the nearest is proposed."""

    def check_word(word: str) -> str:
        if word not in words:
            guess = nearest(word, words)
            allowed = f"{what}: {', '.join(words)}"
            refuse([Mistake((), toml(word), allowed, guess and f'"{guess}"')])
        return word

    return AfterValidator(check_word)


def regex(groups: Sequence[str] | None = None, needs: Sequence[str] = ()) -> AfterValidator:
    """A check that a text is a regular expression.

    Args:
        groups: The names its groups may have; None: any.
        needs: The names that must be among them.
    """

    def check_pattern(text: str) -> str:
        try:
            names = list(Pattern(text).groupindex)
        except (re.error, OverflowError, RecursionError) as problem:
            place = getattr(problem, "pos", None)
            why = getattr(problem, "msg", None) or "too large"
            at = f" at position {place + 1}" if place is not None else ""
            found = f"{toml(text)} ({why}{at})"
            refuse([Mistake((), found, "a regular expression", None)])
            return text
        wrong = [name for name in names if groups is not None and name not in groups]
        refuse([_wrong_group(name, groups or ()) for name in wrong])
        lacking = [name for name in needs if name not in names]
        refuse([
            Mistake((), toml(text), f"a group named {name}", f"Write (?P<{name}>...)", whole=True)
            for name in lacking
        ])  # fmt: skip
        return text

    return AfterValidator(check_pattern)


def zone_name(*others: str) -> AfterValidator:
    """A check that a text is an IANA time zone or one of `others`."""

    def check_zone(name: str) -> str:
        if name not in others and not _is_zone(name):
            words = "".join(f"'{other}', " for other in others)
            expected = f"{words}{'or ' if words else ''}an IANA time zone such as 'Europe/Lisbon'"
            guess = nearest(name, others) or _nearest_zone(name)
            refuse([Mistake((), toml(name), expected, guess and f'"{guess}"')])
        return name

    return AfterValidator(check_zone)


def once(names: Sequence[str], table: str, key: str | None) -> list[Mistake]:
    """A mistake for each of these names that stood before: item `n` of `table`, its `key`."""
    return [
        Mistake(
            (table, place, key) if key else (table, place), f"{toml(name)} a second time",
            f"every {key or 'name'} once", "Rename or remove one", whole=True,
        )
        for place, name in enumerate(names)
        if name in names[:place]
    ]  # fmt: skip


def check(
    model: type[M], text: str, file: str, error: type[SettingsError], more: Mapping[str, Any]
) -> M:
    """TOML text as a model.

    Args:
        model: What the text must be.
        text: The file's text; a byte-order mark at its start is skipped.
        file: Its name for messages.
        error: What to raise.
        more: Keys to add that do not stand in the file.

    Raises:
        SettingsError: Of the class `error`, with one line for each mistake.
    """
    try:
        raw = tomllib.loads(text.removeprefix("\ufeff"))
    except tomllib.TOMLDecodeError as problem:
        raise syntax_error(problem, text, file, error) from None
    try:
        return model.model_validate({**raw, **more}, by_alias=True, by_name=False)
    except ValidationError as problem:
        raise told(problem, model, raw, file, error) from None


def read_text(path: Path, error: type[SettingsError]) -> str:
    """A settings file's text, UTF-8 with or without byte-order mark.

    Raises:
        SettingsError: Of the class `error`: there is no such file, or it is not such text.
    """
    try:
        content = path.read_bytes()
    except OSError as problem:
        why = problem.strerror or type(problem).__name__
        raise error(str(path), f"a file that cannot be read ({why})", "a TOML file",
                    "Check the path and who may read it") from None  # fmt: skip
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        line = content.count(b"\n", 0, problem.start) + 1
        raise error(f"{path}: line {line}", f"the byte 0x{content[problem.start]:02x}",
                    "text in UTF-8", "Save the file as UTF-8") from None  # fmt: skip


def _wrong_group(name: str, groups: Sequence[str]) -> Mistake:
    guess = nearest(name, groups)
    fix = f"Write (?P<{guess}>...)" if guess else "Write (?:...) for a group without a name"
    return Mistake((), f"a group named {name}", ", ".join(groups), fix, whole=True)


def _is_zone(name: str) -> bool:
    try:
        ZoneInfo(name)
    except (ValueError, OSError, KeyError):
        return False
    return True


def _nearest_zone(name: str) -> str | None:
    """The zone that looks most like this, or whose place does."""
    zones = sorted(available_timezones())
    places = {zone.rpartition("/")[2]: zone for zone in zones}
    return nearest(name, zones) or places.get(nearest(name, places) or "")
