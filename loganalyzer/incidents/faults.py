"""Faults by what they are about: sorter, latch, compactor, and the rest."""

import pandas as pd

from loganalyzer.facts import CHUTE, plain
from loganalyzer.incidents.evidence import FLAP_S, Evidence, join_runs

# Components that have a kind of their own; all others, and codes that no profile explains, are
# other faults.
OWN = ("sorter", "latch", "compactor")


def sorter_faults(evidence: Evidence) -> pd.DataFrame:
    """Faults of the sorter, and travels longer than `positioning_limit_s`.

    Both are often two sides of one trouble, so they merge where they lie close.
    """
    faults = evidence.faults
    travels = evidence.held("positioning")
    limit = plain(travels[CHUTE], *CHUTE).merge(evidence.facts.limits, on=CHUTE, how="left")
    slow = travels[travels["seconds"].to_numpy() > limit["positioning_limit_s"].to_numpy()]
    spans = pd.concat([faults[faults["component"].eq("sorter")], slow], ignore_index=True)
    return join_runs(spans, evidence, CHUTE, FLAP_S)


def latch_faults(evidence: Evidence) -> pd.DataFrame:
    """Faults of a latch, door by door."""
    return _of(evidence, ["latch"])


def compactor_jams(evidence: Evidence) -> pd.DataFrame:
    """Faults of a compactor."""
    return _of(evidence, ["compactor"])


def other_faults(evidence: Evidence) -> pd.DataFrame:
    """All faults that no other kind takes."""
    faults = evidence.faults
    return _join(faults[~faults["component"].isin(OWN)], evidence)


def _of(evidence: Evidence, components: list[str]) -> pd.DataFrame:
    faults = evidence.faults
    return _join(faults[faults["component"].isin(components)], evidence)


def _join(faults: pd.DataFrame, evidence: Evidence) -> pd.DataFrame:
    return join_runs(faults, evidence, [*CHUTE, "floor", "code"], FLAP_S)
