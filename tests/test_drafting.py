"""Drafting a profile for an export that no profile reads, as its user sees it."""

import json
import tomllib
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from loganalyzer.cli import main
from loganalyzer.drafting import draft
from loganalyzer.profile import load_profile
from loganalyzer.site import load_site
from tests.benchmarks.draft import measure, site_of
from tests.tools.dialects import DIALECTS, Dialect, truth
from tests.tools.dialects.lines import Manner, lines
from tests.tools.simulator.sitefile import site_toml

BY_NAME = {dialect.name: dialect for dialect in DIALECTS}


@pytest.fixture
def site(tmp_path: Path) -> Path:
    path = tmp_path / "tower.toml"
    path.write_text(site_toml(truth(0).plan, {"A": "semicolon-text"}))
    return path


def given(dialect: Dialect, folder: Path) -> Path:
    export = dialect.export()
    path = folder / f"week{export.ending}"
    path.write_bytes(export.data)
    return path


@pytest.mark.parametrize("name", ["fr semicolons", "en brackets", "en scans", "es sheet"])
def test_plain_words_are_mapped_without_an_answer(name: str):
    found = measure(BY_NAME[name])
    assert found.right >= 0.95 * found.lines, found.wrong


def test_meaningless_codes_are_mapped_by_what_they_do_and_what_is_wrong_is_asked():
    found = measure(BY_NAME["codes, json"])
    assert found.right >= 0.8 * found.lines, found.wrong
    assert found.lines - found.right == found.wrong_unsure


def test_the_draft_is_a_profile_that_inspect_reads(tmp_path: Path, site: Path, capsys):
    export, out = given(BY_NAME["codes, json"], tmp_path), tmp_path / "new.toml"
    assert main(["draft", str(export), "--site", str(site), "--out", str(out)]) == 0
    said = capsys.readouterr().out
    assert f"loganalyzer inspect {export} --profile {out} --site {site}" in said
    assert "QUESTION" in out.read_text()
    assert load_profile(str(out), None).layout == "json"
    wanted = ["inspect", str(export), "--profile", str(out), "--site", str(site), "--json"]
    assert main(wanted) == 0
    (found,) = json.loads(capsys.readouterr().out)
    assert found["understood"] > 0.99


def test_each_question_stands_beside_lines_of_the_export(tmp_path: Path, site: Path, capsys):
    export, out = given(BY_NAME["codes, json"], tmp_path), tmp_path / "new.toml"
    main(["draft", str(export), "--site", str(site), "--out", str(out), "--json"])
    told = json.loads(capsys.readouterr().out)
    assert told["questions"]
    lines = out.read_text().splitlines()
    asked = [
        n
        for n, line in enumerate(lines)
        if line.startswith("# QUESTION: ") and " lines: " in line and "about?" not in line
    ]
    assert len(asked) == sum(not one["sure"] for one in told["guesses"])
    number, _, text = lines[asked[0] + 1].removeprefix("#   ").partition(": ")
    assert export.read_text().splitlines()[int(number) - 1].startswith(text[:100])


def test_a_file_that_is_there_is_kept(tmp_path: Path, site: Path, capsys):
    export, out = given(BY_NAME["codes, json"], tmp_path), tmp_path / "mine.toml"
    out.write_text("# by hand")
    wanted = ["draft", str(export), "--site", str(site), "--out", str(out)]
    assert main(wanted) == 2
    assert "--force" in capsys.readouterr().err
    assert out.read_text() == "# by hand"
    assert main([*wanted, "--force"]) == 0
    assert tomllib.loads(out.read_text())["layout"] == "json"


def dated(form: str, days: int = 1) -> list[str]:
    """Doors that open and close under dates in a form."""
    return [
        f"{form.format(day=4 + day)} {6 + use:02}:{minute:02}:00;{1 + use % 6};Door {state}"
        for day in range(days) for use in range(12)
        for minute, state in ((1, "opened"), (2, "closed"))
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("form", "days", "wanted", "asked"),
    [
        ("{day:02}/03/2026", 14, "%d/%m/%Y %H:%M:%S", False),  # a 13th is a day
        ("03/{day:02}/2026", 14, "%m/%d/%Y %H:%M:%S", False),
        ("{day:02}/03/2026", 5, "%d/%m/%Y %H:%M:%S", False),  # days that follow one another
        ("03/{day:02}/2026", 5, "%m/%d/%Y %H:%M:%S", False),
        ("{day:02}/03/2026", 1, "%d/%m/%Y %H:%M:%S", True),  # nothing settles it
    ],
)
def test_day_or_month_first_is_settled_by_the_whole_file(
    form: str, days: int, wanted: str, asked: bool, tmp_path: Path, site: Path, capsys
):
    export, out = tmp_path / "doors.csv", tmp_path / "doors.toml"
    export.write_text("\n".join(dated(form, days)))
    assert main(["draft", str(export), "--site", str(site), "--out", str(out), "--json"]) == 0
    assert tomllib.loads(out.read_text())["time"]["format"] == wanted
    questions = json.loads(capsys.readouterr().out)["questions"]
    assert any("the day or the month" in one for one in questions) == asked


