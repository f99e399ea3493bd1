"""Layout `syslog`: the examples of the RFCs, and any line as a slow parser reads it."""

import io
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loganalyzer.profile import Profile, parse_profile
from loganalyzer.readers import kinds, syslog

HEADER = ("stamp", "host", "app", "msgid", "text")
BOM = "\ufeff"


def profile(*parameters: str, skip_lines: int = 0) -> Profile:
    wanted = ", ".join(f'"{name}"' for name in (*HEADER[1:], *parameters))
    return parse_profile(
        f"""
        name = "messages"
        layout = "syslog"
        skip_lines = {skip_lines}
        [columns]
        time = "stamp"
        event = [{wanted}]
        [time]
        format = "iso"
        """,
        "messages.toml",
    )


def read(text: str, *parameters: str, size: int = 1 << 20) -> list[dict]:
    """The records of an export, after checking that every line is accounted for."""
    rows: list[dict] = []
    for batch in syslog.read(io.BytesIO(text.encode()), profile(*parameters), "x.log", size=size):
        assert batch.lines == batch.records.num_rows + batch.rejects.num_rows + batch.ignored
        assert batch.rejects.num_rows == 0
        rows += batch.records.to_pylist()
    return rows


def one(line: str, *parameters: str) -> dict:
    (row,) = read(line + "\n", *parameters)
    return {name: value for name, value in row.items() if value is not None and name != "line"}


# Source: RFC 5424 section 6.5, as quoted in several parsers' tests.


def test_rfc_5424_first_example_drops_the_byte_order_mark_and_nil_values():
    line = (
        "<34>1 2003-10-11T22:14:15.003Z mymachine.example.com su - ID47 - "
        f"{BOM}'su root' failed for lonvick on /dev/pts/8"
    )
    assert one(line) == {
        "stamp": "2003-10-11T22:14:15.003Z", "host": "mymachine.example.com", "app": "su",
        "msgid": "ID47", "text": "'su root' failed for lonvick on /dev/pts/8",
    }  # fmt: skip


def test_rfc_5424_second_example_has_microseconds_an_offset_and_no_message_id():
    line = (
        "<165>1 2003-08-24T05:14:15.000003-07:00 192.0.2.1 myproc 8710 - - "
        "%% It's time to make the do-nuts."
    )
    assert one(line) == {
        "stamp": "2003-08-24T05:14:15.000003-07:00", "host": "192.0.2.1", "app": "myproc",
        "text": "%% It's time to make the do-nuts.",
    }  # fmt: skip


THIRD = (
    "<165>1 2003-10-11T22:14:15.003Z mymachine.example.com evntslog - ID47 "
    '[exampleSDID@32473 iut="3" eventSource="Application" eventID="1011"]'
)


def test_rfc_5424_third_example_has_parameters_and_a_message():
    found = one(f"{THIRD} {BOM}An application event log entry...", "iut", "eventSource", "eventID")
    assert found == {
        "stamp": "2003-10-11T22:14:15.003Z", "host": "mymachine.example.com", "app": "evntslog",
        "msgid": "ID47", "iut": "3", "eventSource": "Application", "eventID": "1011",
        "text": "An application event log entry...",
    }  # fmt: skip


def test_rfc_5424_fourth_example_has_two_elements_and_an_empty_message():
    found = one(f'{THIRD}[examplePriority@32473 class="high"]', "iut", "class")
    assert (found["iut"], found["class"], found["text"]) == ("3", "high", "")


def test_only_three_characters_are_escaped_in_a_parameter():
    # Source: RFC 5424 section 6.3.3.
    data = r'[a@1 note="a \"b\" \\ \] \n \\\"" door="7"]'
    found = one(f"<34>1 2003-10-11T22:14:15Z h a - - {data}", "note", "door")
    assert found["note"] == r'a "b" \ ] \n \"'
    assert found["door"] == "7"


def test_a_parameter_is_not_found_inside_the_value_of_another():
    data = r'[a@1 note="x door=" kind="\" door=\"8\""][b@1 door="9"]'
    assert one(f"<34>1 2003-10-11T22:14:15Z h a - - {data}", "door")["door"] == "9"


# Source: RFC 3164 section 5.4, as quoted in public parsers' tests.


