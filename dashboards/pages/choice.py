"""What the address says: a chute or all, a period or the whole log, and what a page lets choose."""

from collections.abc import Sequence
from dataclasses import astuple, dataclass, fields, replace
from datetime import datetime
from typing import Self
from urllib.parse import parse_qs, urlencode

from loganalyzer.sentences import listed

YEARS = range(1970, 2101)


@dataclass(frozen=True)
class Choice:
    """The part of an address behind '?'; `start` and `end` are dates or times, both counted in.

    `count` is what the week's map counts, `clearing` another clearing time in seconds, `suspect`
    the place of one in the list. Of the strip: `at` is when the stretch in view begins (UTC),
    `wide` how many seconds it is wide, `beside` when the one beside it begins. Of lists: `floor`
    (several with commas), `kind` of incident, `of` what is listed, `result` of visits or outcome
    of cycles, `hour` of the week, `day`, `stream`. `lang` is a language other than the site's.
    """

    chute: str | None = None
    start: str | None = None
    end: str | None = None
    incident: str | None = None
    count: str | None = None
    clearing: str | None = None
    suspect: str | None = None
    floor: str | None = None
    kind: str | None = None
    at: str | None = None
    wide: str | None = None
    beside: str | None = None
    of_what: str | None = None
    result: str | None = None
    hour: str | None = None
    day: str | None = None
    stream: str | None = None
    lang: str | None = None

    @classmethod
    def of(cls, search: str | None) -> Self:
        """Read it; what is not known is left out."""
        said = {key: values[-1] for key, values in parse_qs((search or "").lstrip("?")).items()}
        return cls(*(said.get(key) for key in _keys()))

    def search(self) -> str:
        """Write it; empty where nothing is chosen."""
        said = zip(_keys(), astuple(self), strict=True)
        query = urlencode({key: value for key, value in said if value})
        return f"?{query}" if query else ""

    def of_chute(self, chute: str | None) -> Self:
        """The same for another chute; an incident belongs to the one it was chosen in."""
        return replace(self, chute=chute or None, incident=None, suspect=None, floor=None)

    def of_period(self, start: str | None, end: str | None) -> Self:
        """The same for another period."""
        days = ((said or "").strip() or None for said in (start, end))
        return replace(
            self, **dict(zip(("start", "end"), days, strict=True)), incident=None, suspect=None
        )

    def of_page(self, by_floor: bool = False) -> Self:
        """What every page of a site understands: chute, period, language; floors only some."""
        floor = self.floor if by_floor else None
        return type(self)(self.chute, self.start, self.end, floor=floor, lang=self.lang)

    def of_list(self, what: str) -> Self:
        """The same for another list; how rows ended differs from list to list."""
        return replace(self, of_what=what, result=None)

    def floors(self) -> frozenset[str]:
        """The floors asked for; none where all are meant."""
        return frozenset(filter(None, (self.floor or "").split(",")))

    def trouble(self, chutes: Sequence[str]) -> str | None:
        """What is wrong with it, as a sentence; None where nothing is."""
        if self.chute is not None and self.chute not in chutes:
            return f"The address asks for chute '{self.chute}'; this site has {listed(chutes)}."
        for moment in (self.start, self.end):
            if moment is not None and not _is_moment(moment):
                return f"The address asks for '{moment}'; a day is written as 2026-10-01."
        if self.start and self.end and self.start[:10] > self.end[:10]:
            return f"The period ends on {self.end}, before it begins on {self.start}."
        return None


def _keys() -> list[str]:
    """What each field is called in the address."""
    words = {"start": "from", "end": "to", "of_what": "of"}
    return [words.get(one.name, one.name) for one in fields(Choice)]


def _is_moment(text: str) -> bool:
    try:
        return datetime.fromisoformat(text).year in YEARS
    except ValueError:
        return False