BAD = {
    "empty.txt": (b"", "an empty file"),
    "scan.pdf": (b"%PDF-1.7\n1 0 obj\n<< /Type /Catalog >>\nendobj\n" * 9, "because it is a PDF"),
    "bank.csv": (b"Date;Text;Amount\n" + b"".join(
        b"%02d.01.2026 12:00:00;Card payment %d;-%d,50\n" % (1 + n % 28, n % 5, n)
        for n in range(90)), "nothing in it names a floor of the site"),
    "access.log": (b'10.0.0.1 - - [02/Feb/2026:07:02:00 +0000] "GET /a HTTP/1.1" 200 5\n' * 40,
                   "requests to a web server"),
    "code.py": (b"def f(x):\n    return x\n" * 9, "none of its 18 lines holds a date and a time"),
    "letter.txt": (b"Dear all,\nthe chute is cleaned on Monday.\nKind regards\n" * 9,
                   "none of its 27 lines holds a date and a time"),
    "photo.jpg": (b"\xff\xd8\xff\xe0" + bytes(range(256)) * 40, "this is not an event log"),
    "prices.csv": (b"item;count;price\n" + b"bag;12;3,50\nbox;4;1,20\n" * 20,
                   "no column of it holds stamps"),
    "mixed.log": (b'{"ts":"2026-03-02T06:00:00","e":"open"}\n' * 30
                  + b"2026-03-02 06:00:00 Door 2 opened\n" * 30, "two kinds of lines mixed"),
}  # fmt: skip


@pytest.mark.parametrize("name", BAD)
def test_what_is_no_event_log_is_refused_in_one_line(name: str, tmp_path: Path, site: Path, capsys):
    content, because = BAD[name]
    (tmp_path / name).write_bytes(content)
    out = tmp_path / "x.toml"
    assert main(["draft", str(tmp_path / name), "--site", str(site), "--out", str(out)]) == 3
    said = capsys.readouterr().err
    assert because in said
    assert said.count("\n") == 1
    assert not out.exists()


@pytest.mark.parametrize(
    ("opened", "closed"),
    [("Ajtó nyitva", "Ajtó csukva"), ("θύρα άνοιξε", "θύρα έκλεισε")],
)
def test_a_log_in_a_language_we_do_not_know_is_told_to_be_guessed_by_behaviour(
    opened: str, closed: str, tmp_path: Path, site: Path, capsys
):
    rows = [line.replace("Door opened", opened).replace("Door closed", closed)
            for line in dated("{day:02}.03.2026", 14)]  # fmt: skip
    export, out = tmp_path / "naplo.csv", tmp_path / "naplo.toml"
    export.write_text("\n".join(rows))
    assert main(["draft", str(export), "--site", str(site), "--out", str(out)]) == 0
    assert "no word of it is known" in capsys.readouterr().err


def test_two_controllers_in_one_file_are_suspected_where_two_doors_stand_open(
    tmp_path: Path, site: Path, capsys
):
    rows = []
    for day in range(4, 18):
        for use in range(12):
            for second, floor, state in ((1, 2, "opened"), (9, 5, "opened"), (20, 2, "closed"),
                                         (31, 5, "closed")):  # fmt: skip
                door = floor if use % 3 else floor - 1
                rows.append(f"{day:02}.03.2026 {6 + use:02}:00:{second:02};{door};Door {state}")
    export, out = tmp_path / "both.csv", tmp_path / "both.toml"
    export.write_text("\n".join(rows))
    main(["draft", str(export), "--site", str(site), "--out", str(out)])
    assert "two controllers write in this file, because at " in capsys.readouterr().err


