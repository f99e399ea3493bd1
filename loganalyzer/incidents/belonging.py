"""Which incidents are part of another: one trouble that shows in several ways is counted once.

- A lockout after the first of its episode is part of the first.
- The trouble at each door of a common cause is part of that.
- A fault by which the controller says that a door stands open is part of the stuck door.
"""

import pandas as pd

from loganalyzer.facts import DOOR
from loganalyzer.incidents.evidence import Components


def part_of(found: pd.DataFrame, components: Components) -> pd.Series:
    """The id of the incident that each is part of, else null.

    Args:
        found: The rows of all rules, sorted by start, with `incident`, `kind`, `lines`, and
            `episode` where there are lockouts.
        components: What part a fault code is about, as `Evidence` has it.
    """
    whole = _common_causes(found).fillna(_stuck_doors(found, components))
    if "episode" in found:
        first = found.groupby("episode")["incident"].transform("first").astype("str")
        whole = whole.fillna(first)
    return whole.where(whole.ne(found["incident"]))


def _common_causes(found: pd.DataFrame) -> pd.Series:
    """The common cause that shares a line with each."""
    shared = found[found["kind"].eq("common_cause")]
    causes = {line: name for name, lines in zip(shared["incident"], shared["lines"], strict=True)
              for line in lines}  # fmt: skip
    names = [next((causes[line] for line in lines if line in causes), None)
             for lines in found["lines"]]  # fmt: skip
    return pd.Series(names, index=found.index, dtype="str")


def _stuck_doors(found: pd.DataFrame, components: Components) -> pd.Series:
    """The stuck door during which each fault about that door began."""
    stuck = found[found["kind"].eq("stuck_door")]
    keys = zip(found["site"], found["chute"], found["code"], strict=True)
    about = [components.get((site, chute), {}).get(code) for site, chute, code in keys]
    fault = found["kind"].eq("other_fault") & pd.Series(about, index=found.index).eq("door")
    faults = found[fault & found["floor"].notna()]
    blank = pd.Series(index=found.index, dtype="str")
    if stuck.empty or faults.empty:
        return blank
    both = pd.merge_asof(
        faults[[*DOOR, "start"]], stuck[[*DOOR, "start", "end", "incident"]].assign(
            since=stuck["start"]
        ).drop(columns="start"), left_on="start", right_on="since", by=DOOR,
    )  # fmt: skip
    blank[faults.index] = both["incident"].where(both["start"] <= both["end"]).to_numpy()
    return blank
