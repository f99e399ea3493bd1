"""A site file: one building or campus, its chutes, their limits, streams and floors."""

import re
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Annotated, Self

from dateutil.rrule import rrule, rrulestr
from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from loganalyzer.errors import SiteError
from loganalyzer.language import LANGUAGES
from loganalyzer.settings import (
    Count,
    Id,
    Number,
    Positive,
    PositiveCount,
    Settings,
    Word,
    check,
    filled,
    once,
    one_of,
    read_text,
    zone_name,
)
from loganalyzer.settings.alerts import Alert, Digest, Mail
from loganalyzer.settings.mistakes import Mistake, nearest, refuse, toml
from loganalyzer.tables import COMPONENTS

KINDS = ("refuse", "recycling", "organics", "linen", "other")
RULE_KEYS = (
    "FREQ", "INTERVAL", "BYDAY", "BYHOUR", "BYMINUTE", "BYSECOND", "BYMONTH", "BYMONTHDAY",
    "BYYEARDAY", "BYWEEKNO", "BYSETPOS", "WKST", "COUNT", "UNTIL",
)  # fmt: skip
# What dateutil raises at texts that are no rules; OSError at a TZID too long for a file's name.
UNREADABLE = (ValueError, TypeError, LookupError, AttributeError, ArithmeticError, OSError)
# A log of door use is about people at home: below this many units it tells of one home.
MIN_UNITS = 3
DTSTART = re.compile(r"DTSTART(;TZID=(?P<zone>[^:]+))?:(?P<time>\w+)\s*")
FREQUENCIES = ("YEARLY", "MONTHLY", "WEEKLY", "DAILY", "HOURLY", "MINUTELY", "SECONDLY")
Day = date  # a name of its own, since `Campaign` has a field `date`


def _rule(text: str) -> str:
    """Refuse a recurrence rule that dateutil cannot read, or that would never move on."""
    try:
        if re.search(r"INTERVAL=0*(;|$)", text, re.IGNORECASE):
            raise ValueError("INTERVAL must be above 0")
        recurrence(text, datetime(2001, 1, 1, tzinfo=UTC))
    except UNREADABLE as problem:
        found = f"{toml(text)} ({'no FREQ' if 'FREQ' not in text.upper() else problem})"
        expected = "an RFC 5545 rule such as 'FREQ=WEEKLY;BYDAY=TU,FR;BYHOUR=7'"
        refuse([Mistake((), found, expected, f'"{_mended(text)}"' if _mended(text) else None)])
    return text


def recurrence(rule: str, first: datetime) -> rrule:
    """A recurrence rule with a beginning: its own DTSTART line, or else `first`.

    Args:
        rule: RFC 5545; an UNTIL, like a DTSTART, without zone is in that of `first`.
        first: With a zone.

    Raises:
        ValueError: Or another of `UNREADABLE`: dateutil cannot read it.
    """
    own = DTSTART.search(rule)
    if own and own["zone"] is None and not own["time"].endswith("Z"):
        first = datetime.strptime(own["time"], "%Y%m%dT%H%M%S").replace(tzinfo=first.tzinfo)
        rule = rule.replace(own[0], "")
    try:
        parsed: rrule = rrulestr(rule, dtstart=first)  # type: ignore[assignment]  # one RRULE
    except ValueError:
        parsed = rrulestr(rule, dtstart=first.replace(tzinfo=None))  # type: ignore[assignment]
        until = parsed._until  # type: ignore[attr-defined]  # has no public name
        parsed = parsed.replace(dtstart=first, until=until and until.replace(tzinfo=first.tzinfo))
    if not isinstance(parsed, rrule):
        raise ValueError("more than one rule: no EXDATE, RDATE or second RRULE")
    return parsed


def _mended(rule: str) -> str | None:
    """The rule with each misspelt key and frequency replaced; None where that mends nothing."""
    parts = [part.partition("=")[::2] for part in rule.split(";")]
    keys = [(nearest(key, RULE_KEYS) or key, value) for key, value in parts]
    mended = ";".join(
        f"{key}={nearest(value, FREQUENCIES) or value if key == 'FREQ' else value}"
        for key, value in keys
    )
    try:
        rrulestr(mended)
    except UNREADABLE:
        return None
    return mended if mended != rule else None


class Limits(Settings):
    """What is set on a chute's controller; seconds, and the number of presses.

    `interruption_s` is the site's own: a door out of use for longer interrupts its units.

    Source of the defaults: common practice, no source; `interruption_s`: IEEE Std 1366, from
    memory, counts interruptions of more than 5 minutes.
    """

    press_limit: PositiveCount = 4
    press_window_s: Positive = 90
    quiet_s: Positive = 90
    open_limit_s: Positive = 45
    positioning_limit_s: Positive = 15
    clearing_s: Positive = 12
    interruption_s: Positive = 300


