"""Many buildings side by side: ranks that luck does not lead, doors alike, peers, the round."""

import json

import pandas as pd
import pytest

from loganalyzer.site import parse_site
from loganalyzer.views import analyse
from loganalyzer.views.portfolio import (
    SIZES,
    STANDING,
    Portfolio,
    _sizes,
    alike,
    among_its_like,
    portfolio,
    round_of_the_week,
    worst,
)
from loganalyzer.views.portfolio_report import portfolio_dict, portfolio_text
from tests.build import timeline

SITE = """
[site]
id = "{id}"
name = "{id}"
time_zone = "UTC"
[[chute]]
id = "A"
profile = "{profile}"
[[chute.stream]]
id = "refuse"
kind = "{kind}"
[[chute.floor]]
label = "7"
units = {units}
"""


def site(id, units=20, kind="refuse", profile="semicolon-text"):
    return parse_site(SITE.format(id=id, units=units, kind=kind, profile=profile), f"{id}.toml")


def standing(site, value, low=None, high=None, question="found_busy", floor=None, part=None):
    row = (site, "A", floor, question, part, value, low, high, 10, ["ab:1"])
    return dict(zip(STANDING, row, strict=True))


def suspect(site, floor, component="door", sign="longer openings", score=10.0, misuse=False):
    evidence = json.dumps({"for": [{"sign": sign, "lines": ["ab:1"]}], "against": []})
    return {"site": site, "chute": "A", "floor": floor, "component": component,
            "since": pd.Timestamp("2026-10-01", tz="UTC"), "score": score, "evidence": evidence,
            "advice": "Isolate and lock out first.", "misuse": misuse}  # fmt: skip


SUSPECTS = pd.DataFrame([suspect("none", "7")]).iloc[:0]


def held(standings=(), suspects=(), doors=(), sites=()):
    return Portfolio(
        pd.DataFrame(list(standings), columns=STANDING),
        pd.DataFrame(list(suspects)) if suspects else SUSPECTS,
        pd.DataFrame(list(doors), columns=["site", "chute", "floor", "profile"]),
        pd.DataFrame([size for one in sites for size in _sizes(one)], columns=SIZES),
    )


def test_a_chute_with_few_visits_does_not_lead_by_luck():
    of = held([standing("lucky", 50.0, 1.3, 98.7), standing("busy", 8.0, 7.0, 9.0),
               standing("calm", 0.0, 0.0, 3.0)])  # fmt: skip
    assert worst(of, "found_busy")["site"].tolist() == ["busy", "lucky"]


def test_ten_are_shown_and_ties_stand_in_a_fixed_order():
    rows = [standing(f"s{n:02}", 5.0, 4.0, 6.0) for n in range(15)]
    assert worst(held(reversed(rows)), "found_busy")["site"].tolist() == [
        f"s{n:02}" for n in range(10)
    ]


def test_doors_alike_are_tested_against_other_controllers():
    # Source: R. A. Fisher, The Design of Experiments (1935), chapter II, the lady tasting tea:
    # 3 of 4 against 1 of 4 has a one-sided p of 17/70. From memory; by hand (16 + 1) / C(8, 4).
    doors = [("a", "A", str(n), "one") for n in range(4)] + [
        ("b", "A", str(n), "two") for n in range(4)
    ]
    suspects = [suspect("a", str(n)) for n in range(3)] + [suspect("b", "0")]
    (row,) = alike(held(suspects=suspects, doors=doors)).to_dict("records")
    assert (row["doors"], row["of"], row["others"], row["of_others"]) == (3, 4, 1, 4)
    assert row["p"] == pytest.approx(17 / 70)
    assert row["q_value"] == pytest.approx(17 / 70)
    assert row["where"] == ["a A 0", "a A 1", "a A 2"]


def test_doors_of_one_family_alone_have_nothing_to_be_compared_with():
    doors = [("a", "A", str(n), "one") for n in range(4)]
    of = held(suspects=[suspect("a", "0"), suspect("a", "1")], doors=doors)
    assert alike(of)["p"].isna().all()
    assert "nothing to compare with" in portfolio_text(of, None)


def test_one_door_alone_is_not_alike():
    assert alike(held(suspects=[suspect("a", "0")], doors=[("a", "A", "0", "one")])).empty
    assert alike(held()).empty


def test_a_building_is_compared_with_those_of_its_kind_and_size():
    sites = [site("mine"), site("p1", 12), site("p2", 40), site("p3", 25), site("big", 41),
             site("other", 20, "linen")]  # fmt: skip
    rows = [standing(s, v) for s, v in (("mine", 5), ("p1", 9), ("p2", 3), ("p3", 4), ("big", 99),
                                        ("other", 99))]  # fmt: skip
    (row,) = among_its_like(held(rows, sites=sites), "mine").to_dict("records")
    assert (row["peers"], row["median"], row["rank"]) == (3, 4, 2)


def test_without_enough_like_it_there_is_no_comparison_and_a_reason():
    of = held([standing("mine", 5), standing("p1", 9)], sites=[site("mine"), site("p1")])
    (row,) = among_its_like(of, "mine").to_dict("records")
    assert pd.isna(row["rank"])
    assert row["reason"].startswith("fewer than 3 chutes like it")


def test_the_round_goes_where_safety_is_first_and_visits_each_building_once():
    of = held(
        [
            standing("weak", 12.0, question="suspect", part="door", floor="7"),
            standing("unsafe", 1.0, 0.2, 2.0, question="rules_broken", part="one_door"),
            standing("unsafe", 20.0, question="suspect", part="latch", floor="3"),
            standing("worse", 30.0, question="suspect", part="sorter"),
            standing("open", 5.0, 0.5, 9.0, question="held_open", floor="1"),
        ],
        [suspect("weak", "7", score=12.0), suspect("unsafe", "3", "latch", score=20.0),
         suspect("worse", None, "sorter", score=30.0)],
    )  # fmt: skip
    table = round_of_the_week(of)
    assert table["site"].tolist() == ["unsafe", "unsafe", "worse", "weak"]
    assert table["place"].tolist() == [1, 1, 2, 3]
    assert "licensed people" in table["first"].iloc[0]
    assert table["first"].iloc[2] == "Isolate and lock out first."


def test_what_people_rather_harm_is_no_task_for_a_technician():
    of = held([standing("a", 12.0, question="suspect", part="door", floor="7")],
              [suspect("a", "7", misuse=True)])  # fmt: skip
    assert round_of_the_week(of).empty
    assert "nothing stands out" in portfolio_text(of, None)


def test_buildings_are_ranked_from_their_logs_with_lines():
    log = timeline(
        (0, "7", "open", "on"), (600, "7", "open", "off"), (900, "7", "open", "on"),
        (905, "7", "open", "off"),
    )  # fmt: skip
    one = parse_site(SITE.format(id="quay", units=20, kind="refuse", profile="x"), "quay.toml")
    of = portfolio([analyse(log, {"quay": one})])
    (row,) = worst(of, "held_open").to_dict("records")
    assert (row["value"], row["n"], row["floor"]) == (50.0, 2, "7")
    assert row["low"] < 50 < row["high"]
    assert row["evidence"]
    told = portfolio_dict(of, "quay")
    json.dumps(told)
    assert told["worst"]["held_open"][0]["value"] == 50.0
    assert worst(of, "found_busy").empty


def test_no_building_at_all_is_an_empty_answer():
    assert round_of_the_week(portfolio([])).empty
