"""A profile file: what it says, and one line for everything that is wrong in it."""

import pickle
from pathlib import Path

import pytest

from loganalyzer.errors import ProfileError
from loganalyzer.profile import Profile, load_profile, parse_profile, shipped_profiles

EXAMPLE = (Path(__file__).parent / "settings" / "profile.toml").read_text(encoding="utf-8")
SMALLEST = """
name = "small"
layout = "lines"
[lines]
pattern = '^(?P<stamp>\\S+) (?P<door>\\w+) (?P<text>.*)$'
[columns]
time = "stamp"
floor = "door"
event = "text"
[time]
format = "iso"
"""
SIGNALS = (
    "press, refusal, positioning, unlocked, open, clearing, lockout, full, service, fault, "
    "power, compacting, clock, level, note"
)


def mistakes(text: str) -> list[str]:
    """The lines about a profile of this text, less the file's name before each."""
    with pytest.raises(ProfileError) as caught:
        parse_profile(text, "p.toml")
    assert str(caught.value) == "\n".join(caught.value.lines)
    assert caught.value.exit_status == 2
    assert all(line.startswith("p.toml: ") for line in caught.value.lines)
    return [line.removeprefix("p.toml: ") for line in caught.value.lines]


def sampled(entry: str, columns: str = "") -> str:
    """A profile of the layout samples with one entry."""
    return (
        f'name = "s"\nlayout = "samples"\n[delimited]\ndelimiter = ","\n{columns}\n'
        f'[columns]\ntime = "t"\n[time]\nformat = "iso"\n[[samples]]\n{entry}\n'
    )


def test_the_example_says_all_there_is_to_say():
    profile = parse_profile(EXAMPLE, "semicolon-text.toml")
    assert (profile.name, profile.layout, profile.encoding) == (
        "semicolon-text", "delimited", "utf-8",
    )  # fmt: skip
    assert (profile.text, profile.file) == (EXAMPLE, "semicolon-text.toml")
    assert profile.delimited is not None
    assert profile.delimited.model_dump() == {
        "delimiter": ";", "header": True, "columns": None, "decimal": ",",
    }  # fmt: skip
    assert profile.lines is not None
    assert profile.lines.columns == ("stamp", "door", "text")
    assert profile.lines.ignore == ("^=+$", r"^page \d+")
    assert profile.fixed is not None
    assert [(c.name, c.start, c.width) for c in profile.fixed.columns] == [
        ("stamp", 0, 19), ("door", 20, 4),
    ]  # fmt: skip
    assert profile.json_ is not None
    assert profile.json_.columns == {"stamp": "ts", "door": "door.label", "text": "event"}
    assert profile.sheet is not None
    assert (profile.sheet.sheet, profile.sheet.header_row) == ("Log", 1)
    assert [(s.signal, s.edge, s.on, s.number) for s in profile.samples] == [
        ("open", None, ("1", "TRUE"), False),
        ("press", "mark", ("1",), False),
        ("level", "mark", (), True),
    ]
    assert (profile.columns.time, profile.columns.event) == (("date", "time"), ("text",))
    assert (profile.time.format, profile.time.zone) == ("%d.%m.%Y %H:%M:%S", "site")
    assert profile.floors.pattern == r"^L0*(?P<floor>\w+)$"
    assert (profile.floors.table, profile.streams) == ({"GF": "G"}, {"MIX": "recycling"})
    assert (profile.chutes, profile.refusals) == ({"UNIT-2": "A"}, {"occupied": "busy"})
    assert profile.codes["E12"].component == "sorter"
    assert profile.codes["E12"].text == "diverter not in place"
    assert [(e.signal, e.edge, e.ignore) for e in profile.events] == [
        ("open", "on", False), ("fault", "on", False), ("full", "on", False),
        ("clock", "mark", False), (None, None, True),
    ]  # fmt: skip


