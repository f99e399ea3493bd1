"""A site file: what it says, and one line for everything that is wrong in it."""

import codecs
import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loganalyzer.errors import SiteError
from loganalyzer.site import Limits, load_site, parse_site

EXAMPLE = (Path(__file__).parent / "settings" / "site.toml").read_text(encoding="utf-8")


def mistakes(text: str) -> list[str]:
    """The lines about a site file of this text, less the file's name before each."""
    with pytest.raises(SiteError) as caught:
        parse_site(text, "s.toml")
    assert str(caught.value) == "\n".join(caught.value.lines)
    assert caught.value.exit_status == 2
    assert all(line.startswith("s.toml: ") for line in caught.value.lines)
    return [line.removeprefix("s.toml: ") for line in caught.value.lines]


def test_the_example_says_all_there_is_to_say():
    site = parse_site(EXAMPLE, "quay-terrace.toml")
    assert (site.id, site.name, site.time_zone) == ("quay-terrace", "Quay Terrace", "Europe/Lisbon")
    assert (site.text, site.file) == (EXAMPLE, "quay-terrace.toml")
    (chute,) = site.chutes
    assert (chute.id, chute.profile) == ("A", "semicolon-text")
    assert tuple(chute.limits.model_dump().values()) == (4, 90, 90, 45, 15, 12, 300)
    (stream,) = chute.streams
    assert (stream.id, stream.kind, stream.container_l) == ("recycling", "recycling", 1100)
    assert (stream.density_kg_m3, stream.pickup) == (60, "FREQ=WEEKLY;BYDAY=TU,FR;BYHOUR=7")
    (floor,) = chute.floors
    assert (floor.label, floor.elevation_m, floor.units) == ("7", 21.0, 8)


def test_a_chute_needs_no_more_than_an_id_and_a_profile():
    site = parse_site(
        '[site]\nid="s"\nname="S"\ntime_zone="UTC"\n[[chute]]\nid="A"\nprofile="p"', "s.toml"
    )
    (chute,) = site.chutes
    assert (chute.limits, chute.streams, chute.floors) == (Limits(), (), ())


