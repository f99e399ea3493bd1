"""CPU seconds that translating a million records takes: `python -m tests.benchmarks.translate`.

Ten batches of 100,000 records: 200 distinct event texts, 41 floors, 2 streams, 2 codes, a value on
every eighth record, 12 % heartbeats that are ignored; labels come as dictionaries, as readers
hand them on. The best of five rounds.
"""

import time

import numpy as np
import pyarrow as pa

from loganalyzer.events import Translator
from loganalyzer.profile import Columns, load_profile
from loganalyzer.readers.records import REJECTS, Batch
from loganalyzer.site import Chute, Floor, Limits, Site, Stream

ROWS, BATCHES, ROUNDS = 100_000, 10, 5
COMMON = ("BUTTON", "LATCH RELEASED", "DOOR OPEN", "DOOR SHUT", "SIGN OF LIFE", "BIN LEVEL",
          "BUTTON NOT TAKEN", "LATCH SET")  # fmt: skip
TEXTS = (*COMMON, *(f"MEMO {number}" for number in range(192)))
FLOORS = (*(f"{floor:02}" for floor in range(40)), "GF")
COLUMNS = Columns(
    time=("stamp",), event=("event",), floor="door", stream="material", code="reason",
    value="value",
)  # fmt: skip


def batch(rng: np.random.Generator) -> Batch:
    """Records drawn at random."""
    chances = [0.94 / 8] * 8 + [0.06 / 192] * 192
    event = rng.choice(len(TEXTS), ROWS, p=chances)
    table = pa.table({
        "line": np.arange(ROWS),
        "stamp": ["21.03.2024 07:00:01"] * ROWS,
        "event": labels(event, TEXTS),
        "door": labels(rng.integers(0, len(FLOORS), ROWS), FLOORS),
        "material": labels(rng.integers(0, 2, ROWS), ("GENERAL", "FOOD")),
        "reason": labels(rng.integers(0, 2, ROWS), ("IN USE", "BIN FULL")),
        "value": pa.array(["12,5"] * ROWS, mask=event != COMMON.index("BIN LEVEL")),
    })  # fmt: skip
    return Batch(table, REJECTS.empty_table(), ROWS, 0, lambda lines: lines.cast(pa.string()))


def labels(codes: np.ndarray, words: tuple[str, ...]) -> pa.DictionaryArray:
    return pa.DictionaryArray.from_arrays(codes.astype(np.int32), pa.array(words))


def main() -> None:
    rng = np.random.default_rng(1)
    floors = tuple(Floor(label=str(floor)) for floor in (*range(40), "G"))
    streams = tuple(Stream(id=kind, kind=kind) for kind in ("refuse", "organics"))
    chute = Chute(id="A", profile="p", limits=Limits(), streams=streams, floors=floors)
    profile = load_profile("semicolon-text", None).model_copy(update={"columns": COLUMNS})
    translator = Translator(profile, Site("s", "S", "Europe/Lisbon", (chute,)), None)
    batches = [batch(rng) for _ in range(BATCHES)]
    best = min(cpu_seconds(translator, batches) for _ in range(ROUNDS))
    print(f"{best * 1e6 / (ROWS * BATCHES):.3f} CPU seconds a million records")


def cpu_seconds(translator: Translator, batches: list[Batch]) -> float:
    start = time.process_time()
    for each in batches:
        translator.translate(each)
    return time.process_time() - start


if __name__ == "__main__":
    main()
