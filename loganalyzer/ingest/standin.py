"""A site for looking at an export when there is no site file: UTC, the chutes its lines name."""

from io import BytesIO

import pyarrow.compute as pc

from loganalyzer.errors import AnalyzerError
from loganalyzer.profile import Profile
from loganalyzer.readers import READERS
from loganalyzer.site import Chute, Site


def stand_in(sample: bytes, name: str, profile: Profile) -> Site:
    """A site with every chute that a profile, or a sample read with it, names.

    Args:
        sample: The beginning of an export.
        name: The export's name.
        profile: What may read it.
    """
    fixed = [event.chute for event in profile.events] + [one.chute for one in profile.samples]
    labels = {chute for chute in [*fixed, *profile.chutes.values()] if chute}
    labels |= _labels(sample, name, profile)
    chutes = tuple(
        Chute.model_construct(id=label, profile=profile.name) for label in sorted(labels) or ["A"]
    )
    return Site("inspected", "inspected", "UTC", chutes)


def _labels(sample: bytes, name: str, profile: Profile) -> set[str]:
    """The chutes that the lines of a sample name, in the site's words."""
    column = profile.columns.chute
    if column is None:
        return set()
    found: set[str] = set()
    try:
        for batch in READERS[profile.layout](BytesIO(sample), profile, name):
            found |= set(pc.unique(batch.records[column]).drop_null().cast("string").to_pylist())
    except AnalyzerError:
        return set()
    return {profile.chutes.get(label, label) for label in found}