def test_rfc_3164_first_example():
    line = "<34>Oct 11 22:14:15 mymachine su: 'su root' failed for lonvick on /dev/pts/8"
    assert one(line) == {
        "stamp": "Oct 11 22:14:15", "host": "mymachine", "app": "su",
        "text": "'su root' failed for lonvick on /dev/pts/8",
    }  # fmt: skip


def test_rfc_3164_a_line_without_header_is_content_and_its_first_word_no_tag():
    assert one("Use the BFG!") == {"text": "Use the BFG!"}


def test_rfc_3164_the_relayed_form_has_a_padded_day_and_no_tag():
    assert one("<13>Feb  5 17:32:18 10.0.0.99 Use the BFG!") == {
        "stamp": "Feb  5 17:32:18", "host": "10.0.0.99", "text": "Use the BFG!",
    }  # fmt: skip


def test_rfc_3164_third_example_by_the_letter_takes_the_zone_for_the_host():
    text = (
        "1987 mymachine myproc[10]: %% It's time to make the do-nuts.  %%  Ingredients: Mix=OK, "
        "Jelly=OK # Devices: Mixer=OK, Jelly_Injector=OK, Frier=OK # Transport: Conveyer1=OK, "
        "Conveyer2=OK # %%"
    )
    assert one(f"<165>Aug 24 05:34:00 CST {text}") == {
        "stamp": "Aug 24 05:34:00", "host": "CST", "text": text,
    }  # fmt: skip


@pytest.mark.parametrize("tag", ["chute:", "chute[812]:", "chute[812]"])
def test_a_tag_with_or_without_a_process_is_the_app(tag):
    found = one(f"Oct 11 22:14:15 ctl-1 {tag} D7 OPEN")
    assert (found["app"], found["text"]) == ("chute", "D7 OPEN")


@pytest.mark.parametrize("pri", ["<192>", "<034>", "<999>", "<1234>", "<>", "<-1>"])
def test_an_impossible_pri_makes_the_whole_line_content(pri):
    # Source: RFC 3164 sections 4.1.1 (0 to 191, no leading zero) and 4.3.3.
    line = f"{pri}Oct 11 22:14:15 mymachine su: x"
    assert one(line) == {"text": line}


@pytest.mark.parametrize("pri", ["<0>", "<9>", "<10>", "<191>", ""])
def test_a_possible_pri_or_none_leaves_the_header(pri):
    assert one(f"{pri}Oct 11 22:14:15 mymachine su: x")["stamp"] == "Oct 11 22:14:15"


@pytest.mark.parametrize("version", ["0", "01"])
def test_an_impossible_version_makes_the_whole_line_content(version):
    line = f"<34>{version} 2003-10-11T22:14:15Z h a - - - x"
    assert one(line) == {"text": line}


def test_a_good_pri_before_no_header_is_not_content():
    assert one("<13>Use the BFG!") == {"text": "Use the BFG!"}


def test_only_columns_that_the_profile_names_are_made():
    rule = profile().model_copy(
        update={"columns": profile().columns.model_copy(update={"event": ("door",)})}
    )
    (batch,) = syslog.read(io.BytesIO(b"Use the BFG!\n"), rule, "x.log")
    assert sorted(batch.records.column_names) == ["door", "line", "stamp"]


def test_preamble_and_blank_lines_are_ignored():
    (batch,) = syslog.read(io.BytesIO(b"head\n\n \nUse\n"), profile(skip_lines=1), "x.log")
    assert (batch.lines, batch.ignored, batch.records["line"].to_pylist()) == (4, 3, [4])


def slowly(line: str, parameters: tuple[str, ...]) -> dict:
    """One line, read character by character as the RFCs tell it."""
    row: dict = dict.fromkeys([*HEADER, *parameters])
    pri = re.match(r"<(\d{1,3})>", line, re.ASCII)
    rest = line[pri.end() :] if pri else line
    if pri and (int(pri[1]) > 191 or str(int(pri[1])) != pri[1]):
        return row | {"text": line}
    words = rest.split(" ", 6)
    if len(words) == 7 and words[0].isdigit() and re.match(r"-$|\d{4}-\d\d-\d\dT\S", words[1]):
        found = structured(words[6])
        if found is not None and all(words[1:6]):
            if words[0][0] == "0":
                return row | {"text": line}
            values = [None if word == "-" else word for word in words[1:6]]
            row.update(zip(("stamp", "host", "app"), values[:3], strict=True), msgid=values[4])
            row.update((name, found[0][name]) for name in parameters if name in found[0])
            return row | {"text": found[1].removeprefix(BOM)}
    if header := re.match(r"([A-Z][a-z]{2}  ?\d\d? \d\d:\d\d:\d\d) (\S+) (.*)", rest):
        tag, colon, text = header[3].partition(":")
        row.update(stamp=header[1], host=header[2], text=header[3])
        if colon and re.fullmatch(r"\w+", tag) and text[:1] in ("", " "):
            row.update(app=tag, text=text[1:])
        return row
    return row | {"text": rest}


