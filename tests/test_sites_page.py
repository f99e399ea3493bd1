"""Very many sites: a list that is searched, sorted and paged by the address, and who may see it."""

from pathlib import Path

import pandas as pd
import pytest

from dashboards import spoken
from dashboards.access.rights import Rights, acting, asking
from dashboards.data import Data
from dashboards.pages import sites, start
from dashboards.pages.choice import Choice
from dashboards.pages.sites import NOT_KEPT, SHOWN, Asked, Glances, listing
from loganalyzer.kept.making import kept_of_site
from tests.lookers import two_sites
from tests.test_dashboard import words


def table(number: int) -> pd.DataFrame:
    """Sites of which each later one has more findings, fewer rejects and ends a day earlier."""
    end = pd.Timestamp("2026-10-31T12:00", tz="UTC")
    rows = [
        {
            "site": f"s{n:03}", "name": f"Tower {n}", "time_zone": "UTC", "chutes": ["A"],
            "exports": 1, "lines": 100, "rejected": number - n, "kept": True, "loud": n,
            "first": pd.Timestamp("2026-01-01", tz="UTC"), "last": end - pd.Timedelta(days=n),
            "manager": None, "technician": None, "coordinator": None,
        }
        for n in range(number)
    ]  # fmt: skip
    return pd.DataFrame(rows)


@pytest.mark.parametrize(
    "asked", [Asked(), Asked("Quay & Co", "name", 3, "de"), Asked(by="ends"), Asked(page=2)]
)
def test_an_address_gives_back_the_part_of_the_list_that_wrote_it(asked: Asked):
    assert Asked.of(asked.search()) == asked


@pytest.mark.parametrize("search", ["?by=<b>&page=-1", "?page=x", "?page=²", "?by=", None])
def test_an_address_that_asks_for_no_part_shows_the_first(search: str | None):
    assert Asked.of(search) == Asked()


def test_a_thousand_sites_are_paged_and_what_stands_out_most_is_on_top():
    of = table(1000)
    said, shown = listing(of, Asked())
    assert "1,000 of 1,000 sites" in words(said)
    assert words(shown).count("/data") == 2 * SHOWN
    assert "Tower 999" in words(shown)
    assert "Tower 974" not in words(shown)
    _, last = listing(of, Asked(page=999_999))
    assert '"Tower 0"' in words(last)
    assert "Page 40" in words(last)


def test_the_list_is_searched_and_sorted():
    of = table(60)
    said, shown = listing(of, Asked(find="tOWER 5"))
    assert "11 of 60 sites" in words(said)
    assert '"Tower 5"' in words(shown)
    assert '"Tower 4"' not in words(shown)
    for by, first in (("rejected", "Tower 0"), ("ends", "Tower 59"), ("name", "Tower 0")):
        row = sites._ordered(of, by).iloc[0]
        assert row["name"] == first
    _, none = listing(of, Asked(find="nowhere"))
    assert "No site has such a name." in words(none)


def test_sites_that_are_not_analysed_are_there_and_say_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    store = two_sites(tmp_path)
    kept_of_site(store.path, "quay")
    data = Data(store)
    kept = Glances()
    said, shown = listing(kept.table(data), Asked())
    assert "1 of 2 sites not analysed yet" in words(said)
    assert NOT_KEPT in words(shown)
    assert "/site/hidden-house" in words(shown)
    kept_of_site(store.path, "hidden-house")
    said, shown = listing(kept.table(data), Asked())
    assert "not analysed" not in words([*said, *shown])
    assert "openings" in words(shown)
    monkeypatch.setattr(start, "WEIGHED", 1)
    assert "sites-listed" in words(start.layout(data, Choice())[0])


def test_who_may_see_one_site_sees_no_other_in_the_list(tmp_path: Path):
    store = two_sites(tmp_path)
    for name in store.sites():
        kept_of_site(store.path, name)
    data = Data(store, asking)
    of = Glances().table(data)
    with acting(Rights("ann", frozenset({"quay"}), upload=False)):
        mine = of[of["site"].isin(data.store.sites())]
        assert "idden" not in words(listing(mine, Asked())[1])


def test_the_list_is_told_in_other_languages(tmp_path: Path):
    _, shown = listing(table(3), Asked(lang="de"))
    assert "Nothing that asks for action" not in words(spoken.spoken(shown, "de"))
