"""Records become signal and edge by the profile; every record is accounted for."""

import re
from collections.abc import Sequence
from typing import Any

import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loganalyzer import events
from loganalyzer.errors import SiteError
from loganalyzer.events import EVENTS, Translated, Translator
from loganalyzer.events.labels import floor_naming, numbers, without_zeros
from loganalyzer.events.meanings import Finder, clock_set
from loganalyzer.profile import EventEntry, Labels, Profile, TimeRule, parse_profile
from loganalyzer.readers.records import REJECTS, Batch
from loganalyzer.site import Site, parse_site

CODED = pa.dictionary(pa.int32(), pa.string())
COLUMNS = """
time = "stamp"
floor = "door"
event = "text"
stream = "material"
code = "code"
value = "val"
"""
ONE_CHUTE = """
[site]
id = "s"
name = "S"
time_zone = "Europe/Lisbon"
[[chute]]
id = "A"
profile = "p"
[[chute.stream]]
id = "refuse"
kind = "refuse"
[[chute.floor]]
label = "7"
"""
TWO_CHUTES = f'{ONE_CHUTE}[[chute]]\nid = "B"\nprofile = "p"\n[[chute.floor]]\nlabel = "8"\n'


def profile(
    rules: str, columns: str = COLUMNS, layout: str = "sheet", time: str = 'format = "iso"'
) -> Profile:
    text = f'name = "p"\nlayout = "{layout}"\n[columns]\n{columns}\n[time]\n{time}\n{rules}'
    return parse_profile(text, "p.toml")


def records(*rows: dict[str, Any], coded: Sequence[str] = ("text", "door")) -> Batch:
    """A batch of these records, lines counted from 1; labels come as dictionaries."""
    names = dict.fromkeys(
        ["stamp", "door", "text", "material", "code", "val", *(k for row in rows for k in row)]
    )
    columns = {
        name: pa.array([row.get(name) for row in rows], CODED if name in coded else pa.string())
        for name in names
        if name != "line"
    }
    lines = [row.get("line", number) for number, row in enumerate(rows, 1)]
    table = pa.table({"line": pa.array(lines, pa.int64()), **columns})

    def raw(numbers: pa.Array) -> pa.Array:
        return pa.array([f"line {number}" for number in numbers.to_pylist()], pa.string())

    return Batch(table, REJECTS.empty_table(), len(set(lines)), 0, raw)


def translate(
    rules: str, *rows: dict[str, Any], site: str = ONE_CHUTE, chute: str | None = None, **more: str
) -> Translated:
    translator = Translator(profile(rules, **more), parse_site(site, "s.toml"), chute)
    translated = translator.translate(records(*rows))
    assert translated.events.schema == EVENTS
    translated.events.validate(full=True)
    return translated


def told(translated: Translated, *names: str) -> list[tuple[Any, ...]]:
    return list(zip(*(translated.events[name].to_pylist() for name in names), strict=True))


def reasons(translated: Translated) -> list[tuple[int, str, str]]:
    return [tuple(row.values()) for row in translated.rejects.to_pylist()]


OPEN = '[[event]]\ntext = "DOOR OPEN"\nsignal = "open"\nedge = "on"\n'
PRESS = "[[event]]\npattern = '^press'\nsignal = \"press\"\n"
NOTE = '[[event]]\npattern = \'\'\nsignal = "note"\nedge = "mark"\n'
LEVEL = '[[event]]\ntext = "level"\nsignal = "level"\n'


def test_a_whole_text_matches_trimmed_and_in_any_letter_case():
    got = translate(OPEN, {"door": "7", "text": " door Open "}, {"door": "7", "text": "DOOR OPENS"})
    assert told(got, "chute", "floor", "signal", "edge", "line") == [("A", "7", "open", "on", 1)]
    assert reasons(got) == [(2, "unknown event", "line 2")]


def test_a_pattern_matches_anywhere_and_minds_letter_case():
    got = translate(
        PRESS.replace("^", ""), *({"door": "7", "text": t} for t in ("a press", "Press"))
    )
    assert [row[0] for row in told(got, "line")] == [1]


