"""The dashboard on an address, until it is stopped."""

import ipaddress
import socket
import sys

import waitress

from dashboards.access.gate import LARGE
from dashboards.access.settings import Access
from dashboards.app import create_app, warm_up
from loganalyzer.accounts import load_accounts, read_by_others
from loganalyzer.errors import UsageError
from loganalyzer.store import Store

THREADS = 64  # most of them wait: for a browser, or for what another one is working out
TURN_S = 0.001  # how long one thread may keep the others from going on


def serve(store: Store, host: str, port: int, access: Access) -> None:
    """Serve until Ctrl-C.

    Args:
        store: What to show.
        host: An address of this machine; any but those of the loopback network needs accounts.
        port: A free port.
        access: Who is let in.

    Raises:
        UsageError: Others could look without signing in, the settings do not go together, there
            is no account, or the port is taken.
    """
    _check_access(host, access)
    _check_free(host, port)
    sys.setswitchinterval(TURN_S)
    app = create_app(store, access=access)
    warm_up(app)
    for line in warnings(host, access):
        print(line, file=sys.stderr)
    print(f"The dashboard is at http://{host}:{port}/ (stop it with Ctrl-C)", flush=True)
    waitress.serve(
        app.server, host=host, port=port, threads=THREADS, ident=None,
        url_scheme="https" if access.https else "http", max_request_body_size=LARGE,
        clear_untrusted_proxy_headers=False,  # the gate reads them, from named proxies alone
    )  # fmt: skip


def warnings(host: str, access: Access) -> list[str]:
    """What the person who starts the dashboard should know of its settings."""
    found = []
    if access.accounts is not None and read_by_others(access.accounts):
        found.append(f"{access.accounts}: others on this machine can read it: chmod 600.")
    if not _loopback(host) and not access.https:
        found.append(
            "Passwords and logs cross the network unencrypted: put a web server that speaks https "
            "before the dashboard, and say --https."
        )
    return found


def _check_access(host: str, access: Access) -> None:
    if access.accounts is None:
        if not _loopback(host):
            raise UsageError(
                f"--host {host}", "an address that others can reach, and no sign-in",
                "this machine alone, or --accounts FILE",
                "Leave --host out, or make accounts: loganalyzer account add NAME --accounts FILE",
            )  # fmt: skip
        if access.header is not None:
            raise UsageError(
                "--trust-header", "no accounts", "--accounts FILE beside it",
                "The header names an account, the file says which sites it may see",
            )  # fmt: skip
        return
    if access.header is not None and not access.proxies:
        raise UsageError(
            "--trust-header", "no proxy", "--proxy ADDRESS beside it",
            "Name the address from which the proxy asks: nobody else may say who they are",
        )  # fmt: skip
    for proxy in access.proxies:
        _check_proxy(proxy)
    if not load_accounts(access.accounts).by_name:
        raise UsageError(
            str(access.accounts), "no account", "at least one",
            f"Add one: loganalyzer account add NAME --accounts {access.accounts} --all-sites",
        )  # fmt: skip


def _check_proxy(address: str) -> None:
    try:
        ipaddress.ip_address(address)
    except ValueError:
        raise UsageError(
            "--proxy", f"'{address}'", "an address such as 127.0.0.1", "Give it as a number"
        ) from None


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
                "--host, --port", f"{host}:{port} ({error})", "a free port of this machine",
                "Choose another one, such as 8051",
            ) from error  # fmt: skip
