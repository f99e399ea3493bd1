"""No door is unlocked while maintenance has taken the doors out of use.

Put to the test with each press during service.
"""

from loganalyzer.audit.ground import Checks, Ground
from loganalyzer.audit.unlocks import asked, first_of_each


def service_holds(ground: Ground) -> Checks:
    """Find unlocks granted during service."""
    log, held = ground.log, ground.held("service")
    found = asked(ground, held)
    wrong = first_of_each(found.unlock)
    broken = found.unlock[wrong]
    doors = log.doors(broken)
    texts = [
        f"door {ground.floor(door)} unlocked during service (since "
        f"{ground.line(held.start[found.span[i]], row)})"
        for door, i, row in zip(doors, wrong, broken, strict=True)
    ]
    return Checks(found.tested, broken, doors, texts)