@pytest.mark.parametrize("name", shipped_profiles())
def test_each_profile_that_ships_is_right_and_named_like_its_file(name: str):
    profile = load_profile(name, None)
    assert (profile.name, profile.file) == (name, f"{name}.toml")
    assert pickle.loads(pickle.dumps(profile)) == profile


def test_a_profile_for_each_layout_ships():
    layouts = {load_profile(name, None).layout for name in shipped_profiles()}
    assert layouts == {"delimited", "lines", "syslog", "json", "fixed", "samples", "sheet"}


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        ('layout = "delimited"', 'layout = "delimted"',
         "layout: found 'delimted', expected a layout: delimited, lines, syslog, json, fixed, "
         'samples, sheet. Write layout = "delimited".'),
        ('encoding = "utf-8"', 'encoding = "utf8x"',
         "encoding: found 'utf8x', expected an encoding that Python knows, such as utf-8, utf-16. "
         'Write encoding = "utf-8".'),
        ("skip_lines = 0", "skip_lines = -1",
         "skip_lines: found -1, expected a whole number from 0. Write skip_lines = 0."),
        ('delimiter = ";"', 'delimiter = ";;"',
         "delimited.delimiter: found ';;', expected one character. Write delimiter = \";\"."),
        ("header = true", "header = 'yes'",
         "delimited.header: found 'yes', expected true or false. Change header."),
        ("header = true", "header = false",
         "delimited: found no columns, expected header = true, or columns = [...]. "
         'Add columns = ["date", "time", "door", "text"].'),
        ("header = true", 'header = true\ncolumns = ["date", "time"]',
         "delimited: found both columns and header = true, "
         "expected header = true, or columns = [...]. Remove one."),
        ('decimal = ","', 'decimal = ";"',
         "delimited.decimal: found ';', expected a decimal sign: ., ,. Change decimal."),
        ("width = 19", "width = 1.5",
         'fixed.columns "stamp", width: found 1.5, expected a whole number above 0. '
         "Write width = 19."),
        ('"GF" = "G"', '"GF" = 0',
         'floors.GF: found 0, expected text in quotes. Write GF = "0".'),
        ('"GF" = "G"', '"G F" = true',
         'floors."G F": found true, expected text in quotes. Change "G F".'),
        ('"occupied" = "busy"', 'occupied = "bussy"',
         "refusals.occupied: found 'bussy', expected a reason of refusal: busy, full, service, "
         'lockout, fault. Write occupied = "busy".'),
        ('component = "sorter"', 'component = "sortr"',
         "codes.E12.component: found 'sortr', expected a component: door, contact, latch, sorter, "
         "container, compactor, wiring, control, power, fire, other. "
         'Write component = "sorter".'),
        ('zone = "site"', 'zone = "Europe/Lisabon"',
         "time.zone: found 'Europe/Lisabon', expected 'site', 'utc', 'offset', or an IANA time "
         "zone such as 'Europe/Lisbon'. Write zone = \"Europe/Lisbon\"."),
        ('zone = "site"', 'zone = "offset"',
         "time.zone: found 'offset' with format '%d.%m.%Y %H:%M:%S', expected a format with %z, "
         "or iso, where the offset stands in the stamp. "
         'Write format = "%d.%m.%Y %H:%M:%S%z" or zone = "site".'),
        ('"%d.%m.%Y %H:%M:%S"', '"%d.%m.%Q"',
         "time.format: found '%d.%m.%Q' (%Q is no directive), expected a strptime format such as "
         "'%d.%m.%Y %H:%M:%S', or iso, epoch_s, epoch_ms, uptime_s. Change format."),
        ('"%d.%m.%Y %H:%M:%S"', '"epoch"',
         "time.format: found 'epoch', expected a strptime format such as '%d.%m.%Y %H:%M:%S', "
         'or iso, epoch_s, epoch_ms, uptime_s. Write format = "epoch_s".'),
        ('format = "%d.%m.%Y %H:%M:%S"', "",
         "time: found no format, expected a strptime format, or iso, epoch_s, epoch_ms, "
         'uptime_s. Add format = "%d.%m.%Y %H:%M:%S".'),
        ("[time]", "[tim]",
         "found unknown key 'tim', expected name, layout, encoding, skip_lines, delimited, lines, "
         "fixed, json, sheet, samples, columns, time, floors, streams, chutes, refusals, codes "
         "or event. Write [time]."),
        ('time = ["date", "time"]', "",
         "columns: found no time, expected the column, or columns, of the stamp. "
         'Add time = "time".'),
        ('time = ["date", "time"]', "time = []",
         "columns.time: found an empty list, expected a text, or several in a list. "
         "Change time."),
        ('floor = "door"', 'flor = "door"',
         "columns: found unknown key 'flor', expected time, event, floor, stream, code, value, "
         "chute or order. Write floor."),
        ('text = "DOOR OPEN"', "",
         'event 1: found neither text nor pattern, expected one of them. Add text = "...".'),
        ('text = "DOOR OPEN"', 'text = "a"\npattern = "a"',
         "event 1: found both text and pattern, expected one of them. Remove one."),
        ('text = "DOOR OPEN"', 'text = ["a", 1]',
         'event 1, text 2: found 1, expected text in quotes. Write "1".'),
        ('signal = "fault"', 'signal = "falt"',
         f"event 2, signal: found 'falt', expected a signal: {SIGNALS}. Write signal = \"fault\"."),
        ('signal = "open"\nedge = "on"', "",
         "event 1: found no signal, expected a signal and its edge, or ignore = true. "
         'Add signal = "note".'),
        ('edge = "on"', 'edge = "one"',
         "event 1, edge: found 'one', expected an edge: on, off, mark. Write edge = \"on\"."),
        ('edge = "on"', 'edge = "mark"',
         "event 1, edge: found 'mark', expected on or off for the signal 'open'. Change edge."),
        ('signal = "clock"\nedge = "mark"', 'signal = "clock"\nedge = "on"',
         "event 4, edge: found 'on', expected mark for the signal 'clock'. Write edge = \"mark\"."),
        ('edge = "on"', "",
         "event 1: found no edge, expected on or off for the signal 'open'. Add edge = \"on\"."),
        ("ignore = true", 'ignore = true\nsignal = "note"',
         "event 5: found both ignore and signal, expected ignore alone, or a signal and its edge. "
         "Remove one."),
        ("ignore = true", "ignore = 1",
         "event 5, ignore: found 1, expected true or false. Change ignore."),
        ("ignore = true", "",
         "event 5: found no signal, expected a signal and its edge, or ignore = true. "
         'Add signal = "note".'),
        (r"(?P<code>\w+) SET", r"(?P<code>\w+ SET",
         "event 2, pattern: found '^FAULT (?P<code>\\w+ SET$' (missing ), unterminated subpattern "
         "at position 8), expected a regular expression. Change pattern."),
        (r"(?P<code>\w+) SET", r"(?P<cod>\w+) SET",
         "event 2, pattern: found a group named cod, expected floor, stream, code, value, chute, "
         "old, new, now. Write (?P<code>...)."),
        (r"(?P<old>\S+ \S+) TO", "TO",
         "event 4, pattern: found a group new, signal 'clock', expected the groups old and new "
         "together, with the signal 'clock'. Change pattern."),
        ('signal = "clock"', 'signal = "note"',
         "event 4, pattern: found a group old and a group new, signal 'note', expected the groups "
         "old and new together, with the signal 'clock'. Change pattern."),
        ("'^HEARTBEAT'\nignore = true", "'(?P<now>.*)'\nsignal = \"note\"\nedge = \"mark\"",
         "event 5, pattern: found a group now, expected that only with "
         "time.format = 'uptime_s'. Remove the group's name."),
        (r"'^L0*(?P<floor>\w+)$'", r"'^L0*(\w+)$'",
         "floors.pattern: found '^L0*(\\w+)$', expected a group named floor. "
         "Write (?P<floor>...)."),
        ('stream = "recycling"', "stream = 2",
         'event 3, stream: found 2, expected text in quotes. Write stream = "2".'),
        ("pattern = '^FAULT", "pattern = \"^FAULT",
         "line 77, column 30: found 'pattern = \"^FAULT (?P<code>\\w+) SET$' # named groups fl...' "
         "(unescaped '\\' in a string), expected TOML. "
         "Write text in double quotes, patterns in single quotes, one key a line."),
    ],
)  # fmt: skip
def test_each_mistake_is_one_line_that_says_what_to_write(old: str, new: str, line: str):
    assert old in EXAMPLE
    (found,) = mistakes(EXAMPLE.replace(old, new, 1))
    assert found == line


