"""Reads the exports of waste-chute controllers: timeline, intervals, cycles, findings.

The names a script needs; the rest is imported from its own module. Each is loaded when it is
first asked for, so that `loganalyzer --help` answers at once.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from loganalyzer.answers import answer
    from loganalyzer.errors import AnalyzerError
    from loganalyzer.ingest import again, import_paths, undo
    from loganalyzer.ingest.inspection import inspect
    from loganalyzer.profile import Profile, load_profile
    from loganalyzer.site import Site, load_site
    from loganalyzer.store import Store
    from loganalyzer.views import analyse, summary

__all__ = [
    "AnalyzerError",
    "Profile",
    "Site",
    "Store",
    "again",
    "analyse",
    "answer",
    "import_paths",
    "inspect",
    "load_profile",
    "load_site",
    "summary",
    "undo",
]

_HOME = {
    "AnalyzerError": "errors",
    "Profile": "profile",
    "Site": "site",
    "Store": "store",
    "again": "ingest",
    "analyse": "views",
    "answer": "answers",
    "import_paths": "ingest",
    "inspect": "ingest.inspection",
    "load_profile": "profile",
    "load_site": "site",
    "summary": "views",
    "undo": "ingest",
}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOME[name]}"), name)
