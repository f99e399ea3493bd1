"""The quick part of the fuzzer: its corpus, and some thousand inputs made from it by chance.

The same targets run for hours under a coverage-guided fuzzer: `python -m tests.fuzz`.
"""

import random
import time
from pathlib import Path

import pytest

from tests.fuzz.fence import Escaped, Fence
from tests.fuzz.targets import TARGETS

CORPUS = Path(__file__).parent / "fuzz" / "corpus"
SECONDS = 0.7  # a target
INTERESTING = [
    b"\0",
    b"\n",
    b'"',
    b";",
    b"\xff",
    b"\xc0\xaf",
    b"=",
    b"{",
    b"9" * 20,
    b"\xed\xa0\x80",
]


def seeds(target: str) -> list[bytes]:
    return [path.read_bytes() for path in sorted((CORPUS / target).iterdir())]


@pytest.fixture(scope="module")
def fence(tmp_path_factory):
    return Fence(tmp_path_factory.mktemp("fuzz"))


def test_every_target_has_seeds_and_the_corpus_is_small():
    assert {path.name for path in CORPUS.iterdir()} == set(TARGETS)
    assert sum(path.stat().st_size for path in CORPUS.rglob("*") if path.is_file()) < 300_000


@pytest.mark.parametrize("target", TARGETS)
def test_no_input_is_stumbled_over(target, fence):
    """Only errors of ours, every line accounted for, nothing written outside the folder."""
    chance = random.Random(target)
    known = seeds(target)
    ends = time.monotonic() + SECONDS
    with fence:
        for data in known:
            TARGETS[target](data, fence.inside)
        while time.monotonic() < ends:
            TARGETS[target](mutated(chance, known), fence.inside)


def mutated(chance: random.Random, known: list[bytes]) -> bytes:
    """A seed with some bytes changed, cut, doubled, or taken from another one."""
    data = chance.choice(known)
    for _ in range(chance.randint(1, 4)):
        at, end = sorted((chance.randint(0, len(data)), chance.randint(0, len(data))))
        piece = chance.choice([
            b"", data[at:end] * 2, chance.choice(INTERESTING), bytes([chance.randrange(256)]),
            chance.choice(known)[at:end],
        ])  # fmt: skip
        data = data[:at] + piece + data[min(end, at + chance.choice([0, 1, 8, 1000])) :]
    return data[:1024]


def test_the_fence_hears_of_writing_elsewhere(fence, tmp_path):
    with fence:
        (fence.inside / "good").write_text("x")
        with pytest.raises(Escaped):
            (tmp_path / "bad").write_text("x")
        with pytest.raises(Escaped):
            (fence.inside / "good").rename(tmp_path / "bad")
        with pytest.raises(Escaped):
            (fence.inside / ".." / "bad").write_text("x")
    assert not (tmp_path / "bad").exists()