@pytest.mark.parametrize(
    ("text", "lines"),
    [
        (SMALLEST.replace('"text"', '"txt"').replace('"door"', '"where"'),
         ["columns.event: found 'txt', expected a named group of lines.pattern: stamp, door, text. "
          'Write "text".',
          "columns.floor: found 'where', expected a named group of lines.pattern: stamp, door, "
          "text. Change floor."]),
        (SMALLEST.replace("?P<stamp>", "").replace("?P<door>", "").replace("?P<text>", "")
         .replace('floor = "door"\nevent = "text"', ""),
         ["columns.time: found 'stamp', expected a named group of lines.pattern, of which there "
          "are none. Change time."]),
        (SMALLEST.replace("[lines]\npattern", "# "),
         ["found no lines, expected a table [lines] for the layout 'lines'. Add [lines]."]),
        (SMALLEST.replace('"lines"', '"json"'),
         ["found no json, expected a table [json] for the layout 'json'. Add [json]."]),
        (SMALLEST.replace('"lines"', '"json"') + '[json]\ncolumns = {stamp = "a", text = "b"}',
         ["columns.floor: found 'door', expected a column: stamp, text. Change floor."]),
        (SMALLEST.replace('"lines"', '"fixed"')
         + '[fixed]\ncolumns = [{name = "stamp", start = 0, width = 9},'
         ' {name = "dor", start = 9, width = 9}, {name = "text", start = 18, width = 9}]',
         ["columns.floor: found 'door', expected a column: stamp, dor, text. Write \"dor\"."]),
        (SMALLEST.replace('"lines"', '"delimited"')
         + '[delimited]\ndelimiter = ";"\ncolumns = ["stamp", "door", "texts"]',
         ["columns.event: found 'text', expected a column: stamp, door, texts. Write \"texts\"."]),
        (SMALLEST.replace('floor = "door"', "") + '[[event]]\ntext = "P"\nsignal = "press"',
         ["event 1: found no floor, expected the door that 'press' belongs to: columns.floor, "
          'a group or a key. Add floor = "...".']),
        (sampled('column = "a"\nsignal = "service"'),
         ["samples 1: found no on, expected the values that mean on, or number = true. "
          'Add on = ["1"].']),
        (sampled('column = "a"\nsignal = "level"\nnumber = true\non = "1"'),
         ["samples 1: found both on and number, expected one of them. Remove one."]),
        (sampled('column = "a"\nsignal = "service"\non = "1"\nedge = "on"'),
         ["samples 1, edge: found 'on' for the signal 'service', "
          "expected no edge (it follows from the values). Remove edge."]),
        (sampled('column = "a"\nsignal = "service"\nnumber = true'),
         ["samples 1, edge: found 'mark' for the signal 'service', "
          "expected no edge (it follows from the values). Remove edge."]),
        (sampled('pattern = "(?P<flor>.)"\nsignal = "service"\non = "1"'),
         ["samples 1, pattern: found a group named flor, expected floor, stream, code, chute. "
          "Write (?P<floor>...)."]),
        (sampled('column = "a"\nsignal = "open"\non = "1"'),
         ["samples 1: found no floor, expected the door that 'open' belongs to: columns.floor, "
          'a group or a key. Add floor = "...".']),
        (sampled('column = "fann"\nsignal = "service"\non = "1"', 'columns = ["t", "fan"]'),
         ["samples 1, column: found 'fann', expected a column: t, fan. Write \"fan\"."]),
        (sampled("").replace("[[samples]]", ""),
         ["found no samples, expected a table [[samples]] for each signal. Add [[samples]]."]),
    ],
)  # fmt: skip
def test_what_does_not_fit_together_is_told(text: str, lines: list[str]):
    assert mistakes(text) == lines


