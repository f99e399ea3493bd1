"""What every section of a page is made from: an analysis and how it was chosen."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import pandas as pd

from dashboards.data import Worked
from dashboards.pages.choice import Choice
from dashboards.spoken import language_of
from loganalyzer.language import phrase
from loganalyzer.sentences import alternatives, between, count, figure, lasting, listed
from loganalyzer.views import Analysis

KIND_NAMES = {
    "stuck_door": "stuck door", "container_full": "container full",
    "abuse_lockout": "abuse lockout", "sorter_fault": "sorter fault",
    "latch_fault": "latch fault", "interlock_breach": "interlock breach",
    "contact_chatter": "contact chatter", "common_cause": "common cause",
    "compactor_jam": "compactor jam", "power_loss": "power loss", "service": "service",
    "log_gap": "log gap", "other_fault": "other fault",
}  # fmt: skip
COMPONENT_NAMES = {
    "door": "door", "contact": "contact", "latch": "latch", "sorter": "sorter",
    "container": "container", "compactor": "compactor", "wiring": "wiring", "control": "control",
    "power": "power", "fire": "fire", "other": "other", "button": "button",
}  # fmt: skip
CODE_NAMES = {
    "busy": "busy", "full": "full", "service": "service", "lockout": "lockout", "fault": "fault",
}  # fmt: skip
WHO_NAMES = {
    "manager": "manager", "technician": "technician", "coordinator": "coordinator",
}  # fmt: skip
Row = Mapping[Any, Any]  # of a table, by column


@dataclass(frozen=True)
class View:
    """One site, one choice, worked out.

    Attributes:
        zone: The site's time zone.
        scheme: "light" or "dark".
    """

    worked: Worked
    choice: Choice
    zone: str
    scheme: str

    @property
    def analysis(self) -> Analysis:
        """Every table."""
        return self.worked.analysis

    @property
    def language(self) -> str:
        """What the page is told in."""
        (site,) = self.analysis.sites.values()
        return language_of(self.choice.lang, site.language)

    @property
    def headline(self) -> pd.DataFrame:
        """As `views.headline`."""
        return self.worked.headline

    @property
    def chutes(self) -> Sequence[str]:
        """The chutes that have log in the period."""
        return [str(chute) for chute in self.analysis.facts.recorded["chute"]]

    @property
    def ends(self) -> tuple[pd.Timestamp, pd.Timestamp]:
        """First and last time that can be trusted; null where there is none."""
        ends = self.analysis.facts.ends
        return ends["log_start"].min(), ends["log_end"].max()

    @property
    def scope(self) -> str:
        """Which chutes and which days the figures are about, in the site's time."""
        one, many = phrase("Chute {chutes}", chutes=listed(self.chutes)), "Chutes {chutes}"
        name = phrase(many, chutes=listed(self.chutes)) if len(self.chutes) > 1 else one
        first, last = self.ends
        if pd.isna(first):
            return phrase("{chutes}, no time that can be trusted", chutes=name)
        return phrase(
            "{chutes}, {first:%Y-%m-%d} to {last:%Y-%m-%d}, time of {zone}", chutes=name,
            first=first.tz_convert(self.zone), last=last.tz_convert(self.zone), zone=self.zone,
        )  # fmt: skip

    def door(self, page: str, **chosen: str | None) -> str:
        """The address of what is behind a number, chute and period kept.

        Args:
            page: Last part of the address of a page.
            chosen: Fields of `Choice` on it.
        """
        site = next(iter(self.analysis.sites))
        return f"/site/{site}/{page}{replace(self.choice.of_page(), **chosen).search()}"

    def behind(self, of_what: str, **chosen: str | None) -> str:
        """The address of the list of what a number counts; arguments as `door`."""
        return self.door("uses", of_what=of_what, **chosen)

    @property
    def about(self) -> str:
        """The same as a sentence."""
        return phrase("{scope}.", scope=self.scope)

    def caption(self, unit: str, n: str) -> str:
        """What stands under a figure: chutes, period, time zone, unit, how many."""
        return phrase("{scope}. {unit}. n = {n}.", scope=self.scope, unit=phrase(unit), n=phrase(n))


def whole(number: Any) -> str | None:
    """A count; None where it is not recorded."""
    return None if pd.isna(number) else count(float(number))


def duration(seconds: Any) -> str | None:
    """A length of time; None where it is not recorded."""
    return None if pd.isna(seconds) else lasting(float(seconds))


def tenths(number: Any) -> str | None:
    """A number with one decimal; None where it is not recorded."""
    return None if pd.isna(number) else phrase("{v:.1f}", v=float(number))


def kind(name: object) -> str:
    """A kind of incident as people say it."""
    return phrase(KIND_NAMES[str(name)])


def component(name: object) -> str:
    """A component as people say it."""
    return phrase(COMPONENT_NAMES.get(str(name), str(name)))


def coded(code: object) -> str:
    """A code of a refusal: one that every profile knows in words, any other as it is written."""
    said = word(code)
    return phrase(CODE_NAMES[said]) if said in CODE_NAMES else said


def text(value: object) -> str:
    """A text of ours out of a table, such as a reason; empty where there is none."""
    return phrase(value) if isinstance(value, str) else ""


def word(value: object) -> str:
    """A label; empty where there is none."""
    return str(value) if isinstance(value, str) else ""


def reasons(table: pd.DataFrame) -> str:
    """Why a column is null, each reason once."""
    found = [str(reason) for reason in table["reason"].dropna().unique() if reason]
    return alternatives([phrase(reason) for reason in found] or [phrase("the log does not tell")])


def percent(share: Any) -> str | None:
    """A share of 0 to 1 as people say it; None where it is not recorded."""
    return None if pd.isna(share) else phrase("{v} %", v=figure(100 * float(share)))


def with_limits(row: Row, name: str, low: str, high: str, scale: float = 1) -> str | None:
    """A figure and its 95 % interval; None where it is not known."""
    if pd.isna(row[name]):
        return None
    said = figure(scale * float(row[name]))
    if pd.isna(row[low]) or pd.isna(row[high]):
        return said
    return phrase("{v} {limits}", v=said, limits=between(scale * row[low], scale * row[high]))


def moment(time: Any) -> str | None:
    """A local time to the second; None where it is not known."""
    return None if pd.isna(time) else phrase("{t:%Y-%m-%d %H:%M:%S}", t=time)
