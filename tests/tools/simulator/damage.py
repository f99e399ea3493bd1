"""Lines as a bad stick or cable leaves them: cut, garbled, or saying something unheard of."""

import numpy as np

# What a press says, and what is put in its place to make an event that no profile knows.
UNHEARD = {
    "semicolon-text": (";BUTTON;", ";SELF TEST;"),
    "bracket-lines": ("asked for", "self test of"),
    "syslog-events": ("button-pushed", "self-test"),
    "json-events": ('"state":"pressed"', '"state":"tested"'),
    "tafel-protokoll": ("Taste gedrückt", "Selbsttest"),
}
GARBAGE = b"\xff\xc3\x28\xfe\x9f\xa4\xf5\xe2"


def damage(
    data: bytes, dialect: str, encoding: str, each: int, rng: np.random.Generator
) -> tuple[bytes, list[tuple[int, str]]]:
    """Spoil some lines of an export.

    Args:
        data: The file, lines ending in LF.
        dialect: One of `UNHEARD`.
        encoding: Of the file.
        each: How many lines are cut, garbled, and inserted with an unknown event.
        rng: Chooses them.

    Returns:
        The file and (physical line from 1, what: cut, garbled, unknown) of each, in order.
    """
    lines = data.split(b"\n")
    press, other = (text.encode(encoding) for text in UNHEARD[dialect])
    told = [number for number, line in enumerate(lines) if press in line]
    chosen = sorted(rng.choice(told, 3 * each, replace=False).tolist())
    kinds = rng.permutation(["cut", "garbled", "unknown"] * each).tolist()
    found: list[tuple[int, str]] = []
    for number, kind in sorted(zip(chosen, kinds, strict=True), reverse=True):
        line = lines[number]
        if kind == "cut":
            lines[number] = line[: len(line) // 3]
        elif kind == "garbled":
            lines[number] = GARBAGE + line[len(GARBAGE) :]
        else:
            lines.insert(number + 1, line.replace(press, other))
    inserted = 0
    for number, kind in zip(chosen, kinds, strict=True):
        inserted += kind == "unknown"
        found.append((number + 1 + inserted, kind))
    return b"\n".join(lines), found
