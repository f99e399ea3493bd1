"""Who stands at a door, and the use of the chute that they were granted."""


class Person:
    """Somebody at a door; `until` 0 is a stuck button, which nobody stands behind."""

    __slots__ = ("floor", "mash", "stream", "until")

    def __init__(self, floor: int, stream: int, until: int, mash: int) -> None:
        self.floor, self.stream, self.until, self.mash = floor, stream, until, mash


class Cycle:
    """One grant on its way; None where a time has not come (yet)."""

    __slots__ = (
        "cleared", "closed", "floor", "opened", "outcome", "person", "pressed", "shown",
        "stream", "turned_s", "unlocked",
    )  # fmt: skip

    def __init__(self, floor: int, stream: int, pressed: int, person: Person) -> None:
        self.floor, self.stream, self.pressed, self.person = floor, stream, pressed, person
        self.unlocked = self.opened = self.closed = self.cleared = self.turned_s = None
        self.outcome, self.shown = "unknown", False
