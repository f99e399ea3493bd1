"""Month names in English, German, French, Spanish and Portuguese → the English ones of strptime.

A name may be cut after its third letter or later, as long as it can mean one month only, and end
with a point. Names: Unicode CLDR (`format` and `stand-alone`, `wide` and `abbreviated`), all of
which tests/test_stamps.py compares.
"""

import calendar
import re
import unicodedata

WIDE = (
    "january januar janvier enero janeiro", "february februar fevrier febrero fevereiro",
    "march marz mars marzo marco mrz", "april avril abril", "may mai mayo maio",
    "june juni juin junio junho", "july juli juillet julio julho", "august aout agosto",
    "september septembre septiembre setembro", "october oktober octobre octubre outubro",
    "november novembre noviembre novembro", "december dezember decembre diciembre dezembro",
)  # fmt: skip
_WORD = re.compile(r"([^\W\d_]{3,})\.?")


def plain(text: str) -> str:
    """The text without accents and letter case."""
    apart = unicodedata.normalize("NFKD", text.casefold())
    return "".join(letter for letter in apart if not unicodedata.combining(letter))


def _cut() -> dict[str, int]:
    meant: dict[str, set[int]] = {}
    for number, names in enumerate(WIDE, 1):
        for name in names.split():
            for end in range(3, len(name) + 1):
                meant.setdefault(name[:end], set()).add(number)
    return {name: min(numbers) for name, numbers in meant.items() if len(numbers) == 1}


NUMBERS = _cut()


def in_english(text: str, wide: bool) -> str:
    """The text with every month's name as strptime knows it, in full or (%b) abbreviated."""
    names = calendar.month_name if wide else calendar.month_abbr

    def named(found: re.Match[str]) -> str:
        number = NUMBERS.get(plain(found[1]))
        return found[0] if number is None else names[number]

    return _WORD.sub(named, text)


def _shown() -> frozenset[str]:
    """The names as they are written, with accents and without, and what they are cut to."""
    accented = "märz février août décembre março mär févr déc aoû fév"
    return frozenset((*NUMBERS, *accented.split()))


SHOWN = _shown()