class Stream(Settings):
    """A material a user can select: `container_l` in litres, `pickup` an RFC 5545 rule.

    Streams of one chute that name the same `container` share it. `full_at` is the share of
    `container_l` at which its sensor tells it full; without it, levels tell, else all of it.
    """

    id: Word = Field(description="the id used in events", examples=["recycling"])
    kind: Annotated[str, one_of(KINDS, "a kind of material")] = Field(
        description=", ".join(KINDS), examples=["recycling"]
    )
    container_l: Positive | None = Field(default=None, examples=[1100])
    density_kg_m3: Positive | None = Field(default=None, examples=[60])
    pickup: Annotated[str, AfterValidator(_rule)] | None = None
    container: Word | None = Field(default=None, examples=["bin-1"])
    full_at: Annotated[float, Field(strict=True, gt=0, le=1)] | None = None


class Floor(Settings):
    """An intake door: `elevation_m` of its sill above the sorter inlet, `units` served."""

    label: Word = Field(description="the floor as people say it", examples=["7"])
    elevation_m: Number | None = Field(default=None, examples=[21.0])
    units: PositiveCount | None = Field(default=None, examples=[8])


class Chute(Settings):
    """One gravity chute with its own controller; `profile` tells how that writes its export."""

    id: Id = Field(description="letters, digits, '-' and '_'", examples=["A"])
    profile: Word = Field(
        description="a profile that ships, or the path of a profile file beside this file",
        examples=["semicolon-text"],
    )
    limits: Limits = Limits()
    streams: tuple[Stream, ...] = Field(default=(), validation_alias="stream")
    floors: tuple[Floor, ...] = Field(default=(), validation_alias="floor")

    @model_validator(mode="after")
    def _names_once(self) -> Self:
        streams = once([stream.id for stream in self.streams], "stream", "id")
        refuse(streams + once([floor.label for floor in self.floors], "floor", "label"))
        return self

    @model_validator(mode="after")
    def _containers_agree(self) -> Self:
        """Streams that share a container say the same of it, or leave it to one of them."""
        said: dict[tuple[str, str], tuple[str, object]] = {}
        wrong = []
        for place, stream in enumerate(self.streams):
            for key in ("container_l", "full_at", "pickup"):
                value = getattr(stream, key)
                if value is None:
                    continue
                bin = stream.container or stream.id
                first, other = said.setdefault((bin, key), (stream.id, value))
                if other != value:
                    expected = f'{toml(other)} as stream "{first}" of the same container'
                    wrong.append(
                        Mistake(("stream", place, key), toml(value), expected, toml(other))
                    )
        refuse(wrong)
        return self


def _day(value: object) -> object:
    """Refuse what is no calendar day; a day may stand with or without quotes."""
    if isinstance(value, str):
        try:
            return date.fromisoformat(value)
        except ValueError:
            pass
    if isinstance(value, date) and not isinstance(value, datetime):
        return value
    refuse([Mistake((), toml(value), "a day such as 2026-03-01", "2026-03-01")])
    return value


class Campaign(Settings):
    """Something done to change how people sort: from `date` on, at `floors` (none: at all)."""

    date: Annotated[Day, BeforeValidator(_day)] = Field(description="the day it began")
    floors: tuple[Word, ...] = ()
    note: str = ""


class Work(Settings):
    """A repair on `date`: at `floor` and on `component` (none: at all), of `chute` (none: each)."""

    date: Annotated[Day, BeforeValidator(_day)] = Field(description="the day it was done")
    chute: Id | None = None
    floor: Word | None = None
    component: Annotated[str, one_of(COMPONENTS, "a part")] | None = None
    note: str = ""


class Done(Settings):
    """What was done at a site, apart from its file."""

    campaigns: tuple[Campaign, ...] = Field(default=(), validation_alias="campaign")
    work: tuple[Work, ...] = ()


class _Head(Settings):
    id: Id = Field(description="letters, digits, '-' and '_'", examples=["quay-terrace"])
    name: Word = Field(description="the site's name", examples=["Quay Terrace"])
    time_zone: Annotated[str, zone_name()] = Field(
        description="an IANA time zone", examples=["Europe/Lisbon"]
    )
    min_units: Count = MIN_UNITS
    language: Annotated[str, one_of(LANGUAGES, "a language")] = LANGUAGES[0]


