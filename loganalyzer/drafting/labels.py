"""Labels as an export writes them → floors and streams of the site file."""

import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence

from loganalyzer.drafting.vocabulary import GROUND, STREAMS, stems, words_of
from loganalyzer.site import Site
from loganalyzer.stamps.months import plain

FLOOR_WORDS = re.compile(
    r"(floor|door|level|etage|et|stock|og|porte|puerta|planta|piso|porta|andar|tur|niveau|nivel|"
    r"intake|landing|eg|p|d|f|l|e|t|k|n|a|s)?[\s.:_#-]*(-?\d+)[\s.]*(og|ug|e|eme|o|th|st|nd|rd|a|er)?"
)
BELOW = re.compile(r"(?:ug|kg|kg|b|ss|s|sous[- ]?sol|sotano|cave|sub|-|u)[\s.-]*0*(\d*)")
SURE_COVER = 0.6


def floor_of(written: str, floors: frozenset[str]) -> str | None:
    """The floor of the site that a label means, or null.

    Args:
        written: As the export has it: 7, 07, D07, L-7, EG, Etage 7.
        floors: The labels of the site.
    """
    text = plain(written).strip()
    named = {plain(label): label for label in floors}
    if text in named:
        return named[text]
    bare = text.lstrip("0")
    if bare in named:
        return named[bare]
    if text in {word.rstrip("$") for word in GROUND.split()}:
        return next((named[word] for word in ("g", "0", "gf", "eg", "1") if word in named), None)
    below = BELOW.fullmatch(text)
    if below:
        for word in ("b", "ug", "-", "s"):
            label = named.get(f"{word}{below[1] or 1}")
            if label:
                return label
    found = FLOOR_WORDS.fullmatch(text)
    if not found:
        tail = re.fullmatch(r"[a-z]+[\s.:_#-]+([a-z]\w{0,2}|[a-z]+)", text)
        return floor_of(tail[1], floors) if tail and tail[1] != text else _glued(text, floors)
    number = found[2].lstrip("0") or "0"
    if number in named:
        return named[number]
    return next((named[w] for w in ("g", "gf") if w in named), None) if number == "0" else None


def _glued(text: str, floors: frozenset[str]) -> str | None:
    """A label behind one letter, such as dg or db1."""
    return floor_of(text[1:], floors) if re.fullmatch(r"[dflt](g|gf|b\d)", text) else None


def floor_map(values: Iterable[str], floors: frozenset[str]) -> dict[str, str] | None:
    """Each label's floor; null unless every one means a floor of its own."""
    mapped = {value: floor_of(value, floors) for value in values}
    found = [floor for floor in mapped.values() if floor is not None]
    if len(found) < len(mapped) or len(set(found)) < len(found) or not found:
        return None
    return {value: floor for value, floor in mapped.items() if floor is not None}


def all_floors(site: Site) -> frozenset[str]:
    """The labels of every chute of the site."""
    return frozenset(floor.label for chute in site.chutes for floor in chute.floors)


def all_streams(site: Site) -> dict[str, str]:
    """Stream id → kind, of every chute of the site."""
    return {stream.id: stream.kind for chute in site.chutes for stream in chute.streams}


def stream_of(written: str, streams: Mapping[str, str]) -> str | None:
    """The stream of the site that a label means, by its words, or null."""
    text = plain(written).strip()
    for name in streams:
        if plain(name) == text:
            return name
    joined = words_of(written)
    for kind, words in STREAMS.items():
        if stems(words).search(joined):
            named = [name for name, own in streams.items() if own == kind]
            if len(named) == 1:
                return named[0]
    return None


def stream_map(values: Sequence[str], streams: Mapping[str, str]) -> dict[str, str] | None:
    """Each label's stream; null unless every one means a stream of its own."""
    mapped = {value: stream_of(value, streams) for value in values}
    found = [stream for stream in mapped.values() if stream is not None]
    if not found or len(found) < len(mapped) or max(Counter(found).values()) > 1:
        return None
    return {value: stream for value, stream in mapped.items() if stream is not None}
