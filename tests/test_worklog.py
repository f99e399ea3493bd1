"""Work and campaigns told in the dashboard: kept beside the site file, whatever is imported."""

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from dashboards.access.rights import Rights
from dashboards.data import Data
from dashboards.pages import done as page
from dashboards.pages.choice import Choice
from dashboards.pages.frame import view_of
from loganalyzer import worklog
from loganalyzer.cli import main
from loganalyzer.store import Store

ROOT = Path(__file__).parent.parent
SITE = ROOT / "sample_logs" / "mill-court.toml"
FORM = {"component": "", "date": "2026-10-12", "floors": "3, 4", "chute": "",
        "note": "letter"}  # fmt: skip


def imported(store):
    export = sorted((SITE.with_suffix("")).rglob("*.*"))[0]
    assert main(["import", str(export), "--store", str(store), "--site", str(SITE)]) == 0


@pytest.fixture(scope="module")
def filled(tmp_path_factory):
    store = tmp_path_factory.mktemp("told") / "logs"
    imported(store)
    return store


@pytest.fixture
def store(filled):
    found = Store.open(filled)
    for entry in worklog.entries_of(worklog.told(found, "mill-court")):
        worklog.remove(found, "mill-court", entry)
    return found


def texts(children):
    return str(children)


def test_what_was_told_is_part_of_the_site_and_outlives_an_import(store, filled):
    data = Data(store)
    assert "Kept." in texts(page.keep(data, "mill-court", "campaign", FORM))
    assert "Kept." in texts(
        page.keep(data, "mill-court", "campaign", FORM)
    )  # the same twice is kept once
    imported(filled)
    (campaign,) = [c for c in store.site("mill-court").campaigns if c.note == "letter"]
    assert campaign.floors == ("3", "4")
    assert main(["check", "--store", str(filled)]) == 0


def test_what_was_told_can_be_taken_back(store):
    data = Data(store)
    page.keep(data, "mill-court", "campaign", FORM)
    assert "Nothing was told" in texts(page.take_back(data, "mill-court", 0))
    assert store.done("mill-court") == ""
    assert "Nothing was told" in texts(page.take_back(data, "mill-court", 7))


@pytest.mark.parametrize(
    ("kind", "change", "said"),
    [
        ("campaign", {"date": "12.10.2026"}, "a day such as"),
        ("campaign", {"date": ""}, "date"),
        ("campaign", {"floors": "3, 99"}, "found '99'"),
        ("work", {"floors": "3, 4"}, "one floor, or none for all"),
        ("work", {"floors": "3", "chute": "Z"}, "found 'Z'"),
        ("work", {"floors": "3", "component": "lid"}, "a part"),
    ],
)
def test_mistakes_in_the_form_are_said_and_nothing_is_kept(store, kind, change, said):
    assert said in texts(page.keep(Data(store), "mill-court", kind, {**FORM, **change}))
    assert store.done("mill-court") == ""


def test_who_may_not_take_exports_in_may_not_tell_what_was_done(store):
    looker = Data(store, lambda: Rights("looker", frozenset({"mill-court"}), upload=False))
    assert page.FORBIDDEN in texts(page.keep(looker, "mill-court", "work", FORM))
    assert page.FORBIDDEN in texts(page.take_back(looker, "mill-court", 0))
    assert page.FORBIDDEN in texts(page.form(looker, "mill-court"))
    assert store.done("mill-court") == ""


def test_the_page_judges_what_was_told(store):
    data = Data(store)
    view = view_of(data, "mill-court", Choice(), "light")
    assert "write down what was done" in texts(page.worked(view, data, "mill-court"))
    page.keep(data, "mill-court", "campaign", FORM)
    data.worked("mill-court", None, (None, None), fresh=True)
    view = view_of(data, "mill-court", Choice(), "light")
    shown = texts(page.sections(view, data, "mill-court"))
    assert "Campaign of 2026-10-12, chute east, floor 3, 4 (letter)" in shown
    assert "lockout episodes" in shown


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.text(max_size=40))
def test_any_note_comes_back_as_it_was_written(store, note):
    fields = {"date": "2026-10-12", "floors": ["3"], "note": note}
    site = store.site("mill-court")
    entry = worklog.entry_of(site, "work", fields)
    worklog.add(store, "mill-court", entry)
    (kept,) = worklog.entries_of(worklog.told(store, "mill-court"))
    worklog.remove(store, "mill-court", entry)
    assert kept.note == note
