"""Showing the dashboard: `serve`, and `demo`, which fills a store first."""

import argparse
from pathlib import Path
from typing import Any

from loganalyzer import views
from loganalyzer.answers import answer
from loganalyzer.commands.shared import findings
from loganalyzer.commands.taking import report, take
from loganalyzer.errors import UsageError
from loganalyzer.site import load_site
from loganalyzer.store import Store


def serve_dashboard(options: argparse.Namespace) -> int:
    """Serve the dashboard of a store."""
    return _listen(
        Store.open(options.store), options, accounts=options.accounts, header=options.trust_header,
        proxies=frozenset(options.proxy), https=options.https,
    )  # fmt: skip


def show_demo(options: argparse.Namespace) -> int:
    """Import the sample logs, print the findings, serve the dashboard."""
    store = Store.open(options.store, create=True)
    asked = argparse.Namespace(chute=None, profile=None)
    for folder in sorted(path for path in _samples().iterdir() if path.is_dir()):
        site = load_site(folder.with_suffix(".toml"))
        print(f"{site.name}: exports from {folder}")
        report(take([folder], store, site, asked), as_json=False)
        print()
    analysis = answer(store)
    print(findings(store, views.summary(analysis, store.imports(), store.rejects())))
    if options.no_serve:
        return 0
    print()
    return _listen(store, options)


def _listen(store: Store, options: argparse.Namespace, **access: Any) -> int:
    """Serve; `access` are the fields of `Access`, none for this machine alone."""
    from dashboards.access.settings import Access  # heavy: other commands do without both
    from loganalyzer.serving import serve

    serve(store, options.host, options.port, Access(**access))
    return 0


def _samples() -> Path:
    """The sample logs: inside an installed package, or beside a checkout's."""
    here = Path(__file__).parent.parent
    for folder in (here / "sample_logs", here.parent / "sample_logs"):
        if any(folder.glob("*.toml")):
            return folder
    raise UsageError(
        "loganalyzer demo", "no sample logs", f"them in {here}", "Install the package again"
    )
