"""The store's tables through `loganalyzer.views`, kept until the store changes."""

import threading
from collections import OrderedDict
from collections.abc import Callable, Iterable
from concurrent.futures import Future
from dataclasses import dataclass
from functools import cached_property

import pandas as pd

from dashboards.access.rights import Rights, owner
from dashboards.access.seen import Seen
from loganalyzer.answers import Period, answer
from loganalyzer.store import Store
from loganalyzer.views import Analysis, Summary, headline, summary
from loganalyzer.views.lanes import Lanes, lanes

KEPT = 8  # analyses held at a time; a building-year takes some 100 MB
Key = tuple[str, str, str | None, Period]  # what names the state of the site's log, and the choice


@dataclass(frozen=True)
class Worked:
    """What is worked out once for a choice: the analysis, and on demand what it says in words."""

    analysis: Analysis

    @cached_property
    def headline(self) -> pd.DataFrame:
        """As `views.headline`."""
        return headline(self.analysis)

    @cached_property
    def told(self) -> Summary:
        """As `views.summary`; it asks for tables that not every page needs."""
        return summary(self.analysis)

    @cached_property
    def lanes(self) -> Lanes:
        """As `views.lanes.lanes`."""
        return lanes(self.analysis)

    @cached_property
    def replays(self) -> dict[float, pd.DataFrame]:
        """What another clearing time would do, by that time, as far as it was asked."""
        return {}


class Data:
    """Answers the pages' questions; safe to share between the threads of the server.

    Attributes:
        store: The store as the one who asks may see it; a method that takes a site and hands out
            what is kept asks it first.
        rights: What the one who asks may do.
    """

    def __init__(self, store: Store, rights: Callable[[], Rights] = owner) -> None:
        self.whole, self.rights = store, rights
        self.store = Seen(store, rights)
        self._lock = threading.Lock()
        self._kept: OrderedDict[Key, Future[Worked]] = OrderedDict()

    def worked(self, site: str, chute: str | None, period: Period) -> Worked:
        """Everything about a site or one of its chutes, worked out once for each store state.

        Who asks for what another thread is working out waits for it; others do not.

        Raises:
            AnalyzerError: As `loganalyzer.answers.answer`.
        """
        key = (self.store.check(site), site, chute, period)
        promised, mine = self._promise(key)
        if mine:
            try:
                analysis = answer(self.whole, site, chute, period)
                promised.set_result(Worked(analysis))
            except BaseException as error:
                self._forget(key)  # an error is told to those who wait and is not kept
                promised.set_exception(error)
        return promised.result()

    def imports(self, site: str) -> pd.DataFrame:
        """The ledger of a site's exports."""
        return self.store.imports(site)

    def lines(self, site: str, evidence: Iterable[str]) -> list[tuple[str, int, str]]:
        """The original lines of `source:line` references: (export name, line number, text)."""
        wanted: dict[str, list[int]] = {}
        for reference in evidence:
            source, line = reference.rsplit(":", 1)
            wanted.setdefault(source, []).append(int(line))
        imports = self.store.imports(site)
        names = dict(zip(imports["source"], imports["name"], strict=True))
        return [
            (str(names.get(source, source)), number, text)
            for source, numbers in wanted.items()
            for number, text in sorted(self.store.lines(source, numbers).items())
        ]

    def _promise(self, key: Key) -> tuple[Future[Worked], bool]:
        """What is kept or promised under a key, and whether the caller has to work it out."""
        with self._lock:
            for old in [old for old in self._kept if old[1] == key[1] and old[0] != key[0]]:
                del self._kept[old]
            mine = key not in self._kept
            promised = self._kept.setdefault(key, Future())
            self._kept.move_to_end(key)
            while len(self._kept) > KEPT:
                self._kept.popitem(last=False)
            return promised, mine

    def _forget(self, key: Key) -> None:
        with self._lock:
            self._kept.pop(key, None)
