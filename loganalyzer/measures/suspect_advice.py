"""What to look at first, with which measurement, and with what caution: by part and sign.

Nothing here is a diagnosis: a log shows signs, a person measures.
"""

import json

import pandas as pd

ISOLATE = (
    "Isolate and lock out first; a log is no inspection, and licensed people and local codes "
    "decide."
)
FIRE_DOOR = (
    "An intake door is a fire door: its closer, latch and frame are rated parts, to be adjusted or "
    "replaced by a licensed person with parts of the same rating."
)

# In the order in which to look; what costs least and is most often it comes first.
STEPS: dict[str, tuple[str, ...]] = {
    "door": (
        "look for a wedge, a bag or rubbish that holds the leaf, and rubbing at frame and floor",
        "time the closing from fully open to latched, five times, and compare with another door",
        "check the closer for oil, its arm and its closing and latching speed",
    ),
    "door held": (
        "look for a wedge or a hook, and ask who uses the door at the hours named",
        "only then time the closing, five times, and compare with another door",
    ),
    "latch": (
        "check that the leaf closes fully and the bolt lies free of the keeper",
        "measure the coil's voltage and current while it draws, cold and warm",
        "time from release to free bolt, ten times, and compare with another door",
    ),
    "contact": (
        "check gap, seat and fastening of the door contact while the leaf is moved by hand",
        "measure its resistance closed, and while tapping it and its cable",
        "check that the latch holds the leaf still",
    ),
    "button": (
        "press and release the button ten times and watch the input at the controller",
        "clean it or replace it where it stays in; check for moisture behind the plate",
    ),
    "sorter": (
        "look for material in the diverter's way and at its seals",
        "time each travel five times against the pairs in the table drift",
        "measure the drive's current over a travel; check coupling, chain and position switches",
    ),
    "container": (
        "look at the sensor for dirt, a bag before it and its fastening, with the container empty",
        "cover and uncover it and watch the input at the controller",
        "compare with how full the container is the next three times that it tells full",
    ),
    "compactor": (
        "look for oversized material and at the ram's guides",
        "measure time and pressure of an empty stroke; check oil level and end switches",
    ),
    "wiring": (
        "look at what these doors share: the cable run, its terminals, the input board, the supply",
        "measure the supply at the last door of the run while a latch draws",
        "tap terminals and move the cable while somebody watches the inputs",
    ),
    "control": (
        "read the controller's own log and program version, check its temperature and fastening",
        "measure its supply with a recorder over some days, ripple included",
        "swap the board, if its maker agrees",
    ),
    "power": (
        "measure the supply at the controller with a recorder, while latches and drive run",
        "check terminals, fuse holders and the backup battery under load",
    ),
    "fire": (
        "look at the shutter, its fusible link, holding magnet and detector line",
        "measure the magnet's voltage; ask the fire alarm's keeper for its log of the same times",
        "do not wedge or bridge it; only a licensed person resets fire parts",
    ),
    "other": (
        "read in the controller's manual what the code means, and name its part in the profile",
    ),
}  # fmt: skip
RATED = ("door", "latch", "contact", "fire")


def advice(suspects: pd.DataFrame) -> list[str]:
    """An ordered list of what to do for each row of `suspects.suspects`, as one text."""
    rows = zip(suspects["component"], suspects["evidence"], suspects["misuse"], strict=True)
    return [_advice(str(part), json.loads(text), bool(misuse)) for part, text, misuse in rows]


def steps_of(
    part: str, evidence: dict[str, list[dict[str, object]]], misuse: bool
) -> tuple[str, ...]:
    """What to do for a suspect, in order."""
    kind = "door held" if misuse else part
    if evidence["for"] and evidence["for"][0]["sign"] == "steady presses":
        kind = "button"
    return STEPS[kind]


def _advice(part: str, evidence: dict[str, list[dict[str, object]]], misuse: bool) -> str:
    found = steps_of(part, evidence, misuse)
    steps = [f"{n}. {step[0].upper()}{step[1:]}." for n, step in enumerate(found, start=1)]
    return " ".join([ISOLATE, *steps, *([FIRE_DOOR] if part in RATED else [])])
