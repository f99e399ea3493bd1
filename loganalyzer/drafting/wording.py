"""How well the words of a text fit each meaning: points, with the words that earned them."""

from loganalyzer.drafting.vocabulary import concepts

Meaning = tuple[str, str]
IGNORE: Meaning = ("ignore", "")
REFUSAL: Meaning = ("refusal", "mark")

MEANINGS: tuple[Meaning, ...] = (
    ("press", "mark"), ("refusal", "mark"), ("positioning", "on"), ("positioning", "off"),
    ("unlocked", "on"), ("unlocked", "off"), ("open", "on"), ("open", "off"),
    ("clearing", "on"), ("clearing", "off"), ("lockout", "on"), ("lockout", "off"),
    ("full", "on"), ("full", "off"), ("service", "on"), ("service", "off"),
    ("fault", "on"), ("fault", "off"), ("fault", "mark"), ("power", "on"), ("power", "off"),
    ("compacting", "on"), ("compacting", "off"), ("clock", "mark"), ("level", "mark"),
    ("note", "mark"), IGNORE,
)  # fmt: skip

# Meaning; what the text must speak of, all of a set; what it must not; points.
# A rule with more words is worth more, so that "button released" is no release of a latch.
RULES: tuple[tuple[Meaning, str, str, float], ...] = (
    (("press", "mark"), "button press", "refuse not", 4),
    (("press", "mark"), "press", "refuse not", 3),
    (("press", "mark"), "button", "refuse not lockout end", 2),
    (("refusal", "mark"), "button refuse", "", 5),
    (("refusal", "mark"), "press refuse", "", 5),
    (("refusal", "mark"), "button not", "", 4.5),
    (("refusal", "mark"), "press not", "", 4.5),
    (("refusal", "mark"), "refuse", "", 3.5),
    (("positioning", "on"), "diverter moving", "", 5),
    (("positioning", "on"), "diverter start", "arrived not", 4),
    (("positioning", "off"), "diverter arrived", "not fault", 5),
    (("positioning", "off"), "diverter end", "moving", 3.5),
    (("unlocked", "on"), "latch unlock", "", 5),
    (("unlocked", "on"), "latch open", "not", 4.5),
    (("unlocked", "on"), "unlock", "lockout", 3.5),
    (("unlocked", "on"), "latch end", "", 3),
    (("unlocked", "off"), "latch lock", "unlock not", 5),
    (("unlocked", "off"), "latch close", "", 4.5),
    (("unlocked", "off"), "lock", "unlock lockout", 3.5),
    (("unlocked", "off"), "latch start", "unlock", 3),
    (("open", "on"), "door open", "latch fault not", 4),
    (("open", "on"), "open", "latch fault not container", 2.5),
    (("open", "off"), "door close", "latch fault not", 4),
    (("open", "off"), "close", "latch fault not container", 2.5),
    (("clearing", "on"), "clearing start", "diverter service", 4),
    (("clearing", "on"), "clearing", "end diverter service", 2.5),
    (("clearing", "off"), "clearing end", "diverter service", 4),
    (("lockout", "on"), "lockout", "unlock end not", 3.5),
    (("lockout", "on"), "lockout start", "unlock not", 4.5),
    (("lockout", "on"), "button lockout", "unlock end not", 4.5),
    (("lockout", "on"), "door lockout", "unlock end not", 4),
    (("lockout", "off"), "lockout not", "", 4.5),
    (("lockout", "off"), "lockout end", "start", 4.5),
    (("lockout", "off"), "lockout unlock", "", 4.5),
    (("lockout", "off"), "button end", "", 3.5),
    (("lockout", "off"), "button unlock", "", 3.5),
    (("full", "on"), "container full", "not end", 4),
    (("full", "on"), "full", "not end emptied", 3),
    (("full", "off"), "container full end", "", 5),
    (("full", "off"), "container emptied", "", 4.5),
    (("full", "off"), "full not", "", 4),
    (("full", "off"), "full end", "", 4),
    (("full", "off"), "emptied", "", 3),
    (("level", "mark"), "level", "full fault", 4),
    (("level", "mark"), "container level", "fault", 4.5),
    (("service", "on"), "service start", "", 4.5),
    (("service", "on"), "service", "end", 3),
    (("service", "off"), "service end", "start", 4.5),
    (("fault", "on"), "fault start", "", 5.5),
    (("fault", "off"), "fault end", "start", 5.5),
    (("fault", "mark"), "fault", "start end", 4),
    (("fault", "on"), "fault", "end", 3.5),
    (("power", "on"), "power start", "end", 4.5),
    (("power", "on"), "power", "end", 2.5),
    (("power", "off"), "power end", "start", 4.5),
    (("power", "off"), "power not", "start", 4),
    (("compacting", "on"), "compactor start", "fault button", 4.5),
    (("compacting", "on"), "compactor moving", "fault button end", 4),
    (("compacting", "off"), "compactor end", "fault button", 4.5),
    (("compacting", "off"), "compactor arrived", "fault button", 4.5),
    (("clock", "mark"), "clock", "", 5),
    (("note", "mark"), "note", "", 4),
    (IGNORE, "alive", "", 5),
)  # fmt: skip


def points(text: str) -> dict[Meaning, float]:
    """Points for each meaning that the text's words speak for; empty where they say nothing."""
    found = concepts(text)
    scored: dict[Meaning, float] = {}
    for meaning, needed, without, worth in RULES:
        if found.issuperset(needed.split()) and not found & set(without.split()):
            scored[meaning] = max(scored.get(meaning, 0.0), worth)
    if scored.get(REFUSAL, 0.0) >= 3.5:  # the other words are its reason
        return {meaning: min(worth, 1.0) for meaning, worth in scored.items()} | {
            REFUSAL: scored[REFUSAL]
        }
    return scored


def reason(text: str) -> str | None:
    """Why a press was refused, in the words of the contract; null where the words do not tell."""
    found = concepts(text)
    for word in ("full", "lockout", "service", "fault", "busy"):
        if word in found:
            return word
    return None
