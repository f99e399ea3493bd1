"""A store as the one who asks may see it: the sites of others are not there at all.

Every look into the store begins with its root file; here the sites that may not be seen are left
out of it. So whatever is asked, by whatever page, a site of others answers as one that does not
exist.
"""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NoReturn

from dashboards.access.rights import Rights
from loganalyzer.site import Site
from loganalyzer.store import Store


class Seen(Store):
    """A store to look into; nothing is written through it."""

    def __init__(self, store: Store, rights: Callable[[], Rights]) -> None:
        super().__init__(store.path)
        self._rights = rights
        self._sites: dict[str, tuple[str, Site]] = {}

    def root(self) -> dict[str, Any]:
        """The root file's values, with the sites that may be seen."""
        found = super().root()
        may_see = self._rights().may_see
        return found | {"sites": {s: file for s, file in found["sites"].items() if may_see(s)}}

    def site(self, site: str) -> Site:
        """A site, as its file stood at the last import; read once, a page asks often."""
        state = self.check(site)
        kept = self._sites.get(site)
        if kept is None or kept[0] != state:
            kept = self._sites[site] = state, super().site(site)
        return kept[1]

    def check(self, site: str) -> str:
        """What names the present state of a site's log: another one whenever that changes.

        Raises:
            UsageError: There is no such site, or none that may be seen.
        """
        named = self.root()["sites"].get(site)
        if named is None:
            self.reading(lambda state: state.of(site))  # says that there is none
        return str(named)

    @contextmanager
    def incoming(self) -> Iterator[Path]:
        """Not here."""
        self._refuse()
        yield self.path

    @contextmanager
    def writing(self, tell: Callable[[str], None] = lambda line: None) -> Iterator[Any]:
        """Not here."""
        self._refuse()
        yield None

    def _refuse(self) -> NoReturn:
        raise PermissionError("a store as somebody may see it is not written")