def structured(text: str) -> tuple[dict, str] | None:
    """Structured data's parameters, the first of each name, and the message behind."""
    found: dict = {}
    at = 1 if text.startswith("-") else 0
    while at != 1 and text[at : at + 1] == "[":
        element = re.compile(r"\[\w+").match(text, at)
        if not element:
            return None
        at = element.end()
        while text[at : at + 1] == " ":
            name = re.compile(r' (\w+)="').match(text, at)
            if not name:
                return None
            at, value = name.end(), ""
            while at < len(text) and text[at] != '"':
                at += text[at] == "\\" and text[at + 1 : at + 2] in ('"', "\\", "]")
                value += text[at : at + 1]
                at += 1
            if text[at : at + 1] != '"':
                return None
            found.setdefault(name[1], value)
            at += 1
        if text[at : at + 1] != "]":
            return None
        at += 1
    if at == 0 or text[at : at + 1] not in ("", " "):
        return None
    return found, text[at + 1 :]


VALUES = st.lists(
    st.sampled_from(["7", "12", "OPEN", '\\"', "\\\\", "\\]", "\\n", " ", " door=", "é", "["]),
    max_size=4,
).map("".join)
ELEMENTS = st.builds(
    lambda name, pairs: (
        f"[{name}{''.join(f' {key}={chr(34)}{value}{chr(34)}' for key, value in pairs)}]"
    ),
    st.sampled_from(["a", "chute7"]),
    st.lists(st.tuples(st.sampled_from(["door", "in1", "in2", "stream"]), VALUES), max_size=3),
)
DATA = st.just("-") | st.lists(ELEMENTS, min_size=1, max_size=2).map("".join)
MODERN = st.builds(
    "<{}>{} {} {} app - {} {}{}".format,
    st.integers(0, 195), st.sampled_from("1120"),
    st.sampled_from(["-", "2026-01-02T10:31:00Z", "2026-11-12T10:31:09.5+01:00", "soon"]),
    st.sampled_from(["-", "ctl-1", "ctl-2", "é"]), st.sampled_from(["-", "ID4", "ID5"]), DATA,
    st.sampled_from(["", " ", " D7 OPEN", f" {BOM}D8", "x"]),
)  # fmt: skip
CLASSIC = st.builds(
    "{}{} ctl {}".format,
    st.sampled_from(["", "<34>", "<199>", "<07>"]),
    st.sampled_from(["Oct 11 22:14:15", "Feb  5 07:32:18", "Feb 5 07:32:18", "Oct 11 22:14"]),
    st.sampled_from(["su: D7", "su:D7", "su:", "D7 OPEN", "D7 a: b", ""]),
)
DAMAGED = st.builds(lambda line, cut: line[:cut], MODERN, st.integers(0, 90))
LINES = st.lists(
    (MODERN | CLASSIC | DAMAGED).filter(lambda line: line.strip() and "\n" not in line), max_size=8
)


@pytest.mark.parametrize("few", [kinds.FEW, -1], ids=["by kinds", "line by line"])
@given(lines=LINES, size=st.integers(1, 300))
@settings(max_examples=100, deadline=None)
def test_any_line_reads_as_a_slow_parser_reads_it(few, lines, size):
    parameters = ("door", "in1", "in2")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(kinds, "FEW", few)
        patch.setattr(kinds, "SHARE", -1)
        rows = read("".join(f"{line}\n" for line in lines), *parameters, size=size)
    assert rows == [
        {"line": number, **{name: row[name] for name in rows[0] if name != "line"}}
        for number, row in enumerate((slowly(line, parameters) for line in lines), 1)
    ]
