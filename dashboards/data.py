"""The store's tables through `loganalyzer.views`, kept until the store changes."""

import threading
from collections import OrderedDict
from collections.abc import Iterable

import pandas as pd

from loganalyzer.answers import Period, answer
from loganalyzer.store import Store
from loganalyzer.views import Analysis

KEPT = 8  # analyses held at a time; a building-year takes some 100 MB


class Data:
    """Answers the pages' questions; safe to share between the threads of the server."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self._lock = threading.Lock()
        self._kept: OrderedDict[tuple[object, ...], Analysis] = OrderedDict()

    def analysis(self, site: str, chute: str | None, period: Period) -> Analysis:
        """Everything about a site or one of its chutes, worked out once for each store state.

        Raises:
            AnalyzerError: As `loganalyzer.answers.answer`.
        """
        key = (self.store.generation, site, chute, period)
        with self._lock:  # one at a time: two would do the same work twice
            if key not in self._kept:
                self._drop_older_than(key[0])
                self._kept[key] = answer(self.store, site, chute, period)
                while len(self._kept) > KEPT:
                    self._kept.popitem(last=False)
            self._kept.move_to_end(key)
            return self._kept[key]

    def imports(self, site: str) -> pd.DataFrame:
        """The ledger of a site's exports."""
        return self.store.imports(site)

    def lines(self, evidence: Iterable[str]) -> list[tuple[str, int, str]]:
        """The original lines of `source:line` references: (export name, line number, text)."""
        wanted: dict[str, list[int]] = {}
        for reference in evidence:
            source, line = reference.rsplit(":", 1)
            wanted.setdefault(source, []).append(int(line))
        names = dict(self.store.imports()[["source", "name"]].itertuples(index=False))
        return [
            (names.get(source, source), number, text)
            for source, numbers in wanted.items()
            for number, text in sorted(self.store.lines(source, numbers).items())
        ]

    def _drop_older_than(self, generation: object) -> None:
        for key in [key for key in self._kept if key[0] != generation]:
            del self._kept[key]
