"""What cost service or safety: one rule a kind, their rows put into one table here.

To add a kind: a function from `Evidence` to rows, its sentence in `kinds.py`, a line in `RULES`.
"""

import hashlib
import json
from collections.abc import Callable

import numpy as np
import pandas as pd

from loganalyzer.facts import CHUTE, DOOR, tally
from loganalyzer.incidents.abuse_lockout import abuse_lockouts
from loganalyzer.incidents.contact_chatter import chatter
from loganalyzer.incidents.container_full import full_containers
from loganalyzer.incidents.evidence import ROW, TEXTS, Evidence
from loganalyzer.incidents.faults import (
    compactor_jams,
    latch_faults,
    other_faults,
    sorter_faults,
)
from loganalyzer.incidents.kinds import KIND
from loganalyzer.incidents.log_gap import log_gaps
from loganalyzer.incidents.power_loss import power_losses
from loganalyzer.incidents.service import services
from loganalyzer.incidents.stuck_door import stuck_doors
from loganalyzer.spans import Moments
from loganalyzer.tables import TABLES, empty

Rule = Callable[[Evidence], pd.DataFrame]

RULES: tuple[tuple[str, Rule], ...] = (
    ("stuck_door", stuck_doors),
    ("container_full", full_containers),
    ("abuse_lockout", abuse_lockouts),
    ("sorter_fault", sorter_faults),
    ("latch_fault", latch_faults),
    ("contact_chatter", chatter),
    ("compactor_jam", compactor_jams),
    ("power_loss", power_losses),
    ("service", services),
    ("log_gap", log_gaps),
    ("other_fault", other_faults),
)


def incidents(evidence: Evidence) -> pd.DataFrame:
    """The table `incidents`: the rows of every rule, sorted by start.

    Returns:
        `seconds` is how long it lasted, at least: so far where `ongoing`, to the power cut
        where power failed meanwhile; null where a start or end is not known. `end` is null
        where it is not known at all. `refused` counts the presses refused meanwhile: at that
        door for lockouts, latches and chatter, with code "full" for containers (null where
        refusals carry no codes), else at the chute; null where the log cannot show it.
    """
    parts = [rows.assign(kind=kind) for kind, rule in RULES if len(rows := rule(evidence))]
    if not parts:
        return empty("incidents")
    found = pd.concat(parts, ignore_index=True)
    found = found.sort_values(["start", *CHUTE, "kind", "floor"], ignore_index=True)
    more = found["more"].fillna("") if "more" in found else ""
    found = found[["kind", *ROW]].assign(
        incident=_ids(found),
        refused=_refused(found, evidence),
        evidence=[json.dumps(lines) for lines in found["lines"]],
        advice=found["kind"].map({kind.name: kind.advice for kind in KIND.values()}) + more,
        **{"for": found["kind"].map({kind.name: kind.audience for kind in KIND.values()})},
    )
    table: pd.DataFrame = found[TABLES["incidents"].names]
    return table.astype(dict.fromkeys([*TEXTS, "kind", "for"], "category"))


def _ids(found: pd.DataFrame) -> list[str]:
    """The same incident has the same id whenever and in whatever order logs are read."""
    start = found["start"].dt.strftime("%Y-%m-%dT%H:%M:%S.%fZ")
    keys = [found[c].astype("str").fillna("") for c in ("site", "chute", "kind", "floor")]
    keys += [found[c].astype("str").fillna("") for c in ("stream", "code")]
    return [
        f"{row[2]}-{hashlib.sha1('|'.join(row).encode(), usedforsecurity=False).hexdigest()[:10]}"
        for row in zip(*keys, start, strict=True)
    ]


def _refused(found: pd.DataFrame, evidence: Evidence) -> pd.Series:
    """Presses refused during each incident, as its kind counts them."""
    events = evidence.timeline[evidence.timeline["signal"].eq("refusal")]
    whose = found["kind"].map({kind.name: kind.refused for kind in KIND.values()})
    # A latch fault may not say which door it is about.
    whose = whose.mask(whose.eq("door") & found["floor"].isna(), "chute")
    counted = pd.Series(np.nan, index=found.index)
    for name, count in (("chute", _of_chute), ("door", _of_door), ("full", _of_full)):
        mine = whose.eq(name) & found["end"].notna()
        counted[mine] = count(found[mine], events)
    held = found[CHUTE].merge(evidence.facts.recorded, on=CHUTE, how="left")["refusal"]
    return counted.where(held).astype("Int64")


def _of_chute(spans: pd.DataFrame, refusals: pd.DataFrame) -> np.ndarray:
    return Moments(refusals, CHUTE).count(spans)


def _of_door(spans: pd.DataFrame, refusals: pd.DataFrame) -> np.ndarray:
    return Moments(refusals[refusals["floor"].notna()], DOOR).count(spans)


def _of_full(spans: pd.DataFrame, refusals: pd.DataFrame) -> np.ndarray:
    """Those with code "full", of that stream or of no stream in particular."""
    full = refusals[refusals["code"].eq("full")]
    named = Moments(full[full["stream"].notna()], [*CHUTE, "stream"]).count(spans)
    unnamed = Moments(full[full["stream"].isna()], CHUTE).count(spans)
    coded = tally(refusals[refusals["code"].notna()], CHUTE, "coded")
    known = spans[CHUTE].merge(coded, on=CHUTE, how="left")["coded"].notna()
    return np.where(known, named + unnamed, np.nan)