def test_settings_are_frozen():
    (chute,) = parse_site(EXAMPLE, "s.toml").chutes
    with pytest.raises(ValueError, match="frozen"):
        chute.limits.quiet_s = 1


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        ("press_window_s = 90", "press_window_s = '90s'",
         'chute "A", limits.press_window_s: found \'90s\', expected a number of seconds above 0. '
         "Write press_window_s = 90."),
        ("press_window_s = 90", "press_window_s = true",
         'chute "A", limits.press_window_s: found true, expected a number of seconds above 0. '
         "Write press_window_s = 90."),
        ("press_limit = 4", "press_limit = 4.5",
         'chute "A", limits.press_limit: found 4.5, expected a whole number above 0. '
         "Write press_limit = 4."),
        ("quiet_s = 90", "quiet_s = -1",
         'chute "A", limits.quiet_s: found -1, expected a number of seconds above 0. '
         "Write quiet_s = 90."),
        ("clearing_s = 12", "clearing_s = inf",
         'chute "A", limits.clearing_s: found inf, expected a number of seconds above 0. '
         "Write clearing_s = 12."),
        ("container_l = 1100", "container_l = 0",
         'chute "A", stream "recycling", container_l: found 0, '
         "expected a number of litres above 0. Write container_l = 1100."),
        ("units = 8", "units = 0",
         'chute "A", floor "7", units: found 0, expected a whole number above 0. '
         "Write units = 8."),
        ("elevation_m = 21.0", "elevation_m = 'high'",
         'chute "A", floor "7", elevation_m: found \'high\', expected a number of metres. '
         "Write elevation_m = 21.0."),
        ("press_limit = 4", "press_limits = 4",
         "chute \"A\", limits: found unknown key 'press_limits', expected press_limit, "
         "press_window_s, quiet_s, open_limit_s, positioning_limit_s, clearing_s or "
         "interruption_s. "
         "Write press_limit."),
        ("press_limit = 4", "colour = 4",
         "chute \"A\", limits: found unknown key 'colour', expected press_limit, "
         "press_window_s, quiet_s, open_limit_s, positioning_limit_s, clearing_s or "
         "interruption_s. Remove it."),
        ('"Europe/Lisbon"', '"Europe/Lisabon"',
         "site.time_zone: found 'Europe/Lisabon', expected an IANA time zone such as "
         "'Europe/Lisbon'. Write time_zone = \"Europe/Lisbon\"."),
        ('"Europe/Lisbon"', '"lisbon"',
         "site.time_zone: found 'lisbon', expected an IANA time zone such as "
         "'Europe/Lisbon'. Write time_zone = \"Europe/Lisbon\"."),
        ('"Europe/Lisbon"', '"Quay"',
         "site.time_zone: found 'Quay', expected an IANA time zone such as 'Europe/Lisbon'. "
         "Change time_zone."),
        ('kind = "recycling"', 'kind = "recyclin"',
         'chute "A", stream "recycling", kind: found \'recyclin\', expected a kind of material: '
         'refuse, recycling, organics, linen, other. Write kind = "recycling".'),
        ("FREQ=WEEKLY", "FREQ=WEKLY",
         "chute \"A\", stream \"recycling\", pickup: found 'FREQ=WEKLY;BYDAY=TU,FR;BYHOUR=7' "
         "(invalid 'FREQ': WEKLY), expected an RFC 5545 rule such as "
         "'FREQ=WEEKLY;BYDAY=TU,FR;BYHOUR=7'. "
         'Write pickup = "FREQ=WEEKLY;BYDAY=TU,FR;BYHOUR=7".'),
        ("FREQ=WEEKLY;", "",
         "chute \"A\", stream \"recycling\", pickup: found 'BYDAY=TU,FR;BYHOUR=7' (no FREQ), "
         "expected an RFC 5545 rule such as 'FREQ=WEEKLY;BYDAY=TU,FR;BYHOUR=7'. Change pickup."),
        ("FREQ=WEEKLY", "FREQ=WEEKLY;INTERVAL=0",
         "chute \"A\", stream \"recycling\", pickup: found "
         "'FREQ=WEEKLY;INTERVAL=0;BYDAY=TU,FR;BYHOUR=7' (INTERVAL must be above 0), "
         "expected an RFC 5545 rule such as 'FREQ=WEEKLY;BYDAY=TU,FR;BYHOUR=7'. Change pickup."),
        ('label = "7"', "label = 7",
         'chute "A", floor 1, label: found 7, expected text in quotes. Write label = "7".'),
        ('label = "7"', "",
         'chute "A", floor 1: found no label, expected the floor as people say it. '
         'Add label = "7".'),
        ('id = "A"', 'id = "A B"',
         "chute \"A B\", id: found 'A B', expected letters, digits, '-' and '_'. "
         'Write id = "A".'),
        ("[[chute.floor]]", "[chute.floor]",
         'chute "A", floor: found a table, expected tables in double brackets. '
         "Write [[chute.floor]]."),
        ("[[chute]]", "[chute]",
         "chute: found a table, expected tables in double brackets. Write [[chute]]."),
        ('id = "A"', "id = A",
         "line 7, column 6: found 'id = A' (invalid value), expected TOML. "
         "Write text in double quotes, patterns in single quotes, one key a line."),
    ],
)  # fmt: skip
def test_each_mistake_is_one_line_that_says_what_to_write(old: str, new: str, line: str):
    assert old in EXAMPLE
    (found,) = mistakes(EXAMPLE.replace(old, new, 1))
    assert found == line


def test_all_mistakes_are_told_at_once():
    lines = mistakes(EXAMPLE.replace("= 90", "= '90'").replace("units", "unit"))
    assert [line.partition(":")[0] for line in lines] == [
        'chute "A", limits.press_window_s', 'chute "A", limits.quiet_s', 'chute "A", floor "7"',
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("more", "line"),
    [
        ('[[chute.stream]]\nid = "recycling"\nkind = "other"',
         "chute \"A\", stream \"recycling\", id: found 'recycling' a second time, "
         "expected every id once. Rename or remove one."),
        ('[[chute.floor]]\nlabel = " 7 "',
         "chute \"A\", floor \" 7 \", label: found '7' a second time, "
         "expected every label once. Rename or remove one."),
        ('[[chute]]\nid = "A"\nprofile = "x"',
         "chute \"A\", id: found 'A' a second time, expected every id once. Rename or remove one."),
    ],
)  # fmt: skip
def test_ids_and_labels_stand_once(more: str, line: str):
    assert mistakes(f"{EXAMPLE}\n{more}\n") == [line]