class _SiteFile(Settings):
    site: _Head = Field(description="a table [site] with id, name and time_zone")
    chutes: Annotated[tuple[Chute, ...], filled("a table [[chute]] for each chute")] = Field(
        validation_alias="chute", description="a table [[chute]] for each chute"
    )
    campaigns: tuple[Campaign, ...] = Field(default=(), validation_alias="campaign")
    work: tuple[Work, ...] = ()
    mail: Mail | None = None
    alerts: tuple[Alert, ...] = Field(default=(), validation_alias="alert")
    digests: tuple[Digest, ...] = Field(default=(), validation_alias="digest")

    @model_validator(mode="after")
    def _names_once(self) -> Self:
        refuse(once([chute.id for chute in self.chutes], "chute", "id"))
        return self

    @model_validator(mode="after")
    def _work_places(self) -> Self:
        chutes = {chute.id: [floor.label for floor in chute.floors] for chute in self.chutes}
        every = list(dict.fromkeys(label for labels in chutes.values() for label in labels))
        wrong = []
        for place, work in enumerate(self.work):
            known = chutes.get(work.chute or "", every)
            for key, name, allowed in (
                ("chute", work.chute, list(chutes)), ("floor", work.floor, known),
            ):  # fmt: skip
                if name is not None and allowed and name not in allowed:
                    fix = f'"{nearest(name, allowed) or allowed[0]}"'
                    wrong.append(Mistake(("work", place, key), toml(name), ", ".join(allowed), fix))
        refuse(wrong)
        return self

    @model_validator(mode="after")
    def _alert_places(self) -> Self:
        chutes = [chute.id for chute in self.chutes]
        floors = list(dict.fromkeys(f.label for chute in self.chutes for f in chute.floors))
        refuse([
            Mistake(("alert", place, key), toml(name), ", ".join(allowed),
                    f'["{nearest(name, allowed) or allowed[0]}"]')
            for place, alert in enumerate(self.alerts)
            for key, names, allowed in (
                ("chutes", alert.chutes, chutes), ("floors", alert.floors, floors),
            )
            for name in names
            if allowed and name not in allowed
        ])  # fmt: skip
        if self.mail is None:
            told = [(("alert", place, "to"), one.to) for place, one in enumerate(self.alerts)]
            told += [(("digest", place, "to"), one.to) for place, one in enumerate(self.digests)]
            refuse([
                Mistake(where, toml(to), "a table [mail] with host and from, since it is an e-mail "
                        "address", None)
                for where, to in told
                if "://" not in to
            ])  # fmt: skip
        return self

    @model_validator(mode="after")
    def _campaign_floors(self) -> Self:
        labels = [floor.label for chute in self.chutes for floor in chute.floors]
        known = list(dict.fromkeys(labels))
        refuse([
            Mistake(("campaign", place, "floors"), toml(label), f"floors: {', '.join(known)}",
                    f'["{nearest(label, known) or known[0]}"]')
            for place, campaign in enumerate(self.campaigns)
            for label in campaign.floors
            if known and label not in known
        ])  # fmt: skip
        return self


@dataclass(frozen=True)
class Site:
    """One building or campus with one time zone (`time_zone`, an IANA name).

    `text` is the file it came from, word for word, and `file` that file's path. Floors of fewer
    than `min_units` units are hidden from managers' views; 0 hides none. `language` is the one
    that reports and the dashboard speak.
    `mail`, `alerts` and `digests` say who is told what, and how.
    """

    id: str
    name: str
    time_zone: str
    chutes: tuple[Chute, ...]
    text: str = ""
    file: str = ""
    min_units: int = MIN_UNITS
    campaigns: tuple[Campaign, ...] = ()
    work: tuple[Work, ...] = ()
    language: str = LANGUAGES[0]
    mail: Mail | None = None
    alerts: tuple[Alert, ...] = ()
    digests: tuple[Digest, ...] = ()

    def chute(self, id: str) -> Chute:
        """The chute of that id.

        Raises:
            SiteError: There is none.
        """
        for chute in self.chutes:
            if chute.id == id:
                return chute
        known = [chute.id for chute in self.chutes]
        fix = f"Write {nearest(id, known) or known[0]}"
        raise SiteError(self.file or self.id, f"no chute '{id}'", ", ".join(known), fix)

    def with_done(self, done: Done) -> "Site":
        """The site with what was done too; what stands in both counts once."""
        work = (*self.work, *(one for one in done.work if one not in self.work))
        mine = self.campaigns
        campaigns = (*mine, *(one for one in done.campaigns if one not in mine))
        return replace(self, work=work, campaigns=campaigns)


def load_site(path: Path) -> Site:
    """Read a site file.

    Raises:
        SiteError: It cannot be read or is wrong; one line for each mistake.
    """
    return parse_site(read_text(path, SiteError), str(path))


def parse_site(text: str, file: str) -> Site:
    """A site file's text as a site; `file` is its name in messages.

    Raises:
        SiteError: The text is wrong; one line for each mistake.
    """
    checked = check(_SiteFile, text, file, SiteError, {})
    head = checked.site
    return Site(
        head.id, head.name, head.time_zone, checked.chutes, text, file, min_units=head.min_units,
        campaigns=checked.campaigns, work=checked.work, language=head.language,
        mail=checked.mail, alerts=checked.alerts, digests=checked.digests,
    )  # fmt: skip


def parse_done(text: str, file: str) -> Done:
    """The tables [[work]] and [[campaign]] alone; `file` is their name in messages.

    Raises:
        SiteError: The text is wrong; one line for each mistake.
    """
    return check(Done, text, file, SiteError, {})
