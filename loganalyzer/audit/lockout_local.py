"""While one door is locked out, the others are still served.

Put to the test by each lockout during which somebody pressed at another door. Kept where another
door was unlocked meanwhile. Broken where a press at another door was refused with the code
`lockout` though that door was not locked out, or where two or more presses at other doors found
the chute idle, got neither an unlock nor another reason, and nobody was served meanwhile.
"""

import numpy as np

from loganalyzer.audit.counting import ANSWER_S
from loganalyzer.audit.ground import Checks, Ground, Held, within
from loganalyzer.keys import Flags, Ints, Rows, after, before

BUSY = ("unlocked", "open", "positioning", "clearing", "full", "service", "fault")
FEWEST_UNANSWERED = 2


def lockout_local(ground: Ground) -> Checks:
    """Find lockouts of one door that kept another one locked."""
    log, held = ground.log, ground.held("lockout")
    order = np.argsort(ground.presses.row)
    row, refusal = ground.presses.row[order], ground.presses.refusal[order]
    served = np.zeros(len(held.start), bool)
    unlocks = log.rows("unlocked", "on")
    point, span = within(ground, unlocks, held)
    pressed = ground.granted_by[point]
    # Granted before the lockout began says nothing.
    meanwhile = (log.doors(unlocks[point]) != held.door[span]) & (
        (pressed < 0) | (pressed > log.time[held.start[span]])
    )
    served[span[meanwhile]] = True
    press, of = within(ground, row, held)
    elsewhere = log.doors(row[press]) != held.door[of]
    press, of = press[elsewhere], of[elsewhere]
    code = _codes(ground, refusal[press])
    barred = (code == "lockout") & _not_locked(ground, row[press])
    silent = ((code == "") | (code == "?")) & _idle(ground, row[press])
    silent &= _unanswered(ground, row[press], held, of)
    silent &= ~served[of]
    silent &= (np.bincount(of[silent], minlength=len(served)) >= FEWEST_UNANSWERED)[of]
    broken, first = np.unique(of[barred | silent], return_index=True)
    where = press[barred | silent][first]
    tested = np.unique(np.append(np.flatnonzero(served), broken))
    rows = row[where]
    texts = [
        f"door {ground.floor(log.doors(np.array([r]))[0])} not served while only door "
        f"{ground.floor(held.door[i])} was locked out ({ground.line(held.start[i], r)})"
        for i, r in zip(broken, rows, strict=True)
    ]
    sort = np.argsort(rows, kind="stable")
    return Checks(held.start[tested], rows[sort], log.doors(rows[sort]), [texts[i] for i in sort])


def _codes(ground: Ground, refusal: Rows) -> np.ndarray:
    """The refusal code of each press: "" not refused, "?" refused without a code."""
    log = ground.log
    labels = np.array([*log.labels["code"].astype(str), "?"], dtype=object)
    return np.where(refusal < 0, "", labels[log.codes["code"][refusal]])


def _not_locked(ground: Ground, rows: Rows) -> Flags:
    """Whether the door of each press was certainly not locked out itself."""
    log, size = ground.log, len(ground.log) + 1
    lock = ground.found("lockout")
    edges = np.sort(np.append(lock.own, lock.end[lock.end >= 0]))
    keys = np.unique(log.doors(edges).astype(np.int64) * size + edges)
    base = log.doors(rows).astype(np.int64) * size
    at = np.searchsorted(keys, base + rows)
    near = np.zeros(len(rows), bool)
    for place in (at - 1, at):
        edge = np.where(
            (place >= 0) & (place < len(keys)),
            np.append(keys, -1)[np.minimum(place, len(keys))],
            -1,
        )
        mine = (edge >= 0) & (edge // size == log.doors(rows))
        edge = np.where(mine, edge - base, 0)
        is_on = np.isin(edge, log.rows("lockout", "on"))
        a, b = np.minimum(edge, rows), np.maximum(edge, rows)
        # An on before the press or an off behind it: locked out; too close to either: unsure.
        near |= mine & ((is_on == (edge < rows)) | ~(ground.least(a, b) > ANSWER_S))
    return ~near


def _idle(ground: Ground, rows: Rows) -> Flags:
    """Whether nothing was going on at the chute when the press came."""
    log = ground.log
    idle = np.ones(len(rows), bool)
    begin = log.first[log.chute[rows]]
    for signal in BUSY:
        on, off = (before(log.rows(signal, edge), rows) for edge in ("on", "off"))
        idle &= (on < begin) | (off > on)
        latest = np.maximum(on, off)
        idle &= (latest < begin) | (ground.least(np.maximum(latest, 0), rows) > ANSWER_S)
    return idle


def _unanswered(ground: Ground, rows: Rows, held: Held, of: Ints) -> Flags:
    """Whether neither an unlock nor anything else came in the time that a use takes to begin."""
    log = ground.log
    wait = ground.limit("positioning_limit_s", rows) + 2 * ANSWER_S
    quiet = ground.least(rows, held.end[of]) > wait
    for signal in (*BUSY, "lockout"):
        for edge in ("on", "mark"):
            following = after(log.rows(signal, edge), rows, -1)
            known = (following >= 0) & (following <= log.last(rows))
            quiet &= ~known | (ground.least(rows, np.maximum(following, 0)) > wait)
    return quiet
