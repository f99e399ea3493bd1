"""Doors whose presses look like a failing button or contact, not like people.

- Quick: presses of one button less than 0.1 s apart. A log that tells the time less finely shows
  it only by more presses in less time than 0.1 s each would need, its precision allowed for.
- Steady: 20 presses or more of one button with no pause of over 3 s, as even as a clock: the
  variance of the gaps is at most that of a tenth of their mean and of the rounding to the
  log's precision. A board that reads a button that stays in writes such runs; fingers do not.
- In lockstep: presses within 0.05 s of one at another door (where the log tells the time less
  finely, with the same stamp); a chute's press rates make that chance for far fewer than a fifth.
- Chatter: bursts of contact chatter, as the incidents tell them.

Each needs several cases, so that one odd moment does not shield a door. The signs cannot prove
a failure, nor can their absence prove the hardware sound.

Source: 0.1 s is below the fastest tapping of a trained finger; the rest is common practice, no
source.
"""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loganalyzer.facts import CHUTE, DOOR, Facts, counts, places, plain, precision, tally
from loganalyzer.spans import group_numbers, micros
from loganalyzer.tables import require

QUICK_S, TOGETHER_S, PAUSE_S, COARSE_S = 0.1, 0.05, 3.0, 2.0
RUN, EVENNESS = 20, 0.1
# How many presses, bursts, and which share of presses make a door suspect.
QUICK, STEADY, TOGETHER, TOGETHER_SHARE, BURSTS = 5, 40, 10, 0.2, 3
FIRST = "check the hardware first"
LINES_SHOWN = 10

SIGNS = {
    "quick": f"{{}} presses less than {QUICK_S:g} s after the one before",
    "steady": "{} presses in runs as even as a clock",
    "together": "{} presses at the same time as at another door",
    "bursts": "{} bursts of contact chatter",
}


def buttons(timeline: pd.DataFrame, chatter: pd.DataFrame, facts: Facts) -> pd.DataFrame:
    """How many presses of each door no person makes, and whether that is enough to look at it.

    Args:
        timeline: The table of that name.
        chatter: Incidents of kind `contact_chatter`: one row each, `site`, `chute`, `floor`.
        facts: What is known of the chutes.

    Returns:
        One row a door of `facts.doors`, in its order: `site`, `chute`, `floor`, `presses`,
        `quick`, `steady`, `together` (presses; null where the chute records none), `bursts` (of
        chatter; null where it records no door contact), `evidence` (up to ten `source:line` of
        such presses), `reason` ("check the hardware first: …", null where it looks sound).
    """
    require(timeline, *DOOR, "stream", "signal", "time", "clock", "source", "line")
    presses = _presses(timeline)
    odd = presses.assign(**{name: sign(presses) for name, sign in ODD.items()})
    table = facts.doors[DOOR].merge(_summed(odd), on=DOOR, how="left")
    table = table.merge(tally(chatter, DOOR, "bursts"), on=DOOR, how="left")
    held = table[CHUTE].merge(facts.recorded, on=CHUTE, how="left")
    numbers = {name: counts(table[name], held["press"]) for name in ("presses", *ODD)}
    table = table.assign(**numbers, bursts=counts(table["bursts"], held["open"]))
    return table.assign(evidence=_evidence(odd, table), reason=_reasons(table))


def steady_presses(timeline: pd.DataFrame) -> pd.DataFrame:
    """Presses in runs as even as a clock.

    Args:
        timeline: The table of that name.

    Returns:
        `site`, `chute`, `floor`, `stream`, `time`, `source`, `line`; sorted by button and time.
    """
    presses = _presses(timeline)
    return presses.loc[_steady(presses), [*COLUMNS, "time"]].reset_index(drop=True)


def _presses(timeline: pd.DataFrame) -> pd.DataFrame:
    """Presses button by button in the order of time, each with the precision of its export."""
    pressed = timeline["signal"].eq("press") & timeline["clock"].ne("unanchored")
    rows = timeline.loc[pressed & timeline["floor"].notna(), [*COLUMNS, "time"]]
    exports = [*CHUTE, "source"]
    finely = precision(timeline, exports) if len(rows) else pd.DataFrame(columns=[*exports, FINE])
    rows[FINE] = finely[FINE].to_numpy()[places(rows, finely, exports)]
    rows["button"] = group_numbers(rows, [*DOOR, "stream"])
    rows["at"] = micros(rows["time"]) / 1e6
    return rows.sort_values(["button", "at"], kind="stable", ignore_index=True)


