"""A value worked out when first asked for, once."""

import threading
from concurrent.futures import ThreadPoolExecutor

import pytest

from loganalyzer.once import once


class Slow:
    def __init__(self) -> None:
        self.made: list[str] = []
        self.go_on = threading.Event()
        self.begun = threading.Event()

    @once
    def base(self) -> int:
        """What it is."""
        self.begun.set()
        assert self.go_on.wait(20)
        self.made.append("base")
        return 1

    @once
    def above(self) -> int:
        self.made.append("above")
        return self.base + 1

    @once
    def beside(self) -> int:
        self.made.append("beside")
        return 3

    @once
    def wrong(self) -> int:
        self.made.append("wrong")
        raise ValueError("no")


def test_nothing_is_worked_out_that_nobody_asks_for_and_nothing_twice():
    slow = Slow()
    assert not slow.made
    slow.go_on.set()
    assert (slow.above, slow.above, slow.base) == (2, 2, 1)
    assert slow.made == ["above", "base"]
    assert set(vars(slow)) == {"made", "go_on", "begun", "above", "base"}
    assert Slow.base.__doc__ == "What it is."


def test_threads_that_ask_at_once_share_one_result_and_hold_nobody_else_up():
    slow = Slow()
    with ThreadPoolExecutor(4) as pool:
        asked = [pool.submit(lambda: slow.above) for _ in range(4)]
        assert slow.begun.wait(20)
        assert slow.beside == 3
        slow.go_on.set()
        assert [one.result() for one in asked] == [2] * 4
    assert sorted(slow.made) == ["above", "base", "beside"]


def test_what_failed_is_tried_again_by_who_asks_next():
    slow = Slow()
    for _ in range(2):
        with pytest.raises(ValueError, match="no"):
            _ = slow.wrong
    assert slow.made == ["wrong", "wrong"]