def test_the_first_entry_that_matches_wins_be_it_text_or_pattern():
    rules = NOTE.replace("''", "'^DOOR'") + OPEN + NOTE.replace("''", "'OPEN$'")
    got = translate(rules, {"door": "7", "text": "DOOR OPEN"}, {"door": "7", "text": "x OPEN"})
    assert told(got, "signal") == [("note",), ("note",)]
    got = translate(OPEN + NOTE, {"door": "7", "text": "DOOR OPEN"}, {"text": "x"})
    assert told(got, "signal") == [("open",), ("note",)]


ENTRIES = st.lists(
    st.one_of(
        st.builds(
            lambda texts: EventEntry(text=texts, ignore=True),
            st.lists(st.text("abAB ", min_size=1, max_size=3), min_size=1, max_size=2),
        ),
        st.builds(
            lambda pattern: EventEntry(pattern=pattern, ignore=True),
            st.sampled_from(["a", "^b", "B$", "ab", "(?i)bb", "^$", "A.*b"]),
        ),
    ),
    max_size=6,
)


@settings(max_examples=200, deadline=None)
@given(ENTRIES, st.text("abAB ", max_size=4))
def test_finding_an_entry_agrees_with_trying_them_one_by_one(entries: list[EventEntry], text: str):
    def matches(entry: EventEntry) -> bool:
        if entry.text is not None:
            return any(text.strip().casefold() == t.strip().casefold() for t in entry.text)
        return re.search(entry.pattern or "", text.strip()) is not None

    expected = next((entry for entry in entries if matches(entry)), None)
    found = Finder(tuple(entries)).find(text)
    assert (None if found is None else found[0]) is expected


def test_event_columns_are_joined_by_one_space_and_null_ones_left_out():
    columns = COLUMNS.replace('"text"', '["text", "more", "last"]')
    rows = [
        {"door": "7", "text": "DOOR", "more": "OPEN"},
        {"door": "7", "text": "DOOR", "last": " OPEN"},
        {"door": "7", "more": "DOOR OPEN", "last": ""},
        {"door": "7", "text": "DOOR", "more": "is", "last": "OPEN"},
        {"door": "7"},
    ]
    got = translate(OPEN, *rows, columns=columns)
    assert told(got, "line") == [(1,), (2,), (3,)]
    assert reasons(got) == [(4, "unknown event", "line 4"), (5, "unknown event", "line 5")]


def test_constants_override_groups_and_groups_override_columns():
    row = {"door": "1", "text": "press 02 mixed", "material": "paper", "code": "c", "val": "4"}
    group = r"'^press (?P<floor>\w+) (?P<stream>\w+)'"
    assert told(translate(PRESS, row), "floor", "stream", "code", "value") == [
        ("1", "paper", "c", 4.0)
    ]
    rules = PRESS.replace("'^press'", group)
    assert told(translate(rules, row), "floor", "stream") == [("2", "mixed")]
    rules += 'floor = "3"\nstream = "refuse"\ncode = "k"\nvalue = 9\n'
    assert told(translate(rules, row), "floor", "stream", "code", "value") == [
        ("3", "refuse", "k", 9.0)
    ]


def test_a_group_that_took_no_part_leaves_the_column_standing():
    rules = PRESS.replace("'^press'", r"'^press(?: at (?P<floor>\w+))?'")
    rows = [{"door": "1", "text": "press at 2"}, {"door": "1", "text": "press"}]
    assert told(translate(rules, *rows), "floor") == [("2",), ("1",)]


def test_labels_are_translated_by_the_profile_and_others_stay():
    rules = (
        f'[floors]\n"GF" = "G"\npattern = \'^L0*(?P<floor>\\w+)$\'\n'
        f'[streams]\n"MIX" = "recycling"\n{PRESS}'
    )
    doors = ["GF", " GF ", "L07", "L0", "07", "0", "00", "B1", "12A"]
    rows = [{"door": door, "text": "press", "material": "MIX"} for door in doors]
    rows.append({"door": "7", "text": "press", "material": "Glass "})
    got = told(translate(rules, *rows), "floor", "stream")
    assert [floor for floor, _ in got] == ["G", "G", "7", "0", "7", "0", "0", "B1", "12A", "7"]
    assert {stream for _, stream in got[:-1]} == {"recycling"}
    assert got[-1] == ("7", "Glass")


