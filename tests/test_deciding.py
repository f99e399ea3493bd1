"""What a person decides of a draft stands instead of guesses, and gives a profile or a line."""

import tomllib
from functools import cache
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from loganalyzer.drafting import Draft, draft
from loganalyzer.drafting.deciding import MEANT, Answers
from loganalyzer.errors import AnalyzerError, InputError, UsageError
from loganalyzer.profile import parse_profile
from loganalyzer.site import Site, load_site
from tests.tools.dialects import DIALECTS, truth
from tests.tools.simulator.sitefile import site_toml

BY_NAME = {dialect.name: dialect for dialect in DIALECTS}
TRIED = ("codes, json", "fr semicolons", "en brackets", "en syslog", "es sheet", "en scans")


class Given:
    """An export, cut to some hundred lines, and its site."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    @cache  # noqa: B019 - one object for the module
    def __call__(self, name: str) -> tuple[Path, Site]:
        dialect = BY_NAME[name]
        plan, export = truth(dialect.house).plan, dialect.export()
        site, path = self.folder / f"{name}.site.toml", self.folder / f"{name}{export.ending}"
        site.write_text(site_toml(plan, {"A": "semicolon-text"}), encoding="utf-8")
        whole = export.ending == ".xlsx"
        path.write_bytes(export.data if whole else b"\n".join(export.data.split(b"\n")[:800]))
        return path, load_site(site)

    def draft(self, name: str, answers: Answers) -> Draft:
        path, site = self(name)
        return draft([path], site, "mine", answers)


@pytest.fixture(scope="module")
def exports(tmp_path_factory: pytest.TempPathFactory) -> Given:
    return Given(tmp_path_factory.mktemp("exports"))


def test_an_answer_takes_the_place_of_a_guess_and_is_no_question_any_more(exports: Given):
    key = "means:Porte ouverte"
    told = exports.draft("fr semicolons", {key: "unlocked on"})
    entries = tomllib.loads(told.text)["event"]
    (entry,) = [one for one in entries if one.get("text") == "Porte ouverte"]
    assert (entry["signal"], entry["edge"]) == ("unlocked", "on")
    (row,) = [one for one in told.meant if one.key == key]
    assert (row.guess, row.value, row.open) == ("open on", "unlocked on", False)
    left_out = exports.draft("fr semicolons", {key: ""})
    texts = [one.get("text") for one in tomllib.loads(left_out.text)["event"]]
    assert "Porte ouverte" not in texts


def test_labels_reasons_columns_and_stamps_can_be_told(exports: Given):
    plain = exports.draft("codes, json", {})
    by_key = {one.key: one for one in plain.fields}
    label = next(key for key in by_key if key.startswith("streams:"))
    code = next(key for key in by_key if key.startswith("refusals:"))
    column = by_key["code"].value
    assert by_key[code].open
    told = exports.draft("codes, json", {label: "organics", code: "full", "value": ""})
    profile = told.profile
    assert profile.streams[label.partition(":")[2]] == "organics"
    assert profile.refusals[code.partition(":")[2]] == "full"
    assert profile.columns.value is None
    taken = exports.draft("codes, json", {"order": column})
    assert (taken.profile.columns.order, taken.profile.columns.code) == (column, None)
    assert exports.draft("codes, json", {"zone": "Europe/Lisbon"}).profile.time.zone == (
        "Europe/Lisbon"
    )


def test_day_or_month_first_is_a_question_until_it_is_told(tmp_path: Path, exports: Given):
    path, site = tmp_path / "doors.csv", exports("fr semicolons")[1]
    path.write_text("\n".join(
        f"05/03/2026 {6 + n:02}:{minute:02}:00;{1 + n % 6};Door {state}"
        for n in range(12) for minute, state in ((1, "opened"), (2, "closed"))
    ))  # fmt: skip
    (asked,) = [one for one in draft([path], site, "mine").fields if one.key == "format"]
    assert asked.open
    assert {"%d/%m/%Y %H:%M:%S", "%m/%d/%Y %H:%M:%S"} <= set(asked.options)
    told = draft([path], site, "mine", {"format": "%m/%d/%Y %H:%M:%S"})
    (settled,) = [one for one in told.fields if one.key == "format"]
    assert (settled.value, settled.open) == ("%m/%d/%Y %H:%M:%S", False)
    assert told.profile.time.format == "%m/%d/%Y %H:%M:%S"
    with pytest.raises(AnalyzerError, match="%Y"):
        draft([path], site, "mine", {"format": "%Y"})


def test_the_form_of_a_line_can_be_told(exports: Given):
    path, _ = exports("en brackets")
    pattern = r"^\[(?P<stamp>[^\]]+)\]\s*(?P<text>.*)$"
    if not path.read_text().startswith("["):
        pattern = r"^(?P<stamp>\S+ \S+)\s+(?P<text>.*)$"
    told = exports.draft("en brackets", {"pattern": pattern})
    assert told.profile.lines is not None
    assert told.profile.lines.pattern == pattern
    for wrong, said in (("(", "regular expression"), ("x", "without a named group"),
                        ("^(?P<a>QQQ)", "lines that the pattern fits")):  # fmt: skip
        with pytest.raises(InputError, match=said):
            exports.draft("en brackets", {"pattern": wrong})


@pytest.mark.parametrize(
    "answers",
    [{"colour": "red"}, {"means:": "open on"}, {"means:X": "open"}, {"layout": "papyrus"},
     {"encoding": "rot13"}, {"zone": "x" * 3000}, {"refusals:R1": "bored"},
     {f"means:{n}": "ignore" for n in range(1001)}],
)  # fmt: skip
def test_an_answer_to_nothing_that_is_asked_is_told_in_one_line(answers: Answers, exports: Given):
    with pytest.raises(UsageError) as told:
        exports.draft("codes, json", answers)
    assert "\n" not in str(told.value)


@settings(
    max_examples=60, deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)  # fmt: skip
@given(data=st.data())
def test_whatever_is_decided_gives_a_profile_or_one_clear_line(data: st.DataObject, exports: Given):
    name = data.draw(st.sampled_from(TRIED))
    plain = exports.draft(name, {})
    texts = st.text(max_size=12) | st.sampled_from(
        ["", "%d.%m.%Y", "iso", "(?P<stamp>.*)", "(a+)+$", "\t", '"', "'''", "\x7f", "utc", "1"]
    )
    options = {one.key: st.sampled_from(one.options) | texts if one.options else texts
               for one in plain.fields}  # fmt: skip
    options |= {one.key: st.sampled_from(["", *MEANT]) for one in plain.meant}
    keys = data.draw(st.lists(st.sampled_from(sorted(options)), max_size=5, unique=True))
    answers = {key: data.draw(options[key]) for key in keys}
    try:
        found = exports.draft(name, answers)
    except AnalyzerError as error:
        assert "\n" not in str(error)  # noqa: PT017  # most answers are right and raise nothing
    else:
        assert parse_profile(found.text, "mine.toml") == found.profile


def test_answers_on_the_command_line(exports: Given, tmp_path: Path, capsys):
    from loganalyzer.cli import main

    path, site = exports("fr semicolons")
    out = tmp_path / "mine.toml"
    wanted = ["draft", str(path), "--site", site.file, "--out", str(out)]
    assert main([*wanted, "--answer", "means:Porte ouverte=note mark"]) == 0
    capsys.readouterr()
    entries = tomllib.loads(out.read_text(encoding="utf-8"))["event"]
    assert [e["signal"] for e in entries if e.get("text") == "Porte ouverte"] == ["note"]
    assert main([*wanted, "--force", "--answer", "nonsense"]) == 2
    assert "expected KEY=VALUE" in capsys.readouterr().err
