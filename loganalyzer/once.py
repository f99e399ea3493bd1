"""A value of an object that is worked out when first asked for, once, by whichever thread asks.

`functools.cached_property` lets two threads work the same out side by side, which costs both of
them what one of them could have had for nothing.
"""

from collections.abc import Callable
from threading import RLock
from typing import Any, Generic, Self, TypeVar, overload

T = TypeVar("T")


class once(Generic[T]):
    """Decorates a method without arguments; what it returns stays in the object."""

    def __init__(self, make: Callable[[Any], T]) -> None:
        self.make, self.__doc__ = make, make.__doc__

    def __set_name__(self, owner: type, name: str) -> None:
        self.name = name

    @overload
    def __get__(self, of: None, owner: type) -> Self: ...
    @overload
    def __get__(self, of: object, owner: type) -> T: ...

    def __get__(self, of: object | None, owner: type) -> T | Self:
        """Work it out; from then on Python finds what is kept before it asks here."""
        if of is None:
            return self
        kept, turn = vars(of), f"turn for {self.name}"
        with kept.setdefault(turn, RLock()):
            if self.name not in kept:
                kept[self.name] = self.make(of)
        kept.pop(turn, None)  # who waits for it holds it
        found: T = kept[self.name]
        return found
