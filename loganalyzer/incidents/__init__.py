"""What cost service or safety: one rule a kind, their rows put into one table here.

To add a kind: a function from `Evidence` to rows in a file of its own, its sentence in
`kinds.py`, a line in `RULES`.
"""

import json
from collections.abc import Callable

import pandas as pd

from loganalyzer.facts import CHUTE
from loganalyzer.incidents.abuse_lockout import abuse_lockouts
from loganalyzer.incidents.belonging import part_of
from loganalyzer.incidents.common_cause import common_causes
from loganalyzer.incidents.compactor_jam import compactor_jams
from loganalyzer.incidents.contact_chatter import chatter
from loganalyzer.incidents.container_full import full_containers
from loganalyzer.incidents.cost import COSTS, refused, visits_lost
from loganalyzer.incidents.evidence import TEXTS, Evidence
from loganalyzer.incidents.ids import ids
from loganalyzer.incidents.interlock_breach import interlock_breaches
from loganalyzer.incidents.kinds import KIND
from loganalyzer.incidents.latch_fault import latch_faults
from loganalyzer.incidents.log_gap import log_gaps
from loganalyzer.incidents.other_fault import other_faults
from loganalyzer.incidents.power_loss import power_losses
from loganalyzer.incidents.service import services
from loganalyzer.incidents.sorter_fault import sorter_faults
from loganalyzer.incidents.stuck_door import stuck_doors
from loganalyzer.tables import TABLES, empty

Rule = Callable[[Evidence], pd.DataFrame]

RULES: tuple[tuple[str, Rule], ...] = (
    ("stuck_door", stuck_doors),
    ("container_full", full_containers),
    ("abuse_lockout", abuse_lockouts),
    ("sorter_fault", sorter_faults),
    ("latch_fault", latch_faults),
    ("interlock_breach", interlock_breaches),
    ("contact_chatter", chatter),
    ("common_cause", common_causes),
    ("compactor_jam", compactor_jams),
    ("power_loss", power_losses),
    ("service", services),
    ("log_gap", log_gaps),
    ("other_fault", other_faults),
)
ORDER = ["start", *CHUTE, "kind", "floor", "stream", "code", "end"]
# A fault that stands so long is one that nobody looks at any more.
# Source: ANSI/ISA-18.2 and IEC 62682, stale alarms; from memory, not read again.
STALE_S = 24 * 3600
FAULTS = ("sorter_fault", "latch_fault", "compactor_jam", "other_fault")


def incidents(evidence: Evidence) -> pd.DataFrame:
    """The table `incidents`: the rows of every rule, sorted by start.

    Returns:
        `seconds` is how long it lasted, at least: so far where `ongoing`, to the power cut
        where power failed meanwhile; null where a start or end is not known. `end` is null
        where it is not known at all. `refused` counts the presses refused meanwhile: at that
        door for lockouts, latches and chatter, with code "full" for containers (null where
        refusals carry no codes), else at the chute; null where the log cannot show it.
        After the contract's columns: what `belonging.part_of` and `cost.visits_lost` return.
    """
    parts = [rows.assign(kind=kind) for kind, rule in RULES if len(rows := rule(evidence))]
    if not parts:
        return _finished(empty("incidents"))
    found = pd.concat(parts, ignore_index=True).sort_values(ORDER, ignore_index=True)
    found = found.assign(incident=ids(found, evidence.timeline))
    found = found.assign(
        part_of=part_of(found, evidence.components),
        refused=refused(found, evidence),
        evidence=[json.dumps(lines) for lines in found["lines"]],
        **{"for": found["kind"].map({kind.name: kind.audience for kind in KIND.values()})},
    )
    return _finished(found.assign(advice=_advice(found), **visits_lost(found, evidence)))


def _advice(found: pd.DataFrame) -> pd.Series:
    """The kind's sentence, what the rule adds, and whether a fault is stale."""
    said: pd.Series = found["kind"].map({kind.name: kind.advice for kind in KIND.values()})
    stale = found["kind"].isin(FAULTS) & found["seconds"].gt(STALE_S)
    more = found["more"].fillna("") if "more" in found else ""
    return said + more + pd.Series("", index=found.index).mask(stale, " It stood over 24 hours.")


def _finished(found: pd.DataFrame) -> pd.DataFrame:
    """The columns in their order and types."""
    texts = dict.fromkeys([*TEXTS, "kind", "for"], "category")
    types = {**texts, "part_of": "str", **COSTS}
    return found.reindex(columns=[*TABLES["incidents"].names, "part_of", *COSTS]).astype(types)
