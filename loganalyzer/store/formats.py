"""The format of a store, and what stores of earlier formats lack.

Format 2: every table file has its checksum, an export says which site file it was read with, and
retention has its fields.
Format 1: the first. Some of its stores do not say where a profile came from.
"""

from collections.abc import Callable, Mapping
from typing import Any

FORMAT = 2
Values = dict[str, Any]


def upgraded(manifest: Values, format_: int) -> Values:
    """The values of a manifest as this program's format has them.

    Args:
        manifest: From its JSON document.
        format_: The format it was written in, at most `FORMAT`.
    """
    for earlier in range(format_, FORMAT):
        manifest = UPGRADES[earlier](manifest)
    return manifest


def _from_1(manifest: Values) -> Values:
    exports = [
        {
            "profile_file": f"{one['profile']}.toml", **one,
            "site_text": manifest["site_text"], "kept": one["source"], "removed": [],
        }
        for one in manifest["exports"]
    ]  # fmt: skip
    later: Values = {"checksums": {}, "kept_from": None, "retired": {}, "sums": None}
    return {**manifest, **later, "exports": exports}


UPGRADES: Mapping[int, Callable[[Values], Values]] = {1: _from_1}
