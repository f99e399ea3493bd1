"""The kinds of incident: who each is for, what to check first, and with what caution."""

from dataclasses import dataclass
from typing import Literal

# A log is read from a desk; the sentence is read by somebody who may reach into a machine.
CAUTION = (
    "lock out and tag out before anybody reaches in, a log is no inspection, and licensed "
    "people and local codes decide"
)


@dataclass(frozen=True)
class Kind:
    """A kind of incident.

    Attributes:
        name: One of `tables.INCIDENT_KINDS`.
        audience: One of `tables.AUDIENCES`.
        check: What to check first, a sentence without its full stop.
        hands_on: Whether somebody acts on equipment, so that the caution belongs to it.
        refused: Whose refused presses it cost: of the chute, of the door, those with code
            "full", or none that a log can show. Visits lost are those of the door for "door",
            of the chute for the others.
        place: What tells two incidents of this kind apart that begin at a chute at one time.
    """

    name: str
    audience: Literal["manager", "technician", "coordinator"]
    check: str
    hands_on: bool = True
    refused: Literal["chute", "door", "full", "unknown"] = "chute"
    place: tuple[str, ...] = ("floor", "code")

    @property
    def advice(self) -> str:
        """The whole sentence."""
        return f"{self.check}; {CAUTION}." if self.hands_on else f"{self.check}."


KINDS = (
    Kind(
        "stuck_door",
        "technician",
        "Check first whether something holds the leaf open, then the closer and the latch, and "
        "keep the door shut until then, since an intake door is a fire door",
        place=("floor",),
    ),
    Kind(
        "container_full",
        "coordinator",
        "Check first that the container is emptied and set back in its place, then whether the "
        "pickup comes before it usually fills",
        refused="full",
        place=("stream",),
    ),
    Kind(
        "abuse_lockout",
        "manager",
        "Check first whether the button sticks or the door was kept busy by others before "
        "speaking to anybody, since the log shows presses and not people",
        hands_on=False,
        refused="door",
        place=("floor",),
    ),
    Kind(
        "sorter_fault",
        "technician",
        "Check first whether material lies in the diverter's way, then its drive and its "
        "position switches",
        place=(),
    ),
    Kind(
        "latch_fault",
        "technician",
        "Check first that the leaf closes fully, then the latch, its coil and its switch",
        refused="door",
    ),
    Kind(
        "interlock_breach",
        "technician",
        "Check first that the lines say what they seem to, then the interlock of the doors named, "
        "its switches and wiring, and keep the chute out of use until somebody licensed has",
        refused="unknown",
        place=(),
    ),
    Kind(
        "contact_chatter",
        "technician",
        "Check first that the door contact sits firmly and its gap and cable are sound, since a "
        "chattering contact looks like use of the door",
        refused="door",
        place=("floor",),
    ),
    Kind(
        "common_cause",
        "technician",
        "Check first what these doors share, such as a cable, a supply or an input board, before "
        "anything at the single doors",
    ),
    Kind(
        "compactor_jam",
        "coordinator",
        "Check first whether oversized material blocks the ram, and call the compactor's service",
    ),
    Kind(
        "power_loss",
        "technician",
        "Check first the supply, its breaker and the controller's battery, and that the clock is "
        "right again",
        refused="unknown",
        place=(),
    ),
    Kind(
        "service",
        "manager",
        "Check first that the service was announced and that the doors were given back when it "
        "was over",
        hands_on=False,
        place=(),
    ),
    Kind(
        "log_gap",
        "manager",
        "Check first whether an export for this time is missing, since nothing is known of it "
        "until then",
        hands_on=False,
        refused="unknown",
        place=(),
    ),
    Kind(
        "other_fault",
        "technician",
        "Check first what the controller's manual says of this code, and name its component in "
        "the profile",
    ),
)

KIND = {kind.name: kind for kind in KINDS}