@settings(max_examples=100, deadline=None)
@given(st.text("0123456789ABG -", min_size=1, max_size=6))
def test_a_floor_label_loses_blanks_and_leading_zeros_and_nothing_else(label: str):
    naming = floor_naming(Labels())
    code = naming.read(label)
    if not label.strip():
        assert code == -1
        return
    read = naming.words[code]
    assert read == re.sub(r"^[0 ]+(?=.)", "", label.strip())
    assert naming.words[naming.read(read)] == read
    assert without_zeros(f"000{read}") == read


def test_a_listed_label_wins_over_the_pattern_and_keeps_its_zeros():
    naming = floor_naming(Labels(pattern="(?P<floor>[0-9]+)$", table={"L05": "05", " B ": "B0"}))
    read = [naming.words[naming.read(label)] for label in ("L05", "L06", "B", "x")]
    assert read == ["05", "6", "B0", "x"]


def test_the_codes_of_refusals_are_translated_and_those_of_faults_are_not():
    rules = (
        '[refusals]\n"occupied" = "busy"\n'
        '[[event]]\ntext = "no"\nsignal = "refusal"\n'
        '[[event]]\ntext = "bad"\nsignal = "fault"\nedge = "on"\n'
    )
    rows = [
        {"door": "7", "text": text, "code": code}
        for text, code in [("no", "occupied"), ("bad", "occupied"), ("no", "odd"), ("no", None)]
    ]
    assert told(translate(rules, *rows, *rows), "code") == [
        ("busy",), ("occupied",), ("odd",), (None,),
    ] * 2  # fmt: skip


@pytest.mark.parametrize(
    ("written", "number"),
    [("12,5", 12.5), (" -3 ", -3), ("+7", 7), ("1e3", 1000), (",5", 0.5), ("4,", 4),
     ("12.5", None), ("1.234,5", None), ("45 %", None), ("inf", None), ("0x1F", None),
     ("1_000", None), ("٣", None), ("--", None)],
)  # fmt: skip
def test_a_value_is_a_plain_number_with_the_decimal_sign_of_the_profile(
    written: str, number: float | None
):
    read, wrong = numbers(pa.array([written, None, ""]), ",")
    assert wrong.tolist() == [number is None, False, False]
    assert [None if value != value else value for value in read] == [number, None, None]


def test_only_a_signal_told_by_its_value_is_rejected_for_an_unreadable_one():
    rows = [
        {"door": "7", "text": "level", "val": "3.5"},
        {"door": "7", "text": "level", "val": "n/a"},
        {"door": "7", "text": "level"},
        {"door": "7", "text": "DOOR OPEN", "val": "n/a"},
    ]
    got = translate(LEVEL + OPEN, *rows)
    assert told(got, "line", "value") == [(1, 3.5), (3, None), (4, None)]
    assert reasons(got) == [(2, "unreadable value", "line 2")]
    rules = LEVEL.replace('text = "level"', r"pattern = 'level (?P<value>\S+)'")
    got = translate(rules, {"text": "level 4"}, {"text": "level x", "val": "5"})
    assert told(got, "line", "value") == [(1, 4.0)]
    assert reasons(got) == [(2, "unreadable value", "line 2")]


def test_a_group_s_value_overrides_an_unreadable_column():
    rules = LEVEL.replace('text = "level"', r"pattern = 'level (?P<value>\S+)'")
    assert told(translate(rules, {"text": "level 4", "val": "n/a"}), "value") == [(4.0,)]


def test_a_signal_of_a_door_needs_a_floor_and_others_do_not():
    rules = PRESS + OPEN + '[[event]]\ntext = "full"\nsignal = "full"\nedge = "on"\n'
    rows = [{"text": "press"}, {"text": "DOOR OPEN", "door": " "}, {"text": "full"}]
    got = translate(rules, *rows)
    assert told(got, "line", "signal", "stream") == [(3, "full", None)]
    assert reasons(got) == [(1, "floor missing", "line 1"), (2, "floor missing", "line 2")]


