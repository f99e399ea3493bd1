"""What the audit hands on: incidents, findings, the command's text and JSON, tables."""

import json

import pandas as pd
import pytest

from loganalyzer.cli import main
from loganalyzer.incidents.kinds import CAUTION as HANDS_OFF
from loganalyzer.site import Chute, Limits, Site
from loganalyzer.views import about_audit, analyse, summary
from loganalyzer.views.audit_report import CAUTION, audit_dict, audit_text, shown_violations
from tests.audited import (
    END,
    FALL,
    LANDED,
    LOCK,
    LOCKOUT,
    OPEN,
    PRESS,
    RELEASE,
    SHUT,
    UNLOCK,
    site,
)
from tests.build import timeline

# Two doors at once; later the diverter moves at an open door, and again a minute and a half on.
BREACHES = (
    (0, "7", *UNLOCK), (2, "7", *OPEN), (5, "8", *UNLOCK), (11, "7", *SHUT), (12, "7", *LOCK),
    (16, "8", *LOCK), (50, None, "positioning", "on"), (55, None, "positioning", "off"),
    (1000, "9", *UNLOCK), (1001, "9", *OPEN), (1003, None, "positioning", "on"),
    (1008, None, "positioning", "off"), (1094, None, "positioning", "on"),
    (1099, None, "positioning", "off"), (1131, "9", *SHUT), (1132, "9", *LOCK),
    (1133, *FALL), (1145, *LANDED), (1999, *END),
)  # fmt: skip


@pytest.fixture(scope="module")
def found():
    return analyse(timeline(*BREACHES), site())


KINDS = ("broken_rule", "broken_rules", "setting", "reading")


def sooner(floor="9", n=4, start=0):
    """Lockouts after four presses where the site file says that more than four bring one."""
    log = [(start - 4000, *END)]
    for at in range(start, start + 3600 * n, 3600):
        log += [(at + 10 * i, floor, *PRESS) for i in range(4)]
        log += [(at + 30, floor, *LOCKOUT), (at + 121, floor, *RELEASE)]
    return [*log, (start + 3600 * n, *END)]


def told(analysis, kind):
    finders = (about_audit.broken_rules, about_audit.other_settings, about_audit.other_rules)
    return [one for finder in finders for one in finder(analysis) if one.kind == kind]


def breaches(analysis):
    incidents = analysis.incidents
    return incidents[incidents["kind"].eq("interlock_breach")].to_dict("records")


def test_breaches_of_a_minute_are_one_incident_and_later_ones_another(found):
    rows = breaches(found)
    assert [json.loads(row["evidence"]) for row in rows] == [["log:3"], ["log:11"], ["log:13"]]
    assert [row["floor"] for row in rows] == ["8", "9", "9"]
    assert [row["for"] for row in rows] == ["technician"] * 3
    assert len({row["incident"] for row in rows}) == 3
    assert all(HANDS_OFF in row["advice"] for row in rows)
    assert rows[0]["advice"].endswith(
        "The log: door 8 unlocked while door 7 was unlocked (line 1), both for at least 6 s."
    )


def test_violations_of_several_rules_at_one_moment_are_one_incident():
    log = [
        (-61, "7", *UNLOCK), (-51, "7", *LOCK), (0, *FALL), (4, None, "positioning", "on"),
        (9, None, "positioning", "off"), (12, *LANDED), (61, *END),
    ]  # fmt: skip
    (row,) = breaches(analyse(timeline(*log), site()))
    assert row["code"] == "clearing_holds sorter_still"
    assert json.loads(row["evidence"]) == ["log:4"]


def test_a_lockout_that_breaks_its_rule_is_no_breach_of_the_interlock():
    analysis = analyse(timeline(*sooner(n=2)), site())
    assert analysis.violations["rule"].tolist() == ["lockout_trips"] * 2
    assert breaches(analysis) == []


def test_every_broken_rule_is_told_to_the_technician_with_its_figures_and_lines(found):
    one, still = told(found, "broken_rule")
    assert one.who == "technician"
    assert (one.floor, one.n, one.value) == ("8", 3, pytest.approx(100 / 3))
    assert one.evidence == ("log:3",)
    assert one.sentence == (
        "Chute A: the log shows a rule broken, 'never two doors unlocked or open at once', once "
        "in 3 tests; first at 2025-03-03 08:00:05, line 3: door 8 unlocked while door 7 was "
        "unlocked (line 1), both for at least 6 s."
    )
    assert still.evidence == ("log:11", "log:13")


def test_the_manager_is_told_once_a_chute_and_that_a_log_is_no_inspection(found):
    (finding,) = told(found, "broken_rules")
    assert finding.who == "manager"
    assert finding.sentence.startswith("Chute A: the log shows 2 safety rules broken:")
    assert "a log is no inspection" in finding.sentence


def test_a_building_that_keeps_its_rules_has_no_such_finding():
    quiet = analyse(timeline(*BREACHES[:2], *BREACHES[3:5], *BREACHES[-1:]), site())
    assert not [one for kind in KINDS for one in told(quiet, kind)]


def test_the_summary_tells_what_the_audit_found(found):
    kinds = {finding.kind for finding in summary(found).findings}
    assert kinds & set(KINDS) == {"broken_rule", "broken_rules"}


