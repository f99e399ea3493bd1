"""What is said to people, in their language: English that knows how it was put together.

A phrase is a plain English string wherever nobody asks for more. It keeps its template and the
values in it, so that `say` can tell it in another language, with that language's dates and
decimals. The catalogues are text files, `locale/LANGUAGE.po`; what they lack is said in English.
"""

import gettext
import string
from collections.abc import Mapping
from datetime import date
from functools import cache
from importlib import resources
from io import BytesIO
from numbers import Number
from typing import Any, Self

LANGUAGES = ("en", "pt", "de")
# How a day is asked for in a template, and the CLDR skeleton that says it in a language.
DAYS = {"%Y-%m-%d": "yMMdd", "%m-%d": "MMdd", "%Y-%m": "yMMMM", "%A": "EEEE"}


class Phrase(str):
    """English text, its template and values; the noun of a count in both its forms.

    Attributes:
        template: As for `str.format`.
        values: What stands in it: numbers, times, labels, phrases.
        nouns: Singular and plural of what `n` counts, else None.
    """

    template: str
    values: Mapping[str, Any]
    nouns: tuple[str, str] | None

    def __new__(
        cls,
        template: str,
        values: Mapping[str, Any] | None = None,
        nouns: tuple[str, str] | None = None,
    ) -> Self:
        """Put it together in English."""
        held = dict(values or {})
        if nouns:
            held["noun"] = nouns[held["n"] != 1]
        made = super().__new__(cls, template.format(**held) if held else template)
        made.template, made.values, made.nouns = template, held, nouns
        return made

    def __format__(self, spec: str) -> str:
        """As a string; `C` begins it with a capital letter."""
        return _capital(str(self)) if spec == "C" else super().__format__(spec)

    def __getnewargs__(self) -> Any:
        """For copies: the parts, not the text that they make."""
        return (self.template, self.values, self.nouns)


def phrase(template: str, **values: Any) -> Phrase:
    """English text that can be told in another language; what is one already stays what it is.

    Args:
        template: As for `str.format`, without values as it stands. It is the message of the
            catalogues, so it holds no text that comes out of a log.
        values: Numbers, days and times follow the language, phrases are told in it, and any
            other text, such as a floor's label, stays as it is.
    """
    if isinstance(template, Phrase) and not values:
        return template
    return Phrase(template, values)


def counted(number: float, one: str, many: str) -> Phrase:
    """A count and its noun, both told in the language: 1 press, 23 presses."""
    return Phrase("{n:,} {noun}", {"n": number}, (one, many))


def say(text: str, language: str, **values: Any) -> str:
    """Tell a text in a language.

    Args:
        text: A phrase, or the message itself. Text that is neither stays as it is.
        language: One of `LANGUAGES`.
        values: What stands in a message that is no phrase yet.
    """
    told = text if isinstance(text, Phrase) else Phrase(text, values)
    if language == LANGUAGES[0] or not told:
        return str(told)
    held = dict(told.values)
    if told.nouns:
        held["noun"] = _catalogue(language).ngettext(*told.nouns, round(held["n"]))
    message = _catalogue(language).gettext(told.template)
    return _Telling(language).vformat(message, (), held) if held else message


@cache
def messages(language: str) -> frozenset[str]:
    """Every message that a language's catalogue has a text for, singular nouns among them."""
    return frozenset(
        message.id if isinstance(message.id, str) else message.id[0]
        for message in _read(language)
        if message.id and message.string
    )


class _Telling(string.Formatter):
    """Fills a template with values as a language writes them."""

    def __init__(self, language: str) -> None:
        self.language = language

    def format_field(self, value: Any, format_spec: str) -> Any:
        if isinstance(value, Phrase):
            said = say(value, self.language)
            return _capital(said) if format_spec == "C" else format(said, format_spec)
        if isinstance(value, date):
            return _time(value, format_spec, self.language)
        said = format(value, format_spec)
        return _digits(said, self.language) if isinstance(value, Number) else said


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _digits(english: str, language: str) -> str:
    """A number's separators as the language writes them."""
    from babel.numbers import get_decimal_symbol, get_group_symbol

    signs = {",": get_group_symbol(language), ".": get_decimal_symbol(language)}
    return "".join(signs.get(sign, sign) for sign in english)


def _time(value: date, spec: str, language: str) -> str:
    """A time by its template's `strftime` parts: the day as the language has it."""
    from babel.dates import format_skeleton

    parts = [
        format_skeleton(DAYS[part], value, locale=language) if part in DAYS else f"{value:{part}}"
        for part in (spec or "%Y-%m-%d").split(" ")
    ]
    return " ".join(parts)


@cache
def _catalogue(language: str) -> gettext.NullTranslations:
    """A language's catalogue, made ready when it is first asked for."""
    from babel.messages.mofile import write_mo

    ready = BytesIO()
    write_mo(ready, _read(language))
    ready.seek(0)
    return gettext.GNUTranslations(ready)


@cache
def _read(language: str) -> Any:
    """The catalogue as it stands in its file; babel's type has no stubs of ours."""
    from babel.messages.pofile import read_po

    text = resources.files("loganalyzer").joinpath("locale", f"{language}.po").read_bytes()
    return read_po(BytesIO(text), locale=language)
