"""How kept files are called: by a hash over all that they were made from.

The manifest's name changes with whatever is in it: the stretches and the files behind them, the
site file, what was done, the profiles, what retention removed. So a reader who works the name out
from the store as it stands finds what was made from just that, or nothing.
"""

import hashlib
from collections.abc import Mapping

MADE = 1  # raise it whenever a kept table comes to mean something else
SHARDS = 32
Named = Mapping[str, str]  # site → manifest, as the store's root file has them


def key_of(manifest: str) -> str:
    """The key of what is made from one manifest."""
    return _hash(manifest)


def shard_of(site: str) -> int:
    """In which shard of the store-wide tables a site lies."""
    return int.from_bytes(hashlib.sha256(site.encode()).digest()[:4], "big") % SHARDS


def shards_of(sites: Named) -> dict[int, dict[str, str]]:
    """The sites of each shard that has any, with their keys, sorted."""
    found: dict[int, dict[str, str]] = {}
    for site in sorted(sites):
        found.setdefault(shard_of(site), {})[site] = key_of(sites[site])
    return dict(sorted(found.items()))


def shard_key(keys: Named) -> str:
    """The key of a shard of these sites and keys."""
    return _hash(*(f"{site} {key}" for site, key in sorted(keys.items())))


def _hash(*parts: str) -> str:
    text = "\n".join([str(MADE), *parts])
    return hashlib.sha256(text.encode()).hexdigest()[:24]
