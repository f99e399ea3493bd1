"""Which part is failing, where, since when: the signs of each part at each place, weighed.

The score of a part at a place is, in words:

    for each sign: how many zeros its chance has (-log10 p), 12 at most;
    the strongest sign counts whole, each further one half;
    less 3 for each weighty thing that speaks against it (`Against.weight`);
    who scores 5 or more is a suspect.

Five zeros are a chance of one in 100,000 for one sign at one place: with 13 doors, three shifts
and a dozen kinds of events each, one false suspect in 150 logs, were the signs independent.
Signs of one part often tell of the same moments (a code, and the opening that it is about),
which is why a further one counts half.
Nothing that stands out is the usual and a good answer.

Source: the rule is ours. What is sound is stated in `signs.ALLOWED_DAYS`.
"""

import json
from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd

from loganalyzer.facts import DOOR
from loganalyzer.tables import empty, require

PLACE = [*DOOR, "component"]
DATES = ["since", "since_low", "since_high", "first", "last"]
MOST, FURTHER, AGAINST, ENOUGH = 12.0, 0.5, 3.0, 5.0
QUIET_SHARE = 0.35  # of the time since it began, without any: it may be over
BY_HOUR = 1e-3


def suspects(signs: pd.DataFrame, repairs: pd.DataFrame, drift: pd.DataFrame) -> pd.DataFrame:
    """The table `suspects`, without advice: the highest score first.

    Args:
        signs: What `signs.signs` returns.
        repairs: What `repairs.repairs` returns: those that held speak against.
        drift: What `drift.drift` returns: tells a weak closer from propping.

    Returns:
        `site`, `chute`, `floor` (null: no one door's), `component`, `since` (when the first of
        its signs began that would do alone, else the strongest), `score`, `evidence` (JSON:
        `for`, a list of signs, the strongest first, each `sign`, `n`, `size`, `p`, `zeros`,
        `since` with its 95 % interval `since_low` to `since_high`, `first` and `last` of them,
        `hour` (local, about which it comes, where that is no chance; else null), `lines`;
        `against`, a list of `says`, `weight`), `misuse` (yes/no: rather somebody's doing).
    """
    require(signs, *PLACE, "sign", "n", "size", "p", *DATES, "hour", "by_hour_p", "lines")
    zeros = -np.log10(np.maximum(signs["p"].to_numpy(float), 1e-300))
    judged = signs.assign(zeros=np.clip(zeros, 0, MOST))
    judged = judged.sort_values(["zeros", "since"], ascending=[False, True], kind="stable")
    rows = []
    for key, part in judged.groupby(PLACE, dropna=False, sort=False):
        propped = _propped(part, key, drift)
        against = _against(part, key, repairs, propped)
        score = part["zeros"].iloc[0] + FURTHER * part["zeros"].iloc[1:].sum()
        score -= AGAINST * sum(one["weight"] for one in against)
        if score >= ENOUGH:
            evidence = json.dumps({"for": _told(part), "against": against})
            sure = part["zeros"] >= min(ENOUGH, part["zeros"].iloc[0])
            since = part.loc[sure, "since"].min()
            rows.append((*key, since, round(float(score), 1), evidence, propped))
    table = pd.DataFrame(rows, columns=[*PLACE, "since", "score", "evidence", "misuse"])
    types = empty("suspects").dtypes[["since", "score"]].to_dict()
    table = table.astype(dict.fromkeys(PLACE, "str") | types | {"misuse": "bool"})
    order = ["site", "score", "since"]
    return table.sort_values(order, ascending=[True, False, True], ignore_index=True)


def _told(part: pd.DataFrame) -> list[dict[str, Any]]:
    """The signs that say something, the strongest first."""
    return [
        {
            "sign": row.sign, "n": int(row.n), "size": round(float(row.size), 3), "p": float(row.p),
            "zeros": round(float(row.zeros), 1),
            **{name: f"{getattr(row, name):%Y-%m-%dT%H:%M:%SZ}" for name in DATES},
            "hour": round(float(row.hour), 1) if row.by_hour_p < BY_HOUR else None,
            "lines": list(row.lines),
        }
        for row in _rows(part)
        if row.zeros >= 1
    ]  # fmt: skip


def _rows(table: pd.DataFrame) -> Iterator[Any]:
    return iter(table.itertuples())


def _propped(part: pd.DataFrame, key: Any, drift: pd.DataFrame) -> bool:
    """Whether a door is held open, rather than closing weakly.

    A weak closer lengthens every opening, propping only some; and people prop by the hour.
    """
    signs = set(part["sign"])
    if key[3] != "door" or "long openings" not in signs:
        return False
    mine = drift["what"].eq("open_s") & drift["floor"].eq(str(key[2])) & drift["slower"].eq(True)
    same = drift["site"].eq(str(key[0])) & drift["chute"].eq(str(key[1]))
    moved = drift.loc[mine & same, ["lower_quartile_s", "shift_s"]]
    return not (moved["lower_quartile_s"] > 0.3 * moved["shift_s"]).any()


def _against(
    part: pd.DataFrame, key: Any, repairs: pd.DataFrame, propped: bool
) -> list[dict[str, Any]]:  # fmt: skip
    """What speaks against the strongest sign; `weight` 0 is told and takes nothing off."""
    first, found = part.iloc[0], []

    def says(text: str, weight: float = 0.0) -> None:
        found.append({"says": text, "weight": weight})

    if propped:
        says("most openings are as short as before: somebody may hold or wedge the door open")
        by_hour = part.loc[part["sign"].eq("long openings"), "by_hour_p"]
        if by_hour.lt(BY_HOUR).any():
            says("the long openings come at certain hours, as habits do")
    if first["sign"] == "bounce":
        says("a leaf that is pushed open again at once looks the same")
    if first["sign"] == "steady presses":
        says("the log cannot see whether something leans on the button")
    if first["sign"] == "open while locked":
        says("a latch that does not hold looks the same as a contact that opens by itself")
    if part["zeros"].ge(1).sum() == 1:
        says("only one kind of sign shows it")
    if first["n"] < 6:
        says(f"only {first['n']:.0f} occurrences")
    held = _held(key, repairs, first)
    if held:
        says(held, 1.0)
    return found


def _held(key: Any, repairs: pd.DataFrame, first: pd.Series) -> str:
    """The repair after which it has not come back, if that is no chance."""
    mine = repairs["verdict"].eq("held") & repairs["start"].ge(first["last"])
    for name, value in zip(PLACE, key, strict=True):
        mine &= repairs[name].eq(value) if isinstance(value, str) else repairs[name].isna()
    if not mine.any():
        return ""
    row = repairs[mine].iloc[-1]
    day = row["start"] + (row["end"] - row["start"]) / 2  # a day's work begins at local midnight
    return f"none in {row['after_days']:.0f} days since the {row['by']} of {day:%Y-%m-%d}"
