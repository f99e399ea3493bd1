"""The store's tables through `loganalyzer.views`, kept until the store changes."""

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable, Iterable
from concurrent.futures import Future, wait
from contextlib import suppress
from dataclasses import dataclass, field
from functools import cached_property

import pandas as pd

from dashboards.access.rights import Rights, owner
from dashboards.access.seen import Seen
from loganalyzer.answers import Period, answer
from loganalyzer.store import Store
from loganalyzer.views import Analysis, Summary, headline, summary
from loganalyzer.views.lanes import Lanes, lanes

KEPT_ROWS, KEPT = 1_500_000, 64  # of all analyses held; a row takes some 400 bytes with its tables
PAGES_KEPT = 24  # finished pages of an analysis
PATIENCE_S = 0.3  # how long somebody waits for what is new, where there is what was before
Choice = tuple[str, str | None, Period]  # site, chute, period
Draw = Callable[["Worked"], bytes]


@dataclass(frozen=True)
class Worked:
    """What is worked out once for a choice: the analysis, and on demand what it says in words.

    Attributes:
        analysis: Every table.
        generation: Of the store, when it was begun.
    """

    analysis: Analysis
    generation: int = 0

    def page(self, key: Hashable, draw: Draw) -> bytes:
        """A finished page, as it is sent; made once, and who asks meanwhile waits for it.

        Args:
            key: What it depends on, besides the analysis.
            draw: Makes it; called again with what is worked out after this.
        """
        mine: Future[bytes] = Future()
        promised = self.pages.setdefault(key, (draw, mine))[1]
        if promised is mine:
            try:
                mine.set_result(draw(self))
            except BaseException as error:
                self.pages.pop(key, None)  # told to those who wait, and tried again
                mine.set_exception(error)
            for old in list(self.pages)[:-PAGES_KEPT]:
                self.pages.pop(old, None)
        return promised.result()

    @cached_property
    def pages(self) -> dict[Hashable, tuple[Draw, Future[bytes]]]:
        """What was asked for of it, finished or promised."""
        return {}

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


@dataclass
class Kept:
    """An analysis that is there, or promised, and the one before it for as long.

    Attributes:
        state: What names the state of the site's log.
        before: Of an earlier state.
        promised: The analysis.
    """

    state: str
    before: Worked | None
    promised: Future[Worked] = field(default_factory=Future)

    @property
    def rows(self) -> int:
        """How much it holds."""
        done = self.promised.done() and self.promised.exception() is None
        held = [self.before, self.promised.result() if done else None]
        return sum(len(one.analysis.timeline) for one in held if one is not None)


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
        self._work = threading.BoundedSemaphore(2)  # more at once would only slow each other down
        self._kept: OrderedDict[Choice, Kept] = OrderedDict()

    def worked(
        self, site: str, chute: str | None, period: Period, *, fresh: bool = False
    ) -> Worked:
        """Everything about a site or one of its chutes, worked out once for each store state.

        Who asks for what another thread is working out waits for it; others do not. When the
        site's log changed, what was worked out before is handed out for as long as the new takes;
        its `generation` says so.

        Args:
            site: Its id.
            chute: One of its chutes, null for all.
            period: As `loganalyzer.answers.answer` takes it.
            fresh: Wait for what is new.

        Raises:
            AnalyzerError: As `loganalyzer.answers.answer`.
        """
        while True:
            state, choice = self.store.check(site), (site, chute, period)
            kept, mine = self._promise(state, choice)
            if mine and kept.before is not None:
                threading.Thread(target=self._fulfil, args=(kept, choice), daemon=True).start()
            elif mine:
                self._fulfil(kept, choice)
            if kept.before is not None and not fresh:
                wait([kept.promised], PATIENCE_S)
            before = kept.before  # gone once the promise is kept
            if before is not None and not fresh and not kept.promised.done():
                return before
            found = kept.promised.result()
            if not fresh or kept.state == state:
                return found

    def imports(self, site: str) -> pd.DataFrame:
        """The ledger of a site's exports."""
        return self.store.imports(site)

    def lines(self, site: str, evidence: Iterable[str]) -> list[tuple[str, int, str]]:
        """The original lines of `source:line` references: (export name, line number, text)."""
        return self.lines_of(site, [evidence])[0]

    def lines_of(
        self, site: str, groups: Iterable[Iterable[str]]
    ) -> list[list[tuple[str, int, str]]]:
        """The same for several groups of references; each export is read once for all of them."""
        asked = [[_split(reference) for reference in group] for group in groups]
        wanted: dict[str, set[int]] = {}
        for source, line in (one for group in asked for one in group):
            wanted.setdefault(source, set()).add(line)
        imports = self.store.imports(site)
        names = dict(zip(imports["source"], imports["name"], strict=True))
        texts = {source: self.store.lines(source, sorted(wanted[source])) for source in wanted}
        return [
            [
                (str(names.get(source, source)), line, texts[source][line])
                for source in dict.fromkeys(source for source, _ in group)
                for line in sorted({line for own, line in group if own == source})
                if line in texts[source]
            ]
            for group in asked
        ]

    def _promise(self, state: str, choice: Choice) -> tuple[Kept, bool]:
        """What is kept or promised of a choice, and whether the caller has to work it out.

        While something is worked out, nothing newer is begun: who wants that asks again.
        """
        with self._lock:
            kept = self._kept.get(choice)
            if kept is not None and (kept.state == state or not kept.promised.done()):
                self._kept.move_to_end(choice)
                return kept, False
            before = kept.promised.result() if kept is not None else None
            self._kept[choice] = kept = Kept(state, before)
            self._kept.move_to_end(choice)
            self._make_room()
            return kept, True

    def _fulfil(self, kept: Kept, choice: Choice) -> None:
        """Work out what is promised, and the pages that people looked at before."""
        try:
            with self._work:
                generation = self.whole.generation
                worked = Worked(answer(self.whole, *choice), generation)
                for key, (draw, _) in list((kept.before or worked).pages.items()):
                    with suppress(Exception):  # whoever asks for the page is told what is wrong
                        worked.page(key, draw)
            kept.promised.set_result(worked)
        except BaseException as error:
            with self._lock:  # an error is told to those who wait and is not kept
                self._kept.pop(choice, None)
            kept.promised.set_exception(error)
        kept.before = None

    def _make_room(self) -> None:
        """Forget what was asked for longest ago."""
        rows = [kept.rows for kept in self._kept.values()]
        while len(rows) > 1 and (sum(rows) > KEPT_ROWS or len(rows) > KEPT):
            self._kept.popitem(last=False)
            del rows[0]


def _split(reference: str) -> tuple[str, int]:
    source, line = reference.rsplit(":", 1)
    return source, int(line)
