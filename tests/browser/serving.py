"""A dashboard on a free port of this machine, for as long as a test needs it."""

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import waitress.server

from dashboards.access.settings import Access
from dashboards.app import create_app, warm_up
from loganalyzer.store import Store


@contextmanager
def serving(
    store: Path, poll_ms: int = 600_000, access: Access | None = None, port: int = 0
) -> Iterator[str]:
    """The address of the dashboard of a store."""
    app = create_app(Store.open(store), poll_ms, access or Access())
    warm_up(app)
    server = waitress.server.create_server(app.server, host="127.0.0.1", port=port, threads=8)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.effective_port}"
    finally:
        server.trigger.pull_trigger(server.close)
        thread.join(timeout=0.2)  # a browser may still hold a connection
        server.task_dispatcher.shutdown(timeout=1)