FINE = "precision_s"
COLUMNS = [*DOOR, "stream", "source", "line"]


def _quick(presses: pd.DataFrame) -> NDArray[np.bool_]:
    """Whether each press ends a series that is faster than 0.1 s a press."""
    found = np.zeros(len(presses), dtype=bool)
    at, button = presses["at"].to_numpy(), presses["button"].to_numpy()
    step = presses["precision_s"].to_numpy()
    for finest in np.unique(step[step <= COARSE_S]):
        gaps = 1 if finest <= QUICK_S / 2 else int(np.ceil(finest / QUICK_S)) + 1
        last = np.flatnonzero((step == finest) & (np.arange(len(at)) >= gaps))
        spent = at[last] - at[last - gaps] + finest
        found[last] |= (button[last] == button[last - gaps]) & (spent < gaps * QUICK_S - 1e-9)
    return found


def _steady(presses: pd.DataFrame) -> NDArray[np.bool_]:
    """Whether each press stands in a long run with even gaps."""
    if presses.empty:
        return np.zeros(0, dtype=bool)
    gap = presses["at"].diff()
    new = presses["button"].ne(presses["button"].shift()) | (gap > PAUSE_S)
    run = new.cumsum()
    known = gap.where(~new).groupby(run).agg(["mean", "var"])
    rounding = presses["precision_s"].groupby(run).max()
    allowed = rounding**2 / 4 + (EVENNESS * known["mean"]) ** 2
    long = (run.value_counts(sort=False) >= RUN) & (rounding <= COARSE_S)
    even: pd.Series = long & (known["var"] <= allowed)
    return even.reindex(run).to_numpy(dtype=bool)


def _together(presses: pd.DataFrame) -> NDArray[np.bool_]:
    """Whether each press comes with one at another door of its chute."""
    order = presses.sort_values([*CHUTE, "at", "floor"], kind="stable")
    chute, floor = group_numbers(order, CHUTE), order["floor"].cat.codes.to_numpy()
    at, step = order["at"].to_numpy(), order["precision_s"].to_numpy()
    reach = np.where(step <= TOGETHER_S, TOGETHER_S, 0.0)[1:]
    near = (np.diff(at) <= reach + 1e-9) & (step[1:] <= COARSE_S)
    near &= (np.diff(chute) == 0) & (np.diff(floor) != 0)
    beside = np.append(near, False) | np.append(False, near)[: len(at)]
    return np.asarray(
        pd.Series(beside[: len(at)], index=order.index).reindex(presses.index).to_numpy(dtype=bool)
    )


ODD = {"quick": _quick, "steady": _steady, "together": _together}


def _summed(odd: pd.DataFrame) -> pd.DataFrame:
    sums = odd.assign(presses=1).groupby(DOOR, observed=True)[["presses", *ODD]]
    return plain(sums.sum().reset_index(), *DOOR)


def _suspect(table: pd.DataFrame) -> dict[str, pd.Series]:
    """Which signs each door shows often enough."""
    share = table["together"].astype("float64") / table["presses"].astype("float64")
    often = {
        "quick": table["quick"] >= QUICK,
        "steady": table["steady"] >= STEADY,
        "together": (table["together"] >= TOGETHER) & (share >= TOGETHER_SHARE),
        "bursts": table["bursts"] >= BURSTS,
    }
    return {sign: mask.fillna(False).astype(bool) for sign, mask in often.items()}


def _reasons(table: pd.DataFrame) -> pd.Series:
    shown = _suspect(table)
    texts = []
    for place, row in enumerate(table.to_dict("records")):
        said = [SIGNS[sign].format(row[sign]) for sign in SIGNS if shown[sign].iloc[place]]
        texts.append(f"{FIRST}: {', '.join(said)}" if said else None)
    return pd.Series(texts, index=table.index, dtype="str")


def _evidence(odd: pd.DataFrame, doors: pd.DataFrame) -> pd.Series:
    """Up to ten lines of odd presses, door by door, as tuples."""
    mine = odd[odd[list(ODD)].any(axis=1)].sort_values("at", kind="stable")
    mine = plain(mine.groupby(DOOR, observed=True).head(LINES_SHOWN), *DOOR)
    lines = mine["source"].astype("str") + ":" + mine["line"].astype("str")
    of = lines.groupby([mine[c] for c in DOOR]).agg(tuple).to_dict()
    keys = doors[DOOR].itertuples(index=False, name=None)
    return pd.Series([of.get(key, ()) for key in keys], index=doors.index, dtype="object")
