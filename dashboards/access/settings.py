"""How a dashboard is reached, and by whom."""

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class Access:
    """Who is let in.

    Attributes:
        accounts: The file of accounts; null: no sign-in, and only this machine may ask.
        header: The header in which a trusted proxy names the account; null: by password.
        proxies: Addresses of proxies whose word is taken: for the header, and for the address
            that they ask for.
        https: Whether browsers come by https, which a proxy before the dashboard speaks.
    """

    accounts: Path | None = None
    header: str | None = None
    proxies: frozenset[str] = frozenset()
    https: bool = False

    @property
    def cookie(self) -> str:
        """The name of the session's cookie; browsers give `__Host-` to no other host or path."""
        return "__Host-session" if self.https else "session"