def test_a_press_without_a_stream_is_kept():
    got = translate(PRESS, {"door": "7", "text": "press"})
    assert told(got, "signal", "stream") == [("press", None)]


def test_ignored_entries_are_counted_and_bring_nothing():
    got = translate(
        f"[[event]]\npattern = '^beat'\nignore = true\n{OPEN}",
        {"text": "beat 1"}, {"text": "beat 2"}, {"text": "DOOR OPEN", "door": "7"}, {"text": "?"},
    )  # fmt: skip
    assert (got.ignored, got.events.num_rows, got.rejects.num_rows) == (2, 1, 1)


def test_unknown_texts_floors_and_streams_are_counted_over_batches_and_kept():
    rules = profile(OPEN + PRESS)
    translator = Translator(rules, parse_site(ONE_CHUTE, "s.toml"), None)
    rows = [
        {"door": "9", "text": "DOOR OPEN"},
        {"door": "7", "text": "press", "material": "glass"},
        {"door": "7", "text": "press", "material": "refuse"},
        {"door": "9", "text": "what"},
    ]
    for _ in range(2):
        assert translator.translate(records(*rows)).events.num_rows == 3
    assert translator.unknown_floors == {"9": 2}
    assert translator.unknown_streams == {"glass": 2}
    assert translator.unknown_events == {"what": 2}


def test_a_chute_that_lists_no_floors_has_no_unknown_ones():
    site = parse_site(ONE_CHUTE.partition("[[chute.stream]]")[0], "s.toml")
    translator = Translator(profile(PRESS), site, None)
    translator.translate(records({"door": "9", "text": "press", "material": "glass"}))
    assert not translator.unknown_floors
    assert not translator.unknown_streams


CHUTES = f'{COLUMNS}chute = "unit"\n'


def test_each_record_goes_to_the_chute_that_it_names():
    rules = f'[chutes]\n"U2" = "B"\n{PRESS}'
    rows = [
        {"door": "8", "text": "press", "unit": unit} for unit in ("A", "U2", "B", "C", None, " ")
    ]
    got = translate(rules, *rows, site=TWO_CHUTES, columns=CHUTES)
    assert told(got, "line", "chute") == [(1, "A"), (2, "B"), (3, "B")]
    assert reasons(got) == [(n, "unknown chute", f"line {n}") for n in (4, 5, 6)]
    got = translate(rules, *rows, site=TWO_CHUTES, columns=CHUTES, chute="A")
    assert told(got, "line", "chute") == [(1, "A"), (2, "B"), (3, "B"), (5, "A"), (6, "A")]


def test_floors_are_unknown_chute_by_chute():
    translator = Translator(
        profile(PRESS, columns=CHUTES), parse_site(TWO_CHUTES, "s.toml"), None
    )  # fmt: skip
    rows = [{"door": d, "text": "press", "unit": u} for d in ("7", "8") for u in ("A", "B")]
    translator.translate(records(*rows))
    assert translator.unknown_floors == {"8": 1, "7": 1}


def test_a_text_may_name_the_chute():
    rules = PRESS.replace("'^press'", r"'^press (?P<chute>\w+)'")
    got = translate(rules, {"door": "8", "text": "press B"}, site=TWO_CHUTES)
    assert told(got, "chute") == [("B",)]


def test_a_chute_that_the_site_lacks_is_an_error():
    with pytest.raises(SiteError, match="no chute 'Z'"):
        Translator(profile(PRESS), parse_site(ONE_CHUTE, "s.toml"), "Z")


