"""The store's tables through `loganalyzer.views`, kept until the store changes.

What is kept: the log of a site or chute as it is now, the analyses cut out of it, the pages drawn
of those. An analysis works a table out when a page asks for it, so drawing is what takes time:
two pages are drawn at a time for people who wait for them, and one behind what was before.
"""

import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Hashable, Iterable, Iterator
from concurrent.futures import Future, wait
from contextlib import AbstractContextManager, contextmanager, nullcontext, suppress
from dataclasses import dataclass, field

import pandas as pd
from dash.exceptions import PreventUpdate
from flask import has_request_context, request

from dashboards.access.rights import Rights, owner
from dashboards.access.seen import Seen
from dashboards.held import held
from loganalyzer.answers import Period, cut, made_of, whole
from loganalyzer.once import once
from loganalyzer.store import Store
from loganalyzer.views import Analysis, Summary, Whole, headline, summary
from loganalyzer.views.lanes import Lanes, lanes

KEPT_BYTES, KEPT = 500_000_000, 64  # of all analyses and their pages
PAGES_KEPT = 24  # finished pages of an analysis
PATIENCE_S = 0.3  # how long somebody waits for what is new, where there is what was before
LOOKED_AT_S = 60.0  # pages that nobody asked for since then are not drawn anew before they are
STILL_THERE_S = 0.5  # how often who waits for a turn is looked after
Choice = tuple[str, str | None, Period]  # site, chute, period
Draw = Callable[["Worked"], bytes]
Turn = Callable[[], AbstractContextManager[None]]


class Gone(PreventUpdate):
    """Who asked went away before it was their turn: there is nobody to tell."""


def still_there() -> bool:
    """Whether the one who sent the request that is being answered still waits for it."""
    gone = request.environ.get("waitress.client_disconnected") if has_request_context() else None
    return gone is None or not gone()


@dataclass
class Page:
    """A page that was asked for of an analysis: finished or promised."""

    draw: Draw
    asked: float
    promised: Future[bytes] = field(default_factory=Future)


@dataclass(eq=False)
class Worked:
    """What is worked out once for a choice: the analysis, and on demand what it says in words.

    Attributes:
        analysis: Every table.
        generation: Of the store, when it was begun, or found to be still right.
        turn: What somebody enters to draw a page.
    """

    analysis: Analysis
    generation: int = 0
    turn: Turn = nullcontext

    def page(self, key: Hashable, draw: Draw) -> bytes:
        """A finished page, as it is sent; made once, and who asks meanwhile waits for it.

        Args:
            key: What it depends on, besides the analysis.
            draw: Makes it; called again with what is worked out after this.

        Raises:
            Gone: Who asked is not there any more.
        """
        while True:
            mine = Page(draw, time.monotonic())
            page = self.pages.setdefault(key, mine)
            page.asked = mine.asked
            if page is mine:
                self._draw(key, mine)
            with suppress(Gone):
                return page.promised.result()
            if page is mine:
                raise Gone  # another one who waited for it draws it

    def _draw(self, key: Hashable, page: Page) -> None:
        try:
            with self.turn():
                page.promised.set_result(page.draw(self))
        except BaseException as error:
            self.pages.pop(key, None)  # told to those who wait, and tried again
            page.promised.set_exception(error)
        for old in list(self.pages)[:-PAGES_KEPT]:
            self.pages.pop(old, None)

    @once
    def pages(self) -> dict[Hashable, Page]:
        """What was asked for of it."""
        return {}

    @once
    def headline(self) -> pd.DataFrame:
        """As `views.headline`."""
        return headline(self.analysis)

    @once
    def told(self) -> Summary:
        """As `views.summary`; it asks for tables that not every page needs."""
        return summary(self.analysis)

    @once
    def lanes(self) -> Lanes:
        """As `views.lanes.lanes`."""
        return lanes(self.analysis)

    @once
    def replays(self) -> dict[float, pd.DataFrame]:
        """What another clearing time would do, by that time, as far as it was asked."""
        return {}


@dataclass(eq=False)
class Kept:
    """An analysis that is there, or promised, and the one before it for as long.

    Attributes:
        state: What names the state of the site's log.
        files: What it is made of.
        before: Of an earlier state.
        promised: The analysis.
        sizes: What `held` said last.
    """

    state: str
    files: frozenset[str]
    before: Worked | None
    promised: Future[Worked] = field(default_factory=Future)
    sizes: dict[int, int] = field(default_factory=dict)

    def done(self) -> Worked | None:
        """The analysis, once it is there."""
        there = self.promised.done() and self.promised.exception() is None
        return self.promised.result() if there else None

    def measured(self) -> dict[int, int]:
        """The bytes that it holds, by what holds them; what others hold too is among them."""
        self.sizes = held([self.before, self.done()], self.sizes)
        return self.sizes


