"""What site and profile files have in common: TOML in, one line for each mistake out.

A file is checked by pydantic models; what those say is turned into our four parts (where, found,
expected, fix), with the key path as a person reads it and the nearest word that is allowed.
"""

import re
import tomllib
from collections.abc import Iterator, Sequence
from difflib import get_close_matches
from pathlib import Path
from typing import Annotated, Any, NamedTuple, NoReturn, TypeVar

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, ValidationError
from pydantic_core import PydanticCustomError

from loganalyzer.errors import SettingsError, one_line

# Numbers are numbers: neither '90' nor true is one.
Positive = Annotated[float, Field(strict=True, gt=0, allow_inf_nan=False)]
Number = Annotated[float, Field(strict=True, allow_inf_nan=False)]
Count = Annotated[int, Field(strict=True, ge=0)]
PositiveCount = Annotated[int, Field(strict=True, gt=0)]
YesNo = Annotated[bool, Field(strict=True)]
Id = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9_-]+$")]
Word = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1)]


class Settings(BaseModel):
    """A table of a settings file: frozen, and every key it does not know is a mistake."""

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)


class Mistake(NamedTuple):
    """One mistake: its key path below the table that was checked, and three of the four parts."""

    path: tuple[str | int, ...]
    found: str
    expected: str
    fix: str


def refuse(mistakes: Sequence[Mistake]) -> None:
    """Inside a validator: make these mistakes errors of the table being checked, if any."""
    if mistakes:
        raise PydanticCustomError("mistakes", "see context", {"mistakes": list(mistakes)})


def nearest(word: str, allowed: Sequence[str]) -> str | None:
    """The allowed word that looks most like this one, letter case ignored; None if none does."""
    folded = {choice.casefold(): choice for choice in reversed(allowed)}
    close = get_close_matches(word.casefold(), folded, n=1, cutoff=0.5)
    return folded[close[0]] if close else None


M = TypeVar("M", bound=BaseModel)


def check(model: type[M], text: str, file: str, error: type[SettingsError], **more: str) -> M:
    """TOML text as a model.

    Args:
        model: What the text must be.
        text: The file's text; a byte-order mark at its start is skipped.
        file: Its name for messages.
        error: What to raise.
        more: Further keys that do not stand in the file.

    Raises:
        SettingsError: Of the class `error`, with one line for each mistake.
    """
    try:
        raw = tomllib.loads(text.removeprefix("\ufeff"))
    except tomllib.TOMLDecodeError as problem:
        raise error(file, str(problem), "TOML", "Mend it") from None
    try:
        return model.model_validate({**raw, **more}, by_alias=True, by_name=False)
    except ValidationError as problem:
        raise error(file, str(problem), "valid keys", "Mend it") from None


def read_text(path: Path, error: type[SettingsError]) -> str:
    """A settings file's text, UTF-8 with or without byte-order mark."""
    try:
        return path.read_bytes().decode("utf-8-sig")
    except (OSError, UnicodeDecodeError) as problem:
        raise error(str(path), str(problem), "a UTF-8 file", "Mend it") from None
