"""What is shown to a manager: not the floors with so few units that a log tells of one home.

A technician still sees every door, since a door has to be mended whoever lives behind it.
"""

import json
from collections.abc import Iterator, Mapping

import pandas as pd

from loganalyzer.facts import DOOR, plain
from loganalyzer.language import phrase
from loganalyzer.sentences import things
from loganalyzer.site import Site
from loganalyzer.views.analysis import Analysis
from loganalyzer.views.finding import Finding

Door = tuple[str | None, str | None, str | None]


def shown_to_manager(table: pd.DataFrame, sites: Mapping[str, Site]) -> pd.DataFrame:
    """The rows of a table that a manager may see.

    Args:
        table: Any table with `site`, `chute`, `floor`; rows without a floor stay. Where it has
            a column `for`, only rows for the manager are hidden.
        sites: The site files.
    """
    small = pd.MultiIndex.from_frame(plain(table[DOOR], *DOOR)).isin(list(small_doors(sites)))
    if "for" in table:
        small = small & table["for"].eq("manager").to_numpy(dtype=bool)
    return table[~small].reset_index(drop=True)


def hidden_doors(analysis: Analysis) -> frozenset[Door]:
    """The doors of an analysis that are hidden from a manager."""
    there = analysis.facts.doors[DOOR].itertuples(index=False, name=None)
    return small_doors(analysis.sites) & frozenset(there)


def hidden_floors(analysis: Analysis) -> Iterator[Finding]:
    """How many floors of each site are hidden, and why."""
    for site in analysis.sites.values():
        number = sum(door[0] == site.id for door in hidden_doors(analysis))
        if number:
            yield Finding(
                "manager", site.id, None, None, "hidden_floors",
                phrase(
                    "{floors} hidden, fewer than {min_units} units.",
                    floors=things(number, "floor", "floors"), min_units=site.min_units,
                ),
                n=number,
            )  # fmt: skip


def hidden_sentences(analysis: Analysis) -> list[str]:
    """The same as sentences alone."""
    return [finding.sentence for finding in hidden_floors(analysis)]


def without_small_doors(containers: pd.DataFrame, sites: Mapping[str, Site]) -> pd.DataFrame:
    """Fills of containers, whose `drops_by_floor` do not tell of the hidden floors."""
    small = small_doors(sites)

    def shown(row: pd.Series) -> object:
        told = row["drops_by_floor"]
        if not isinstance(told, str):
            return told
        drops = json.loads(told).items()
        where = (row["site"], row["chute"])
        return json.dumps({floor: n for floor, n in drops if (*where, floor) not in small})

    drops = [shown(row) for _, row in containers.iterrows()]
    return containers.assign(drops_by_floor=pd.Series(drops, containers.index, dtype="object"))


def small_doors(sites: Mapping[str, Site]) -> frozenset[Door]:
    """The doors with fewer units than their site's `min_units`; units not told hide nothing."""
    return frozenset(
        (site.id, chute.id, floor.label)
        for site in sites.values()
        for chute in site.chutes
        for floor in chute.floors
        if floor.units is not None and floor.units < site.min_units
    )
