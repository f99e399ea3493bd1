"""Which profile reads an export, and which chute it comes from; a guess is always told."""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path
from typing import BinaryIO

import pyarrow as pa
import pyarrow.compute as pc

from loganalyzer.errors import AnalyzerError, InputError, ProfileError, UsageError
from loganalyzer.events import Translator
from loganalyzer.profile import Profile, load_profile, shipped_profiles
from loganalyzer.readers import READERS
from loganalyzer.site import Site
from loganalyzer.stamps import Stamps

SAMPLE_BYTES = 48 * 1024
XLSX = b"PK\x03\x04"


@dataclass(frozen=True)
class Choice:
    """The profile, the chute (null: each line names its own), and what to tell about it."""

    profile: Profile
    chute: str | None
    messages: tuple[str, ...] = ()


@dataclass
class Profiles:
    """The profiles an import may use, each loaded once.

    Attributes:
        beside: The site file, or a folder: where relative paths start and others are looked for.
        kept: Profiles from the store by the name of the file they came from, earliest first:
            for `again` when that is gone, and for exports that the site's own do not read.
    """

    beside: Path | None
    kept: dict[str, Profile] = field(default_factory=dict)
    _loaded: dict[str, Profile] = field(default_factory=dict)

    def load(self, name: str) -> Profile:
        """A profile by name or path.

        Raises:
            ProfileError: There is none, or it is wrong.
        """
        if name not in self._loaded:
            try:
                self._loaded[name] = load_profile(name, self.beside)
            except ProfileError:
                kept = self.kept.get(Path(name).name)
                if kept is None:
                    raise
                self._loaded[name] = kept
        return self._loaded[name]

    def others(self) -> list[Profile]:
        """Profiles that ship, and the readable ones beside the site file."""
        found = [self.load(name) for name in shipped_profiles()]
        folder = self.beside if self.beside is None or self.beside.is_dir() else self.beside.parent
        for path in sorted(folder.glob("*.toml")) if folder else ():
            try:
                found.append(self.load(str(path.resolve())))
            except AnalyzerError:
                continue  # the site file itself, or a profile that is not what was asked for
        return list({profile.text: profile for profile in found}.values())


def head(stream: BinaryIO) -> bytes:
    """Enough of an export to choose by: its first lines; of a workbook, all of it."""
    start = stream.read(SAMPLE_BYTES)
    if start.startswith(XLSX):
        return start + stream.read()
    if len(start) < SAMPLE_BYTES:
        return start
    return start[: max(start.rfind(b"\n"), start.rfind(b"\r")) + 1] or start


def choose(
    sample: bytes,
    name: str,
    site: Site,
    profiles: Profiles,
    asked: tuple[str | None, str | None],
    received: datetime,
) -> Choice:
    """Choose how to read an export.

    Args:
        sample: From `head`.
        name: The export's name, with its folder.
        site: The site it comes from.
        profiles: Which may be used.
        asked: The chute and the profile that the person named, or null.
        received: When it was given.

    Raises:
        InputError: No profile understands it.
        ProfileError: Several do.
        UsageError: Nothing tells its chute.
        SiteError: The site has no chute of that id.
    """
    asked_chute, asked_profile = asked
    if asked_chute is not None:
        site.chute(asked_chute)
    told: tuple[str, ...] = ()
    if asked_profile is not None:
        profile = profiles.load(asked_profile)
    else:
        profile, told = _profile(sample, name, site, profiles, asked_chute, received)
    chute, guess = _chute(name, site, profile, asked_chute)
    return Choice(profile, chute, (*told, *guess))


def understood(sample: bytes, name: str, profile: Profile, site: Site, received: datetime) -> float:
    """The share of lines, of those that are no furniture, that become events; 0 to 1."""
    try:
        return _share(sample, name, profile, site, received)
    except AnalyzerError:
        return 0.0


def _share(sample: bytes, name: str, profile: Profile, site: Site, received: datetime) -> float:
    if (profile.layout == "sheet") != sample.startswith(XLSX):
        return 0.0
    lines = events = 0
    translator = Translator(profile, site, site.chutes[0].id)
    stamps = Stamps(profile.time, received, received.year)
    for batch in READERS[profile.layout](BytesIO(sample), profile, name):
        told = translator.translate(batch)
        ok = pa.array(stamps.parse(told.events["stamp"]).ok)
        events += len(pc.unique(told.events["line"].filter(ok)))
        lines += batch.lines - batch.ignored - told.ignored
    return events / lines if lines else 0.0


def only(name: str, fitting: Sequence[Profile], tried: Sequence[Profile]) -> Profile:
    """The one profile that fits.

    Raises:
        InputError: None does.
        ProfileError: Several do.
    """
    if len(fitting) == 1:
        return fitting[0]
    if fitting:
        raise _claimed(name, fitting)
    names = ", ".join(one.name for one in tried)
    raise InputError(
        name, "lines that no profile understands", f"an export that one of {names} reads",
        "Name a profile with --profile, or write one: loganalyzer inspect shows what it finds",
    )  # fmt: skip