MIXED = {
    "by a column": (lambda who, at, line: f"{at};CTRL{who};{line.floor};{line.text};{line.code}",
                    "CTRLA, CTRLB (column column_2)"),
    "by a word": (lambda who, at, line: f"{at} unit{who} {line.text} {line.floor} {line.code}",
                  "unitA, unitB (the first word of the text)"),
    "by nothing": (lambda who, at, line: f"{at};{line.floor};{line.text};{line.code}",
                   "no column or word tells their lines apart"),
}  # fmt: skip


@pytest.mark.parametrize("how", MIXED)
def test_two_controllers_in_one_file_are_told_with_what_parts_them(
    how: str, tmp_path: Path, site: Path, capsys
):
    write, told = MIXED[how]
    one = lines(truth(0), Manner("codes", "codes", "codes", str, seed=3))
    moved = [(line.at + timedelta(hours=26, seconds=11), "B", line) for line in one]
    both = sorted([*((line.at, "A", line) for line in one), *moved], key=lambda each: each[0])
    export, out = tmp_path / "both.log", tmp_path / "both.toml"
    export.write_text(
        "\n".join(write(who, f"{at:%d.%m.%Y %H:%M:%S}", line).strip() for at, who, line in both)
    )
    main(["draft", str(export), "--site", str(site), "--out", str(out)])
    said = capsys.readouterr().err
    assert "two controllers write in this file" in said
    assert "begin before the one before is over (line " in said
    assert told in said


def coded(text: str, floor: str, code: str) -> list[str]:
    """Doors that open and close, and now and then a fault that comes and goes."""
    rows = [f"{line};" for line in dated("{day:02}.03.2026", 14)]
    for day in (5, 7, 8, 12, 15):
        for minute, state in ((31, "on"), (44, "off")):
            rows.append(f"{day:02}.03.2026 {day + 3:02}:{minute}:00;{floor};{text} {state};{code}")
    return sorted(rows)


@pytest.mark.parametrize(
    ("text", "floor", "component", "sure"),
    [
        ("Smoke detector", "", "fire", False),  # and of a contact
        ("Weiche", "", "sorter", True),
        ("Drahtbruch", "3", "wiring", True),
        ("Pestillo", "3", "latch", True),
        ("Prensa", "", "compactor", True),
        ("Fonte de tensão", "", "power", True),
        ("Group", "", "other", False),  # nothing says so, nothing is under way
    ],
)
def test_what_a_fault_code_is_about_is_told_by_words_or_asked(
    text: str, floor: str, component: str, sure: bool, tmp_path: Path, site: Path
):
    export = tmp_path / "faults.csv"
    export.write_text("\n".join(coded(f"{text} alarm", floor, "E12")))
    drafted = draft([export], load_site(site), "faults")
    (code,) = drafted.codes
    assert (code.code, code.component, code.sure) == ("E12", component, sure)
    assert drafted.profile.codes.keys() == ({"E12"} if sure else set())
    assert any("what is fault code E12 about" in one for one in drafted.questions) != sure


def test_what_codes_without_words_are_about_is_guessed_by_when_they_come(tmp_path: Path):
    # The simulator's faults: a slow sorter, a door held open, a stiff latch at one door.
    dialect = BY_NAME["codes, json"]
    drafted = draft([given(dialect, tmp_path)], site_of(dialect), "codes")
    found = {one.component: one for one in drafted.codes}
    assert "by chance" in found["sorter"].evidence
    assert "while open" in found["door"].evidence
    assert not any(one.sure for one in drafted.codes)


@pytest.mark.parametrize(
    "name", ["held: en uptime", "held: fr month names", "held: es second sheet"]
)
def test_uptimes_month_names_and_later_sheets_are_drafted(name: str):
    found = measure(BY_NAME[name])
    assert found.right >= 0.95 * found.lines, found.wrong
    assert not any("SURE" in told for told in found.wrong)


def test_streams_without_a_name_are_told_by_the_days_they_are_emptied(tmp_path: Path):
    # Labels in another order than the site file's: only the pickups can tell.
    manner = Manner("codes", "codes", "codes", str, seed=5)
    turned = {"S1": "K7", "S2": "K9", "S3": "K8", "": ""}
    rows = [replace(line, stream=turned[line.stream]) for line in lines(truth(0), manner)]
    dialect = replace(BY_NAME["codes, json"], write=lambda _: BY_NAME["codes, json"].write(rows))
    drafted = draft([given(dialect, tmp_path)], site_of(dialect), "codes")
    assert dict(drafted.profile.streams) == {"K7": "refuse", "K9": "recycling", "K8": "organics"}
    assert not any("streams" in one for one in drafted.questions)