def test_an_empty_file_lacks_four_things():
    assert [line.split(",")[0] for line in mistakes("")] == [
        "found no name", "found no layout", "found no columns", "found no time",
    ]  # fmt: skip


def test_keys_that_the_program_adds_are_no_keys_of_the_file():
    told = mistakes(f'text = "x"\nfile = "y"{SMALLEST}')
    assert told[0].startswith("found unknown key 'text', expected name, layout, ")
    assert told[1].startswith("found unknown key 'file', expected name, layout, ")
    assert "Write [[event]]." in mistakes(f'{SMALLEST}[[events]]\ntext = "x"\nignore = true')[0]


def test_an_edge_is_implied_where_the_signal_has_only_one():
    profile = parse_profile(f'{SMALLEST}[[event]]\ntext = "P"\nsignal = "press"', "p.toml")
    assert profile.events[0].edge == "mark"
    profile = parse_profile(sampled('column = "a"\nsignal = "press"\non = "1"\nfloor = "2"'), "p")
    assert profile.samples[0].edge == "mark"


def test_named_columns_stand_for_a_header_line():
    text = sampled('column = "a"\nsignal = "service"\non = 1', 'columns = ["t", "a"]')
    profile = parse_profile(text.replace("on = 1", 'on = "1"'), "p.toml")
    assert profile.delimited is not None
    assert not profile.delimited.header


