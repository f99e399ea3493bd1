"""The diverter never moves while a door is open or material falls.

Put to the test with each travel of the diverter. Material counts as falling while the log says
clearing; a log without clearing still tells of doors, and the other way round.
"""

import numpy as np

from loganalyzer.audit.ground import Checks, Ground, first_of_endless, overlaps, seconds


def sorter_still(ground: Ground) -> Checks:
    """Find travels that overlap an open door or a clearing by more than the log's doubt."""
    travels, log = ground.held("positioning"), ground.log
    rows: list[int] = []
    doors: list[int] = []
    texts: list[str] = []
    for held, what in ((ground.openings, "open"), (ground.held("clearing"), "falling")):
        move, other = overlaps(ground, travels, held)
        keep = first_of_endless(other, held)
        for i, j in zip(move[keep], other[keep], strict=True):
            begin = max(travels.start[i], held.start[j])
            end = min(travels.end[i], held.end[j])
            both = float(ground.least(np.array([begin]), np.array([end]))[0])
            where = (
                f"door {ground.floor(held.door[j])} was open"
                if what == "open"
                else "material was falling"
            )
            moved = "set off" if travels.start[i] > held.start[j] else "was still moving"
            rows.append(int(begin))
            doors.append(int(held.door[j]))
            texts.append(
                f"the diverter {moved} while {where} "
                f"({ground.line(held.start[j], begin)}), for at least {seconds(both)}"
            )
    certain = ground.least(travels.start, travels.end) > 0
    order = np.argsort(rows, kind="stable")
    return Checks(
        travels.start[certain],
        np.array(rows, np.int64)[order],
        np.array(doors, log.doors(log.first[:0]).dtype)[order],
        [texts[i] for i in order],
    )
