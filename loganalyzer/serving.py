"""The dashboard on an address of this machine, until it is stopped."""

import ipaddress
import socket

import waitress

from dashboards.app import create_app, warm_up
from loganalyzer.errors import UsageError
from loganalyzer.store import Store

THREADS = 8


def serve(store: Store, host: str, port: int) -> None:
    """Serve until Ctrl-C. Only this machine may look: there is no sign-in.

    Args:
        store: What to show.
        host: An address of the loopback network, or "localhost".
        port: A free port.

    Raises:
        UsageError: Another address, or the port is taken.
    """
    if not _loopback(host):
        raise UsageError(
            "--host", f"'{host}'", "an address of this machine alone, since there is no sign-in",
            "Leave it out, or put a web server with sign-in before it on this machine",
        )  # fmt: skip
    _check_free(host, port)
    app = create_app(store)
    warm_up(app)
    print(f"The dashboard is at http://{host}:{port}/ (stop it with Ctrl-C)", flush=True)
    waitress.serve(app.server, host=host, port=port, threads=THREADS, ident=None)


def _loopback(host: str) -> bool:
    try:
        return host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _check_free(host: str, port: int) -> None:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except (OSError, OverflowError) as error:
            raise UsageError(
                "--port", f"{port} ({error})", "a free port", "Choose another one, such as 8051"
            ) from error
