"""The visits as they happen: who stood at which door, and how it ended.

The contract's rule: presses at one door belong together while they are at most press_window_s
apart and no opening of that door came between; the cycle that is granted ends the visit.
"""


class Visit:
    """One attempt at a door; `cycle` is the grant it got."""

    __slots__ = (
        "barred", "cut", "cycle", "floor", "last", "last_reason", "opened", "presses",
        "refusals", "start", "stream",
    )  # fmt: skip

    def __init__(self, at: int, floor: int, stream: int) -> None:
        self.start = self.last = at
        self.floor, self.stream = floor, stream  # the stream of the last press, or that served
        self.presses = self.refusals = 0
        self.opened: int | None = None
        self.last_reason = -1
        self.barred = self.cut = False
        self.cycle: object = None


class VisitBook:
    """All visits of a chute, kept press by press."""

    def __init__(self, floors: int, window: int) -> None:
        self.visits: list[Visit] = []
        self.window = window
        self._current: list[Visit | None] = [None] * floors

    def press(self, at: int, floor: int, stream: int) -> Visit:
        """The visit a press belongs to, counted in it."""
        visit = self._current[floor]
        # A press at the very instant of the opening comes before it, however the lines stand.
        if visit is None or at - visit.last > self.window or (visit.opened or at) < at:
            visit = self._current[floor] = Visit(at, floor, stream)
            self.visits.append(visit)
        visit.last, visit.last_reason = at, -1
        visit.presses += 1
        if visit.opened is None:
            visit.stream = stream
        return visit

    def opened(self, at: int, floor: int, stream: int) -> None:
        """A door opens: its visit is served and over."""
        visit = self._current[floor]
        if visit is not None and visit.opened is None:
            visit.opened, visit.stream = at, stream

    def power_lost(self, at: int) -> None:
        """Nobody is served any more; visits that may have been going on end unknown."""
        for floor, visit in enumerate(self._current):
            if visit is not None and at - visit.last <= self.window:
                visit.cut = True
            self._current[floor] = None

    def log_ends(self, at: int) -> None:
        """Visits that may still be going on as the log ends are unknown too."""
        self.power_lost(at)
