"""A simulated building, its chutes and their controllers, which know the truth about themselves.

    truth = simulate(plain_plan(days=14, seed=7))

`plan` says what there is and what goes wrong; `residents` come; `controller` plays it by the
contract's rules; `truth` holds every event, cycle, visit; `dialects` write it as exports.
No code is shared with the library's readers.
"""

from tests.tools.simulator.plan import (
    Chute,
    Fault,
    Floor,
    Limits,
    Misuse,
    Plan,
    PowerCut,
    Service,
    Stream,
    plain_chute,
    plain_plan,
)
from tests.tools.simulator.truth import Truth, simulate

__all__ = [
    "Chute",
    "Fault",
    "Floor",
    "Limits",
    "Misuse",
    "Plan",
    "PowerCut",
    "Service",
    "Stream",
    "Truth",
    "plain_chute",
    "plain_plan",
    "simulate",
]
