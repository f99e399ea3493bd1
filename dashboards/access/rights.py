"""What the one who asks may see: every look into the store goes through this."""

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass

from flask import g, has_request_context


@dataclass(frozen=True)
class Rights:
    """What somebody may do.

    Attributes:
        name: Of the account; null where there is no sign-in.
        sites: Ids of the sites that may be seen; null: all.
        upload: Whether exports may be taken in at those sites.
        signs_out: Whether there is a page of one's own account; a proxy has its own.
    """

    name: str | None
    sites: frozenset[str] | None
    upload: bool
    signs_out: bool = False

    def may_see(self, site: str) -> bool:
        """Whether a site, of whose existence nothing is said, may be seen."""
        return self.sites is None or site in self.sites

    def may_upload(self, site: str) -> bool:
        """Whether exports of a site may be taken in."""
        return self.upload and self.may_see(site)


OWNER = Rights(None, None, upload=True)  # who sits at the machine, where there is no sign-in
NOBODY = Rights(None, frozenset(), upload=False)


def owner() -> Rights:
    """Everything: for a dashboard that only this machine can reach."""
    return OWNER


_ACTING: ContextVar[Rights | None] = ContextVar("acting", default=None)


@contextmanager
def acting(rights: Rights) -> Iterator[None]:
    """Do something later on behalf of who asked for it, with no more rights than they had."""
    token = _ACTING.set(rights)
    try:
        yield
    finally:
        _ACTING.reset(token)


def asking() -> Rights:
    """The rights of who sent the request that is being answered; outside of one, none."""
    acting_for = _ACTING.get()
    if acting_for is not None:
        return acting_for
    found = g.get("rights", NOBODY) if has_request_context() else NOBODY
    return found if isinstance(found, Rights) else NOBODY