def _refusals(
    sample: bytes, name: str, profiles: Iterable[Profile], site: Site
) -> list[InputError]:
    """Why the profiles cannot read the export at all; empty if one of them can."""
    errors = []
    for profile in profiles:
        try:
            _share(sample, name, profile, site, datetime(2000, 1, 1, tzinfo=UTC))
            return []
        except InputError as error:
            errors.append(error)
    return errors


def _profile(
    sample: bytes, name: str, site: Site, profiles: Profiles, chute: str | None, received: datetime
) -> tuple[Profile, tuple[str, ...]]:
    chutes = [site.chute(chute)] if chute is not None else list(site.chutes)
    own = [profiles.load(one) for one in dict.fromkeys(c.profile for c in chutes)]
    fitting = _fitting(sample, name, own, site, received)
    if len(fitting) > 1:
        named = [c for c in chutes if any(_is_word(c.id, part) for part in _name_parts(name))]
        by_name = {profiles.load(c.profile).text for c in named}
        fitting = [one for one in fitting if one.text in by_name] or fitting
    if len(fitting) == 1:
        return fitting[0], ()
    if fitting:
        raise _claimed(name, fitting)
    before = [one for one in profiles.kept.values() if one.text not in {o.text for o in own}]
    fitting = _fitting(sample, name, before[::-1], site, received)
    if fitting:  # the latest: it may be a draft that was made better
        told = f'{name}: read with "{fitting[0].name}", as an earlier export was (guessed).'
        return fitting[0], (told,)
    others = [one for one in profiles.others() if one.text not in {o.text for o in own}]
    fitting = _fitting(sample, name, others, site, received)
    refusals = [] if fitting else _refusals(sample, name, own, site)
    if refusals and len({error.found for error in refusals}) == 1:
        raise refusals[0]  # they agree on what is wrong with it
    some = [] if fitting else [o for o in own if understood(sample, name, o, site, received)]
    if len(some) == 1:  # the site file's own: the good part lands, and the rest is told
        return some[0], (f'{name}: "{some[0].name}" understands less than half of its beginning.',)
    found = only(name, fitting, [*own, *others])
    words = " or ".join(f'"{one.name}"' for one in own)
    told = (
        f'{name}: not written as the site file says ({words}); read with "{found.name}" (guessed).'
    )
    return found, (told,)


def _fitting(
    sample: bytes, name: str, profiles: Iterable[Profile], site: Site, received: datetime
) -> list[Profile]:
    return [one for one in profiles if understood(sample, name, one, site, received) > 0.5]


def _claimed(name: str, profiles: Sequence[Profile]) -> ProfileError:
    names = " and ".join(f'"{one.name}"' for one in profiles)
    return ProfileError(
        name, f"an export that {names} understand", "exactly one profile that does",
        f"Choose with --profile {profiles[0].name}",
    )  # fmt: skip


def _chute(
    name: str, site: Site, profile: Profile, asked: str | None
) -> tuple[str | None, tuple[str, ...]]:
    """The export's chute: as asked, by its lines, the only one, or by its name."""
    if asked is not None:
        return asked, ()
    if len(site.chutes) == 1:
        return site.chutes[0].id, ()
    if _tells_chute(profile):
        return None, ()
    names = {profile.name, profile.file, Path(profile.file).name, Path(profile.file).stem}
    same = [c.id for c in site.chutes if c.profile in names or Path(c.profile).name in names]
    if len(same) == 1:
        return same[0], ()
    for part in _name_parts(name):
        named = [one for one in same or [c.id for c in site.chutes] if _is_word(one, part)]
        if len(named) == 1:
            return named[0], (f'{name}: read as chute "{named[0]}", by its name (guessed).',)
    chutes = ", ".join(c.id for c in site.chutes)
    raise UsageError(
        name, "nothing that tells the chute", f"one of {chutes}",
        "Name it with --chute, or have the chute's id as a word in the file's name",
    )  # fmt: skip


def _tells_chute(profile: Profile) -> bool:
    """Whether lines of this profile say which chute they are about."""
    entries = [(e.chute, e.pattern) for e in profile.events]
    entries += [(s.chute, s.pattern) for s in profile.samples]
    told = any(chute or "chute" in re.compile(p or "").groupindex for chute, p in entries)
    return profile.columns.chute is not None or told


def _name_parts(name: str) -> list[str]:
    """The file's name, that of the archive it is in, and its folder's, nearest first."""
    archive, _, member = name.partition("!")
    return [*member.split("/")[::-1], *re.split(r"[/\\]", archive)[:-3:-1]]


def _is_word(word: str, name: str) -> bool:
    """Whether a name holds the word by itself, letter case ignored."""
    pattern = rf"(?<![A-Za-z0-9]){re.escape(word)}(?![A-Za-z0-9])"
    return bool(re.search(pattern, name, re.IGNORECASE))
