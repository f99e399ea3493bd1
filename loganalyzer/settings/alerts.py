"""Who is told what: the tables [mail], [[alert]] and [[digest]] of a site file.

No password stands here, since a store keeps the text of site files: the environment has it.
"""

import re
from datetime import time
from typing import Annotated, Self
from urllib.parse import urlsplit

from pydantic import BeforeValidator, Field, model_validator

from loganalyzer.settings import Count, Positive, PositiveCount, Settings, Word, one_of
from loganalyzer.settings.mistakes import Mistake, refuse, toml
from loganalyzer.tables import AUDIENCES, INCIDENT_KINDS

SECURITY = ("starttls", "tls", "none")
WEEKDAYS = ("MO", "TU", "WE", "TH", "FR", "SA", "SU")
# A part, "@", and a domain: enough to catch a slip; the mail server knows the rest.
ADDRESS = re.compile(r"[^@\s,;<>]+@[^@\s,;<>]+\.[^@\s,;<>.]+|[^@\s,;<>]+@localhost")
# Only on this machine may a message about people's doors go unencrypted.
NEAR = ("localhost", "127.0.0.1", "::1")
QUIET = re.compile(r"(\d\d):(\d\d)-(\d\d):(\d\d)")


def _receiver(value: object) -> object:
    """Refuse what is neither an e-mail address nor a web address."""
    if isinstance(value, str):
        parts = urlsplit(value)
        near = parts.scheme == "http" and parts.hostname in NEAR
        if ADDRESS.fullmatch(value) or (parts.hostname and (parts.scheme == "https" or near)):
            return value
    refuse([Mistake((), toml(value), "an e-mail address or an https:// address",
                    '"manager@example.org"')])  # fmt: skip
    return value


def _hours(value: object) -> object:
    """A span of the day as two times; it may reach over midnight."""
    found = QUIET.fullmatch(value) if isinstance(value, str) else None
    if found:
        numbers = [int(part) for part in found.groups()]
        if numbers[0] < 24 and numbers[2] < 24 and numbers[1] < 60 and numbers[3] < 60:
            return (time(numbers[0], numbers[1]), time(numbers[2], numbers[3]))
    refuse([Mistake((), toml(value), "a span of the day such as 22:00-07:00", '"22:00-07:00"')])
    return value


Receiver = Annotated[str, BeforeValidator(_receiver)]
Hours = Annotated[tuple[time, time], BeforeValidator(_hours)]


class Mail(Settings):
    """The server that takes e-mail: `user` signs in with the password of the environment.

    `security`: `starttls` (the line is encrypted after a greeting), `tls` (from its start), or
    `none`, which is refused with a `user`.
    """

    host: Word = Field(description="the mail server", examples=["mail.example.org"])
    port: PositiveCount = 587
    sender: Receiver = Field(validation_alias="from", description="who the messages come from",
                             examples=["chutes@example.org"])  # fmt: skip
    security: Annotated[str, one_of(SECURITY, "a way to secure the line")] = "starttls"
    user: str | None = None
    timeout_s: Positive = 20

    @model_validator(mode="after")
    def _no_open_password(self) -> Self:
        if self.user and self.security == "none":
            refuse([Mistake(("security",), '"none" with a user', "starttls or tls: a password "
                            "is not sent in the open", '"starttls"')])  # fmt: skip
        return self


class Alert(Settings):
    """Who is told of which incidents; what is left out allows all.

    Attributes:
        to: An e-mail address, or a web address that takes JSON.
        kinds: Of incident.
        chutes: Ids, and `floors` their labels; with floors named, incidents of no floor are out.
        least_refused: Fewest refused presses that an incident must have cost.
        quiet: Spans of the day (site's time) in which messages wait.
    """

    to: Receiver = Field(description="an e-mail address or an https:// address",
                         examples=["manager@example.org"])  # fmt: skip
    kinds: tuple[Annotated[str, one_of(INCIDENT_KINDS, "a kind of incident")], ...] = ()
    chutes: tuple[Word, ...] = ()
    floors: tuple[Word, ...] = ()
    least_refused: Count = 0
    quiet: tuple[Hours, ...] = ()


class Digest(Settings):
    """Who is told, once a week, what the last seven days brought for one kind of reader."""

    to: Receiver = Field(description="an e-mail address or an https:// address",
                         examples=["manager@example.org"])  # fmt: skip
    reader: Annotated[str, one_of(AUDIENCES, "a reader")] = Field(
        validation_alias="for", description="manager, technician or coordinator",
        examples=["manager"],
    )  # fmt: skip
    day: Annotated[str, one_of(WEEKDAYS, "a day of the week")] = "MO"
    hour: Annotated[int, Field(strict=True, ge=0, le=23)] = 7