def test_an_empty_file_lacks_both_tables():
    assert mistakes("") == [
        "found no site, expected a table [site] with id, name and time_zone. Add [site].",
        "found no chute, expected a table [[chute]] for each chute. Add [[chute]].",
    ]
    assert mistakes('chute = []\n[site]\nid="s"\nname="S"\ntime_zone="UTC"') == [
        "chute: found an empty list, expected a table [[chute]] for each chute. Change chute."
    ]


def test_a_misspelt_table_is_not_also_missing():
    text = EXAMPLE.replace("[[chute", "[[chutes").replace("[chute.", "[chutes.")
    assert mistakes(text) == [
        "found unknown key 'chutes', expected site, chute, campaign, work, mail, alert or digest. "
        "Write [[chute]]."
    ]


def test_a_key_given_twice_and_an_open_end_have_a_line_and_a_column():
    assert mistakes('[site]\nid = "a"\nid = "b"\n')[0].startswith("line 3, column 9: found 'id")
    assert mistakes('[site]\nid = "a"\nname = [1,').pop().startswith("line 3, column 11: found ")


def test_a_chute_that_the_site_lacks_is_told_with_the_nearest():
    text = EXAMPLE + '\n[[chute]]\nid = "north"\nprofile = "p"\n'
    with pytest.raises(SiteError) as caught:
        parse_site(text, "s.toml").chute("nort")
    assert str(caught.value) == "s.toml: found no chute 'nort', expected A, north. Write north."
    assert parse_site(text, "s.toml").chute("north").profile == "p"


@pytest.mark.parametrize("written", [EXAMPLE, EXAMPLE.replace("\n", "\r\n")])
def test_a_byte_order_mark_and_windows_line_ends_are_read(tmp_path: Path, written: str):
    path = tmp_path / "s.toml"
    path.write_bytes(codecs.BOM_UTF8 + written.encode())
    assert load_site(path).chutes == parse_site(EXAMPLE, "s.toml").chutes
    assert parse_site("\ufeff" + EXAMPLE, "s.toml").id == "quay-terrace"


def test_another_encoding_is_told_with_its_line(tmp_path: Path):
    path = tmp_path / "s.toml"
    path.write_bytes(EXAMPLE.replace("Quay Terrace", "Kaj\xe9").encode("cp1252"))
    with pytest.raises(SiteError) as caught:
        load_site(path)
    assert str(caught.value) == (
        f"{path}: line 3: found the byte 0xe9, expected text in UTF-8. Save the file as UTF-8."
    )


def test_a_file_that_is_missing_or_a_folder_is_told_in_one_line(tmp_path: Path):
    for path in (tmp_path / "none.toml", tmp_path):
        with pytest.raises(SiteError) as caught:
            load_site(path)
        (line,) = caught.value.lines
        assert line.startswith(f"{path}: found a file that cannot be read (")


@settings(max_examples=60, deadline=None)
@given(st.text(max_size=60), st.integers(0, len(EXAMPLE)))
def test_whatever_is_typed_into_a_file_it_is_read_or_told_line_by_line(typed: str, at: int):
    """No text makes a traceback: it parses, or every line has its four parts."""
    lines: tuple[str, ...] = ()
    try:
        parse_site(EXAMPLE[:at] + typed + EXAMPLE[at:], "s.toml")
    except SiteError as error:
        lines = (*error.lines, *str(error).splitlines())
    assert all(re.search(r"^s.toml: .*found .*, expected .*\. .*\.$", line) for line in lines)


def test_streams_that_share_a_container_must_not_contradict_each_other():
    text = (
        '[site]\nid = "quay"\nname = "Quay"\ntime_zone = "UTC"\n'
        '[[chute]]\nid = "A"\nprofile = "json-events"\n'
        '[[chute.stream]]\nid = "paper"\nkind = "recycling"\ncontainer = "mixed"\n'
        "container_l = 1100\n"
        '[[chute.stream]]\nid = "cans"\nkind = "recycling"\ncontainer = "mixed"\n'
        "container_l = 660\n"
    )
    with pytest.raises(SiteError) as caught:
        parse_site(text, "quay.toml")
    (line,) = caught.value.lines
    assert "container_l: found 660" in line
    assert "expected 1100" in line
    assert 'as stream "paper" of the same container' in line
    assert len(parse_site(text.replace("container_l = 660\n", ""), "quay.toml").chutes) == 1