@pytest.mark.parametrize(
    ("old", "new", "time_format", "seconds"),
    [
        ("2024-03-01 10:00:00", "2024-03-01 10:02:30", "%Y-%m-%d %H:%M:%S", 150),
        ("2024-03-01 10:00:00", "2024-02-29 10:00:00", "%Y-%m-%d %H:%M:%S", -86_400),
        ("2024-03-01T10:00:00+01:00", "2024-03-01T10:00:00Z", "iso", 3_600),
        ("2024-03-01 10:00:00", "2024-03-01 09:59:59.5", "uptime_s", -0.5),
        ("1700000000", "1700000060", "epoch_s", 60),
        ("Dec 31 23:59:59", "Jan 01 00:00:01", "%b %d %H:%M:%S", 2),
        ("Jan 01 00:00:01", "Dec 31 23:59:59", "%b %d %H:%M:%S", -2),
        ("yesterday evening", "2024-03-01 10:02:30", "%Y-%m-%d %H:%M:%S", None),
    ],
)  # fmt: skip
def test_a_clock_set_told_as_two_stamps_has_their_difference_as_its_value(
    old: str, new: str, time_format: str, seconds: float | None
):
    assert clock_set(old, new, TimeRule(format=time_format)) == seconds


def test_a_clock_set_anchors_the_clock_with_its_new_stamp():
    rules = "[[event]]\npattern = '^SET (?P<old>\\S+) TO (?P<new>\\S+)$'\nsignal = \"clock\"\n"
    rows = [{"text": "SET 2024-01-01T00:00:00 TO 2024-01-01T00:00:10"}, {"text": "SET x TO y"}]
    got = translate(rules, *rows)
    assert told(got, "signal", "value", "now") == [("clock", 10.0, "2024-01-01T00:00:10")]
    assert reasons(got) == [(2, "unreadable value", "line 2")]


def test_a_power_on_may_tell_the_time_of_day():
    rules = '[[event]]\npattern = \'^UP (?P<now>.*)$\'\nsignal = "power"\nedge = "on"\n' + PRESS
    rows = [{"text": "UP 2024-01-01 00:00"}, {"text": "press", "door": "7"}]
    got = translate(rules, *rows, time='format = "uptime_s"')
    assert told(got, "now") == [("2024-01-01 00:00",), (None,)]


def test_time_columns_are_joined_by_one_space_and_the_counter_is_read():
    columns = COLUMNS.replace('time = "stamp"', 'time = ["date", "stamp"]\norder = "n"')
    rows = [
        {"date": "2024-01-01", "stamp": "10:00", "n": "5", "door": "7", "text": "press"},
        {"date": None, "stamp": "10:00", "n": "x", "door": "7", "text": "press"},
    ]
    assert told(translate(PRESS, *rows, columns=columns), "stamp", "order") == [
        ("2024-01-01 10:00", 5), ("10:00", None),
    ]  # fmt: skip


SAMPLES = (
    'name = "s"\nlayout = "samples"\n[delimited]\ndelimiter = ","\ndecimal = ","\n'
    '[columns]\ntime = "stamp"\nchute = "unit"\n[time]\nformat = "iso"\n'
    '[floors]\n"gf" = "G"\n[streams]\n"r" = "refuse"\n[refusals]\n"u" = "busy"\n'
    '[[samples]]\npattern = \'^d(?P<floor>.)\'\nsignal = "open"\non = "1"\n'
)


def scan(*rows: dict[str, Any], site: str = ONE_CHUTE) -> tuple[Translator, Translated]:
    filled = [{"signal": "open", "edge": "on", "floor": "7", **row} for row in rows]
    translator = Translator(parse_profile(SAMPLES, "s.toml"), parse_site(site, "s.toml"), None)
    return translator, translator.translate(records(*filled, coded=("floor", "signal")))


def test_scans_pass_through_the_same_translation():
    _, got = scan(
        {"floor": "gf"},
        {"floor": "07", "edge": "off"},
        {"signal": "refusal", "edge": "mark", "code": "u", "stream": "r"},
        {"signal": "level", "edge": "mark", "value": "3,5", "floor": None, "stream": "r"},
    )
    assert told(got, "chute", "floor", "signal", "edge", "stream", "code", "value") == [
        ("A", "G", "open", "on", None, None, None),
        ("A", "7", "open", "off", None, None, None),
        ("A", "7", "refusal", "mark", "refuse", "busy", None),
        ("A", None, "level", "mark", "refuse", None, 3.5),
    ]