@pytest.mark.parametrize(
    ("limits", "said"),
    [
        (Limits(press_limit=4), "the site file says 4"),
        (Limits(), "the site file says nothing and 4 is the default"),
    ],
)
def test_a_setting_that_is_another_is_told_with_what_the_site_file_says(limits, said):
    chute = Chute(id="A", profile="p", limits=limits)
    sites = {"quay": Site("quay", "Quay", "UTC", (chute,))}
    (finding,) = told(analyse(timeline(*sooner()), sites), "setting")
    assert (finding.who, finding.floor, finding.value, finding.n) == ("technician", "9", 3, 4)
    assert finding.sentence == (
        "Floor 9 of chute A locks out after 3 presses (at the next one), "
        f"{said} (shown 4 times by the log)."
    )
    assert len(finding.evidence) == 4


def test_a_period_counts_only_what_lies_in_it_and_judges_by_the_whole_log():
    start = pd.Timestamp("2025-03-03T08:10:00Z")
    part = analyse(timeline(*BREACHES), site(), spans={"quay": (start, None)})
    assert part.violations["line"].tolist() == [11, 13]
    rules = part.audit.set_index("rule")
    assert rules.loc["one_door", ["tested", "broken"]].tolist() == [1, 0]
    assert rules.loc["sorter_still", ["tested", "broken"]].tolist() == [2, 2]


def test_the_text_has_every_rule_its_verdict_and_the_caution_at_both_ends(found):
    text = audit_text(found, {("log", 3): ("week.csv", "08:00:05;8;UNLOCK")})
    assert text.startswith(CAUTION)
    assert text.endswith(CAUTION)
    assert "nothing here is evidence that an interlock works" in text.lower().replace("\n", " ")
    lines = [line for line in text.splitlines() if line.startswith("  ")]
    assert any("the diverter never moves" in line and "broken" in line for line in lines)
    assert any(
        line.endswith("not testable from this log: service not in the log") for line in lines
    )
    assert "      week.csv line 3: 08:00:05;8;UNLOCK" in text


def test_the_json_has_the_same_and_times_in_utc(found):
    whole = json.loads(json.dumps(audit_dict(found)))
    assert [row["rule"] for row in whole["rules"] if row["broken"]] == ["one_door", "sorter_still"]
    assert whole["rules"][3]["tested"] is None
    assert whole["violations"][0]["time"] == "2025-03-03T08:00:05.000000Z"
    assert whole["settings"] == []


def test_of_many_violations_the_first_are_printed_and_the_rest_counted():
    log = [
        event
        for start in range(0, 60 * 100, 100)
        for event in (
            (start, *FALL), (start + 4, "7", *UNLOCK), (start + 9, "7", *LOCK),
            (start + 12, *LANDED),
        )
    ]  # fmt: skip
    analysis = analyse(timeline(*log), site())
    assert len(shown_violations(analysis)) == 20
    assert "    and 40 more, in the table violations" in audit_text(analysis, {})


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    folder = tmp_path_factory.mktemp("audit")
    (folder / "site.toml").write_text(
        '[site]\nid = "quay"\nname = "Quay"\ntime_zone = "Europe/Lisbon"\n'
        '[[chute]]\nid = "A"\nprofile = "plain.toml"\n'
    )
    events = {"unlocked": "unlocked", "open": "open", "positioning": "positioning"}
    (folder / "plain.toml").write_text(
        'name = "plain"\nlayout = "delimited"\n[delimited]\ndelimiter = ";"\nheader = true\n'
        '[columns]\ntime = ["time"]\nfloor = "door"\nevent = "text"\n'
        '[time]\nformat = "iso"\nzone = "site"\n'
        + "".join(
            f'[[event]]\ntext = "{signal} {edge}"\nsignal = "{signal}"\nedge = "{edge}"\n'
            for signal in events
            for edge in ("on", "off")
        )
    )
    rows = [
        f"2025-06-03T08:{at // 60:02d}:{at % 60:02d};{floor or ''};{signal} {edge}"
        for at, floor, signal, edge in BREACHES
        if signal in events and at < 3600
    ]
    (folder / "log.csv").write_text("time;door;text\n" + "\n".join(rows) + "\n")
    options = ["--store", str(folder / "store"), "--site", str(folder / "site.toml")]
    assert main(["import", str(folder / "log.csv"), *options]) == 0
    return folder / "store"


def test_the_command_prints_the_violations_with_their_lines(store, capsys):
    capsys.readouterr()
    assert main(["audit", "--store", str(store)]) == 0
    text = capsys.readouterr().out
    assert "quay, chute A (times: Europe/Lisbon)" in text
    assert "2025-06-03 08:00:05  door 8 unlocked while door 7 was unlocked (line 2)" in text
    assert "log.csv line 4: 2025-06-03T08:00:05;8;unlocked on" in text


def test_the_command_prints_one_json_document(store, capsys):
    capsys.readouterr()
    assert main(["audit", "--store", str(store), "--json", "--from", "2025-06-03T08:10"]) == 0
    whole = json.loads(capsys.readouterr().out)
    assert [row["line"] for row in whole["violations"]] == [12, 14]


def test_both_tables_can_be_exported(store, tmp_path):
    for name, rows in (("violations", 3), ("audit", 10)):
        out = tmp_path / f"{name}.csv"
        assert main(["export", name, "--store", str(store), "--out", str(out)]) == 0
        assert len(pd.read_csv(out)) == rows
