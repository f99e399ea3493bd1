"""Patterns of profiles: they mean what `re` means, and a search of them ends."""

import io
import re
import time
from contextlib import suppress

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loganalyzer import patterns
from loganalyzer.errors import ProfileError
from loganalyzer.events import Translator
from loganalyzer.patterns import Pattern, TooSlow
from loganalyzer.profile import load_profile, parse_profile, shipped_profiles
from loganalyzer.readers import READERS
from tests.exports import site

# Sources of the catastrophic patterns: OWASP, "Regular expression Denial of Service" (the first
# five); J. Davis et al., "The Impact of Regular Expression Denial of Service in Practice" (2018),
# which tells exponential from polynomial ones (the others, made up in that manner).
CATASTROPHIC = [
    (r"^(a+)+$", "a" * 40 + "!"),
    (r"^([a-zA-Z]+)*$", "a" * 40 + "!"),
    (r"^(a|aa)+$", "a" * 60 + "!"),
    (r"^(a|a?)+$", "a" * 40 + "!"),
    (r"^(.*a){20}$", "a" * 60 + "!"),
    (r"^(\w+\s?)+$", "word " * 20 + "!"),
    (r"^(?P<stamp>(\d+[-:. ]?)+)$", "2026-10-05 08:00:10.123456789 2026-10-05!"),
    (r"(x+x+)+y", "x" * 60),
    (r"\s*,\s*,\s*,\s*,\s*,?z$", " " * 20_000 + "x"),
    (r"^(.*),(.*),(.*),(.*),(.*),(.*),x$", "," * 3_000),
]
ATOMS = st.sampled_from([
    "a", r"\d", r"\w", "[ab]", "[^a]", ".", r"\s", "(?:a|ab)", "(b)", "x?", "^", "$", r"\b", "é",
])  # fmt: skip
REPEATS = st.sampled_from(["", "", "*", "+", "?", "{2}", "{1,2}", "*?", "+?"])


@st.composite
def some_patterns(draw):
    parts = draw(st.lists(st.tuples(ATOMS, REPEATS), min_size=1, max_size=5))
    return "".join(a if a in ("^", "$", r"\b") else f"(?:{a}){r}" for a, r in parts)


@pytest.mark.parametrize(("text", "line"), CATASTROPHIC)
def test_a_catastrophic_pattern_ends(text, line, monkeypatch):
    monkeypatch.setattr(patterns, "LIMIT_S", 0.05)
    began = time.thread_time()
    with suppress(TooSlow):
        assert Pattern(text).search(line) is None
    assert time.thread_time() - began < 2


def test_a_pattern_that_is_slow_again_and_again_is_refused(monkeypatch):
    monkeypatch.setattr(patterns, "LIMIT_S", 0.02)
    monkeypatch.setattr(patterns, "PATIENCE_S", 0.1)
    pattern = Pattern(r"^(a|aa)+$")
    kinds = []
    for _ in range(12):
        with pytest.raises(ProfileError) as raised:
            pattern.search("a" * 60 + "!")
        kinds.append(raised.type)
    assert kinds[0] is TooSlow
    assert kinds[-1] is ProfileError


@given(some_patterns(), st.text("ab1 é_x\t", max_size=10))
@settings(max_examples=300, deadline=None)
def test_a_pattern_finds_what_re_finds(text, line):
    # Source: Python's `re` as the reference.
    expected, found = re.search(text, line), Pattern(text).search(line)
    assert (expected and expected.span()) == (found and found.span())
    assert (expected and expected.groups()) == (found and found.groups())


@pytest.mark.parametrize("name", shipped_profiles())
def test_shipped_patterns_find_what_re_finds_in_every_mangled_line(name):
    profile = load_profile(name, None)
    texts = [entry.pattern for entry in profile.events if entry.pattern]
    texts += [profile.lines.pattern] if profile.lines else []
    lines = ["intake 7: asked for waste", "failure E1 came", "[2026-10-05 08:00:00.0] x", "", "éé"]
    for text in texts:
        plain = re.sub(r"\(\?P<\w+>|[\\^$()+*?\[\]]", "", text)
        for line in [*lines, plain, plain.upper(), plain[1:]]:
            expected, found = re.search(text, line), Pattern(text).search(line)
            assert (expected and expected.groupdict()) == (found and found.groupdict())


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("(", "missing )"),
        ("x" * 3000, "longer than"),
        ("(?:(?:a{1000}){1000}){1000}", "repeats within repeats"),
        ("(?:door){e<=1}", "brace"),
        ("[[:alpha:]]", "nested set"),
        (r"\p{Lu}", "bad escape"),
    ],
)
def test_what_both_modules_do_not_understand_alike_is_no_pattern(text, why):
    with pytest.raises(re.error, match=re.escape(why)):
        Pattern(text)


LINES = """
name = "slow"
layout = "lines"
[lines]
pattern = '^(?P<t>\\S+ \\S+) (?P<e>(\\w|\\w\\w)+)$'
[columns]
time = ["t"]
event = "e"
[time]
format = "iso"
[[event]]
pattern = '^(o|oo)+$'
signal = "note"
edge = "mark"
"""


def test_a_line_that_a_pattern_cannot_be_done_with_is_a_reject_and_the_rest_lands(monkeypatch):
    monkeypatch.setattr(patterns, "LIMIT_S", 0.05)
    profile = parse_profile(LINES, "slow.toml")
    lines = ["2026-10-05 08:00 door", "2026-10-05 08:00 " + "w" * 60 + "!", "2026-10-05 08:01 x"]
    batch = only_batch(lines, profile)
    assert batch.records["line"].to_pylist() == [1, 3]
    assert batch.rejects.to_pylist()[0]["reason"] == "pattern takes too long"
    assert batch.lines == 3


def test_so_is_a_line_whose_event_cannot_be_told(monkeypatch):
    monkeypatch.setattr(patterns, "LIMIT_S", 0.05)
    profile = parse_profile(LINES.replace("(\\w|\\w\\w)+", ".*"), "slow.toml")
    lines = ["2026-10-05 08:00 oo", "2026-10-05 08:00 " + "o" * 60 + "!"]
    told = Translator(profile, site(), "A").translate(only_batch(lines, profile))
    assert told.events["line"].to_pylist() == [1]
    assert told.rejects.to_pylist()[0]["reason"] == "pattern takes too long"


def only_batch(lines, profile):
    (batch,) = READERS["lines"](io.BytesIO(("\n".join(lines) + "\n").encode()), profile, "log")
    return batch