class Data:
    """Answers the pages' questions; safe to share between the threads of the server.

    Attributes:
        store: The store as the one who asks may see it; a method that takes a site and hands out
            what is kept asks it first.
        rights: What the one who asks may do.
        there: Whether the one who asks is still there.
    """

    def __init__(
        self, store: Store, rights: Callable[[], Rights] = owner,
        there: Callable[[], bool] = still_there,
    ) -> None:  # fmt: skip
        self.whole, self.rights, self.there = store, rights, there
        self.store = Seen(store, rights)
        self._lock = threading.Lock()
        self._turns = threading.BoundedSemaphore(2)  # more at once would only slow each other down
        self._behind = threading.Lock()  # one at a time is made anew while nobody waits for it
        self._kept: OrderedDict[Choice, Kept] = OrderedDict()
        self._landed: dict[str, tuple[str, int]] = {}
        self._measuring = threading.Lock()
        self._wholes: dict[tuple[str, str | None], tuple[frozenset[str], Future[Whole]]] = {}

    def worked(
        self, site: str, chute: str | None, period: Period, *, fresh: bool = False
    ) -> Worked:
        """Everything about a site or one of its chutes, worked out once for each store state.

        Who asks for what another thread is working out waits for it; others do not. When the
        log changed, what was worked out before is handed out for as long as the new takes; its
        `generation` says so. An import to another chute of the site changes nothing of a chute.

        Args:
            site: Its id.
            chute: One of its chutes, null for all.
            period: As `loganalyzer.answers.answer` takes it.
            fresh: Wait for what is new.

        Raises:
            AnalyzerError: As `loganalyzer.answers.answer`.
        """
        self.landed(site)
        chute = None if self.store.chutes(site) == (chute,) else chute
        while True:
            state, choice = self.store.check(site), (site, chute, period)
            kept, mine = self._promise(state, choice)
            if mine and kept.before is not None:
                threading.Thread(target=self._renew, args=(kept, choice), daemon=True).start()
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

    def landed(self, site: str) -> int:
        """The generation of the store since which a site's log is as it is, as far as seen here.

        Raises:
            UsageError: There is no such site, or none that may be seen.
        """
        state, generation = self.store.check(site), self.whole.generation
        with self._lock:
            if self._landed.get(site, ("", 0))[0] != state:
                self._landed[site] = state, generation
            return self._landed[site][1]

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
        site, chute, _ = choice
        with self._lock:
            kept = self._kept.get(choice)
            if kept is not None and (kept.state == state or not kept.promised.done()):
                self._kept.move_to_end(choice)
                return kept, False
        generation, files = self.whole.generation, made_of(self.whole, site, chute)
        with self._lock:
            if self._kept.get(choice) is not kept:  # somebody else was faster
                return self._kept[choice], False
            before = kept.promised.result() if kept is not None else None
            if kept is not None and before is not None and kept.files == files:
                kept.state, before.generation = state, generation
                self._kept.move_to_end(choice)
                return kept, False
            self._kept[choice] = kept = Kept(state, files, before)
            self._kept.move_to_end(choice)
            return kept, True

    def _fulfil(
        self, kept: Kept, choice: Choice, drawn: Iterable[tuple[Hashable, Page]] = ()
    ) -> None:
        """Work out what is promised, and the pages that people looked at before."""
        site, chute, period = choice
        try:
            generation = self.whole.generation
            log = self._whole(site, chute, kept.files)
            worked = Worked(cut(self.whole, log, period), generation, self._turn)
            for key, page in drawn:
                with suppress(Exception):  # whoever asks for the page is told what is wrong
                    worked.page(key, page.draw)
            kept.promised.set_result(worked)
        except BaseException as error:
            with self._lock:  # an error is told to those who wait and is not kept
                self._kept.pop(choice, None)
            kept.promised.set_exception(error)
        kept.before = None
        self._make_room()

    def _renew(self, kept: Kept, choice: Choice) -> None:
        """The same while people look at what was before, and one of all at a time."""
        assert kept.before is not None
        with self._behind:
            since = time.monotonic() - LOOKED_AT_S
            pages = [(k, page) for k, page in list(kept.before.pages.items()) if page.asked > since]
            self._fulfil(kept, choice, pages)

    def _whole(self, site: str, chute: str | None, files: frozenset[str]) -> Whole:
        """The log that all periods are cut out of; read once, and only the newest is kept."""
        with self._lock:
            there = self._wholes.get((site, chute))
            mine = there is None or there[0] != files
            if there is None or mine:
                there = self._wholes[site, chute] = files, Future()
        if mine:
            try:
                there[1].set_result(whole(self.whole, site, chute))
            except BaseException as error:
                with self._lock:
                    self._wholes.pop((site, chute), None)
                there[1].set_exception(error)
        return there[1].result()

    @contextmanager
    def _turn(self) -> Iterator[None]:
        """Wait until fewer than two others draw; give up where there is nobody to draw for."""
        while not self._turns.acquire(timeout=STILL_THERE_S):
            if not self.there():
                raise Gone
        try:
            yield
        finally:
            self._turns.release()
            self._make_room()

    def _make_room(self) -> None:
        """Forget what was asked for longest ago, and logs that nothing is cut out of any more."""
        if not self._measuring.acquire(blocking=False):
            return  # somebody does
        try:
            with self._lock:
                sizes = list(self._kept.items())
            sums = [kept.measured() for _, kept in sizes]
            while len(sums) > 1 and (len(sums) > KEPT or _together(sums) > KEPT_BYTES):
                del sums[0]
            with self._lock:
                for choice, kept in sizes[: len(sizes) - len(sums)]:
                    if self._kept.get(choice) is kept:
                        del self._kept[choice]
                used = {(site, chute) for site, chute, _ in self._kept}
                for unused in set(self._wholes) - used:
                    del self._wholes[unused]
        finally:
            self._measuring.release()


def _together(sizes: Iterable[dict[int, int]]) -> int:
    """The bytes that all of it holds; what several hold counts once."""
    together: dict[int, int] = {}
    for one in sizes:
        together |= one
    return sum(together.values())


def _split(reference: str) -> tuple[str, int]:
    source, line = reference.rsplit(":", 1)
    return source, int(line)
