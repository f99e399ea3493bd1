"""Working out beforehand what many sites are asked: `analyze`."""

import argparse
import os
import time

from loganalyzer.cluster import spread
from loganalyzer.commands.shared import told
from loganalyzer.errors import AnalyzerError
from loganalyzer.kept.making import Made, is_kept, work_out
from loganalyzer.kept.shards import KINDS, gathered
from loganalyzer.sentences import things
from loganalyzer.store import Store

SHOWN = 20


def analyse_store(options: argparse.Namespace) -> int:
    """Work out what is missing or of an earlier state, site by site."""
    store = Store.open(options.store)
    if options.site is not None:
        store.site(options.site)  # says that there is none
    sites = [options.site] if options.site else list(store.sites())
    began = time.perf_counter()
    named = store.root()["sites"]
    pieces = [(str(store.path), s) for s in sites if not is_kept(store, s, named.get(s, ""))]
    made: list[Made] = []
    if pieces:
        own = options.workers or min(os.cpu_count() or 1, len(pieces))
        with spread(options.cluster, None if options.cluster else own) as crew:
            made = list(crew.map(work_out, pieces, "analyze"))
    for what in KINDS:
        gathered(store, what, columns=["site"])  # the shards that changed are put together
    seconds = round(time.perf_counter() - began, 1)
    wrong = [one for one in made if one.error is not None]
    of = len(sites)
    told(options.json, lambda: _as_dict(made, of, seconds), lambda: _as_text(made, of, seconds))
    return max((_status(one) for one in wrong), default=0)


def _status(one: Made) -> int:
    assert isinstance(one.error, AnalyzerError)
    return one.error.exit_status


def _as_dict(made: list[Made], of: int, seconds: float) -> dict[str, object]:
    return {
        "sites": of, "analysed": [one.site for one in made if one.error is None],
        "fresh": of - len(made), "seconds": seconds,
        "errors": [{"site": one.site, "error": str(one.error)} for one in made if one.error],
    }  # fmt: skip


def _as_text(made: list[Made], of: int, seconds: float) -> str:
    wrong = [one for one in made if one.error is not None]
    done = len(made) - len(wrong)
    lines = [
        f"{things(done, 'site', 'sites')} analysed in {seconds:,.1f} s; "
        f"{of - len(made):,} of {of:,} had not changed."
    ]
    lines += [f"  {one.site}: {one.error}" for one in wrong[:SHOWN]]
    if len(wrong) > SHOWN:
        lines.append(f"  and {len(wrong) - SHOWN:,} more: --json.")
    return "\n".join(lines)
