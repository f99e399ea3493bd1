"""How much memory what is kept holds: its tables, arrays and texts, each counted once."""

import sys
from collections.abc import Mapping
from concurrent.futures import Future
from typing import Any

import numpy as np
import pandas as pd

OURS = ("loganalyzer.", "dashboards.")


def held(thing: object, known: Mapping[int, int]) -> dict[int, int]:
    """The bytes of each table, array and text that can be reached from a thing, by identity.

    Args:
        thing: What holds them; texts inside of lists are not looked at: they are few.
        known: What this returned for it before: what is still there is not counted again.
    """
    found: dict[int, int] = {}
    seen: set[int] = set()
    ahead = [thing]
    while ahead:
        one = ahead.pop()
        if id(one) in seen:
            continue
        seen.add(id(one))
        if isinstance(one, pd.DataFrame | pd.Series | pd.Index | np.ndarray | bytes | str):
            found[id(one)] = known[id(one)] if id(one) in known else _bytes(one)
        else:
            ahead += _parts(one)
    return found


def _bytes(thing: Any) -> int:
    if isinstance(thing, np.ndarray):
        return int(thing.nbytes)
    if isinstance(thing, pd.DataFrame):
        return int(thing.memory_usage(deep=True).sum())
    if isinstance(thing, pd.Series | pd.Index):
        return int(thing.memory_usage(deep=True))
    return sys.getsizeof(thing)


def _parts(thing: Any) -> list[object]:
    """What hangs on it: of what is not ours, nothing."""
    if isinstance(thing, Mapping):
        return list(thing.values())
    if isinstance(thing, list | tuple):
        return list(thing) if thing and not isinstance(thing[0], str | int) else []
    if isinstance(thing, Future):
        return [thing.result()] if thing.done() and thing.exception() is None else []
    if type(thing).__module__.startswith(OURS):
        return list(getattr(thing, "__dict__", {}).values())
    return []
