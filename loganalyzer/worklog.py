"""What was done, told in the dashboard: work and campaigns kept in the store beside the site file.

They are kept as TOML, the tables that a site file has too, so that they can be copied there. An
import with another site file leaves them as they are; one that stands in both counts once.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from loganalyzer.errors import SiteError
from loganalyzer.settings.writing import quoted
from loganalyzer.site import Campaign, Done, Site, Work, parse_done
from loganalyzer.store import Store

FILE = "what was told in the dashboard"


Entries = list[Work | Campaign]


def entries_of(done: Done) -> Entries:
    """Work first, then campaigns, each in the order in which they were told."""
    return [*done.work, *done.campaigns]


def told(store: Store, site: str) -> Done:
    """What was told of a site, in the order in which it was told."""
    return parse_done(store.done(site), FILE)


def entry_of(site: Site, kind: str, fields: Mapping[str, object]) -> Work | Campaign:
    """What somebody filled in, checked.

    Args:
        site: Where it was done.
        kind: "work" or "campaign".
        fields: `date`, `floors` (labels), `note`, and of work `chute` and `component`; what is
            empty is left out.

    Raises:
        SiteError: One line says what is wrong.
    """
    given = {key: value for key, value in fields.items() if value}
    if kind == "work":
        floors = given.pop("floors", [])
        if isinstance(floors, Sequence) and len(floors) > 1:
            raise SiteError("floors", f"{len(floors)} floors", "one floor, or none for all",
                            "Tell of each floor's work by itself")  # fmt: skip
        given |= {"floor": floors[0]} if isinstance(floors, Sequence) and floors else {}
    else:
        given = {key: given[key] for key in ("date", "floors", "note") if key in given}
    text = _table(kind, given)
    done = parse_done(text, "the form")
    _check_places(site, done)
    return entries_of(done)[0]


def add(
    store: Store, site: str, entry: Work | Campaign, tell: Callable[[str], None] = lambda line: None
) -> None:
    """Keep what was done; the same twice is kept once.

    Raises:
        StoreError: The store cannot be written.
    """
    _change(store, site, lambda entries: [*(e for e in entries if e != entry), entry], tell)


def remove(
    store: Store, site: str, entry: Work | Campaign, tell: Callable[[str], None] = lambda line: None
) -> None:
    """Take an entry out again; entries of the site file stand there and stay."""
    _change(store, site, lambda entries: [e for e in entries if e != entry], tell)


def _change(
    store: Store, site: str, made: Callable[[Entries], Entries], tell: Callable[[str], None]
) -> None:
    with store.writing(tell) as change:
        manifest = change.manifests[site]
        text = (store.path / manifest.done).read_text(encoding="utf-8") if manifest.done else ""
        done = parse_done(text, FILE)
        entries = made(entries_of(done))
        kept = "\n".join(_written(entry) for entry in entries)
        place = change.keep_text(kept, f"{site}-done") if entries else None
        change.manifests[site] = replace(manifest, done=place)


def _written(entry: Work | Campaign) -> str:
    kind = "work" if isinstance(entry, Work) else "campaign"
    return _table(kind, {key: value for key, value in entry.model_dump().items() if value})


def _table(kind: str, fields: Mapping[str, object]) -> str:
    lines = [f"{key} = {_value(value)}" for key, value in fields.items()]
    return "\n".join([f"[[{kind}]]", *lines, ""])


def _value(value: object) -> str:
    if isinstance(value, list | tuple):
        return f"[{', '.join(_value(one) for one in value)}]"
    return quoted(str(value))


def _check_places(site: Site, done: Done) -> None:
    """Refuse chutes and floors that the site file does not list."""
    chutes = {chute.id: [floor.label for floor in chute.floors] for chute in site.chutes}
    for entry in done.work:
        if entry.chute is not None and entry.chute not in chutes:
            _refuse("chute", entry.chute, list(chutes))
    labels = [label for floors in chutes.values() for label in floors]
    named = [e.floor for e in done.work if e.floor] + [f for e in done.campaigns for f in e.floors]
    for label in named:
        if labels and label not in labels:
            _refuse("floor", label, list(dict.fromkeys(labels)))


def _refuse(what: str, found: str, known: list[str]) -> None:
    raise SiteError(what, f"'{found}'", f"one of {', '.join(known)}", "Choose one of these")