def test_a_sheet_needs_no_table_of_its_own():
    profile = parse_profile(SMALLEST.replace('"lines"', '"sheet"'), "p.toml")
    assert profile.sheet is not None
    assert (profile.sheet.sheet, profile.sheet.header_row) == (None, 1)


def test_now_is_a_group_where_stamps_count_from_the_power_on():
    text = SMALLEST.replace("iso", "uptime_s") + "[[event]]\npattern = '(?P<now>.+)'\n"
    assert parse_profile(f'{text}signal = "power"\nedge = "on"', "p").events[0].groups == ("now",)


def test_a_profile_file_is_looked_for_beside_the_site_file(tmp_path: Path):
    (tmp_path / "own.toml").write_text(SMALLEST, encoding="utf-8")
    site = tmp_path / "site.toml"
    site.write_text("", encoding="utf-8")
    for beside in (site, tmp_path):
        profile = load_profile("own.toml", beside)
        assert (profile.name, profile.file) == ("small", str(tmp_path / "own.toml"))
    assert load_profile(str(tmp_path / "own.toml"), None).name == "small"


def test_a_profile_that_is_nowhere_is_told_with_what_there_is(tmp_path: Path):
    (tmp_path / "own.toml").write_text(SMALLEST, encoding="utf-8")
    site = tmp_path / "site.toml"
    site.write_text("", encoding="utf-8")
    shipped = ", ".join(shipped_profiles())
    for asked, guess in (("owm.toml", "own.toml"), ("semicolon-txt", "semicolon-text")):
        with pytest.raises(ProfileError) as caught:
            load_profile(asked, site)
        assert str(caught.value) == (
            f"{site}: found no profile '{asked}', expected one that ships ({shipped}) "
            f'or a file in {tmp_path}. Write profile = "{guess}".'
        )


def test_a_profile_can_be_made_by_the_names_of_its_fields():
    made = Profile(name="a", layout="syslog", columns={"time": "stamp"}, time={"format": "iso"})
    assert (made.columns.time, made.text, made.file) == (("stamp",), "", "")
