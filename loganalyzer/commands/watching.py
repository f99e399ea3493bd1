"""Watching a folder: `watch`, which imports what arrives until it is stopped."""

import argparse
import logging
import signal
import sys
import threading
import time
from logging.handlers import RotatingFileHandler
from pathlib import Path

from loganalyzer import ingest
from loganalyzer.commands.alerting import tell_site
from loganalyzer.commands.shared import now
from loganalyzer.errors import UsageError
from loganalyzer.ingest.reports import ImportReport
from loganalyzer.site import load_site
from loganalyzer.store import Store
from loganalyzer.watching import Watcher

LOG_BYTES = 5 << 20
LOGS_KEPT = 3


def watch_folder(options: argparse.Namespace) -> int:
    """Import what arrives in a folder, until Ctrl-C or a request to end."""
    if options.every <= 0 or options.still < 0:
        raise UsageError(
            "loganalyzer watch", f"--every {options.every:g} --still {options.still:g}",
            "seconds above 0", "Leave them out for 10 and 15",
        )  # fmt: skip
    load_site(options.site)  # a mistake in it is told at once
    store = Store.open(options.store, create=True)
    log = _log(options.log or options.store.with_name(f"{options.store.name}.watch.log"))
    stop = threading.Event()
    for asked in (signal.SIGINT, signal.SIGTERM):
        signal.signal(asked, lambda *_: stop.set())

    def take(paths: list[Path]) -> ImportReport:
        site = load_site(options.site)  # read anew: it may have been mended meanwhile
        return ingest.import_paths(
            paths, store, site, received=now(), chute=options.chute, profile=options.profile,
            tell=log.info,
        )  # fmt: skip

    def after(landed: bool) -> None:
        site = load_site(options.site)
        round_told = tell_site(store, site, now(), options.store, look=landed)
        for line in round_told.failures:
            log.info(f"not sent yet: {line}")
        if round_told.sent:
            log.info(f"messages sent: {round_told.sent}")

    log.info(f"Watching {options.folder} for exports of {options.site} (stop with Ctrl-C)")
    Watcher(
        options.folder, take, after, log.info, time.monotonic, stop.wait,
        options.every, options.still,
    ).run()  # fmt: skip
    log.info("Stopped.")
    return 0


def _log(file: Path) -> logging.Logger:
    """Lines to standard error and to a file that does not grow without end."""
    log = logging.getLogger("loganalyzer.watch")
    log.setLevel(logging.INFO)
    log.handlers.clear()
    log.propagate = False
    try:
        kept = RotatingFileHandler(
            file, maxBytes=LOG_BYTES, backupCount=LOGS_KEPT, encoding="utf-8"
        )
    except OSError as error:
        raise UsageError(
            f"--log {file}", error.strerror or str(error), "a file that can be written",
            "Name another one",
        ) from error  # fmt: skip
    for handler in (logging.StreamHandler(sys.stderr), kept):
        handler.setFormatter(logging.Formatter("%(asctime)s %(message)s", "%Y-%m-%dT%H:%M:%S%z"))
        log.addHandler(handler)
    return log