def test_a_scan_is_a_reject_only_if_it_brings_no_event():
    bad = {"signal": "level", "edge": "mark", "value": "x"}
    translator, got = scan({"line": 5}, {"line": 5, **bad}, {"line": 6, **bad}, {"line": 6, **bad})
    assert told(got, "line") == [(5,)]
    assert reasons(got) == [(6, "unreadable value", "line 6")]
    assert translator.dropped == {"unreadable value": 1}


def test_a_scan_may_name_its_chute_in_a_column():
    _, got = scan({"unit": "B"}, {"unit": "Q"}, site=TWO_CHUTES)
    assert told(got, "line", "chute") == [(1, "B")]
    assert reasons(got) == [(2, "unknown chute", "line 2")]


def test_an_empty_batch_has_no_events():
    got = translate(OPEN)
    assert (got.events.num_rows, got.rejects.num_rows, got.ignored) == (0, 0, 0)


def test_texts_with_counters_in_them_do_not_fill_the_memory(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(events, "REMEMBERED", 50)
    monkeypatch.setattr(events, "COUNTED", 20)
    rules = profile(PRESS.replace("'^press'", r"'^press \d+ (?P<code>\w+)'"))
    translator = Translator(rules, parse_site(ONE_CHUTE, "s.toml"), None)
    for start in range(0, 600, 30):
        rows = [{"door": "7", "text": f"press {n} k{n}"} for n in range(start, start + 30)]
        got = translator.translate(records(*rows, *({"text": f"odd {start}"},) * 2))
        assert told(got, "code") == [(f"k{n}",) for n in range(start, start + 30)]
        assert len(got.events["code"].chunk(0).dictionary) <= 80
    assert len(translator.unknown_events) == 20
    translator.translate(records({"text": "odd 1"}, {"text": "odd 2"}))
    assert translator.unknown_events["(others)"] == 2


def test_dictionaries_that_differ_from_chunk_to_chunk_are_read_right():
    rules = profile(OPEN + PRESS)
    first, second = (
        records({"door": "7", "text": "press"}).records,
        records({"door": "8", "text": "DOOR OPEN"}, {"door": "7", "text": "press"}).records,
    )
    batch = Batch(
        pa.concat_tables([first, second]), REJECTS.empty_table(), 3, 0, lambda lines: lines
    )
    got = Translator(rules, parse_site(ONE_CHUTE, "s.toml"), None).translate(batch)
    assert told(got, "floor", "signal") == [("7", "press"), ("8", "open"), ("7", "press")]


ROWS = st.lists(
    st.fixed_dictionaries({
        "text": st.sampled_from(["DOOR OPEN", "press", "level", "beat", "odd", None]),
        "door": st.sampled_from(["7", "07", "", None]),
        "val": st.sampled_from(["1", "x", None]),
        "unit": st.sampled_from(["A", "B", "C", None]),
    }),
    max_size=12,
)  # fmt: skip


@settings(max_examples=60, deadline=None)
@given(ROWS, st.integers(0, 12))
def test_every_record_is_an_event_a_reject_or_ignored_however_batches_are_cut(
    rows: list[dict[str, Any]], cut: int
):
    rules = profile(
        f"{OPEN}{PRESS}{LEVEL}[[event]]\ntext = 'beat'\nignore = true\n", columns=CHUTES
    )
    site: Site = parse_site(TWO_CHUTES, "s.toml")
    numbered = [{**row, "line": number} for number, row in enumerate(rows)]
    whole = Translator(rules, site, "A").translate(records(*numbered))
    parts = Translator(rules, site, "A")
    pair = [parts.translate(records(*part)) for part in (numbered[:cut], numbered[cut:])]
    assert whole.events.num_rows + whole.rejects.num_rows + whole.ignored == len(rows)
    assert [row for part in pair for row in part.events.to_pylist()] == whole.events.to_pylist()
    assert [row for part in pair for row in part.rejects.to_pylist()] == whole.rejects.to_pylist()
    assert sum(part.ignored for part in pair) == whole.ignored
