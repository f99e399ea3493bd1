"""The headers that every answer carries: a browser is told to run, show and tell nothing else."""

from collections.abc import Sequence

from flask import Flask, Response, request

from dashboards.access.settings import Access

YEAR_S = 365 * 24 * 3600
POLICY = (
    "default-src 'self'; img-src 'self' data: blob:; style-src 'self' 'unsafe-inline'; "
    "font-src 'self' data:; object-src 'none'; base-uri 'none'; form-action 'self'; "
    "frame-ancestors 'none'; script-src 'self' {hashes}"
)
ALWAYS = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Permissions-Policy": "camera=(), display-capture=(), geolocation=(), microphone=(), usb=()",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}
KEPT_BY_BROWSERS = ("/_dash-component-suites/", "/assets/")  # the program's own files, no data


def add(server: Flask, access: Access, hashes: Sequence[str]) -> None:
    """Give every answer its headers, those to a refused request too.

    Args:
        server: The WSGI application.
        access: Whether browsers come by https.
        hashes: Of the scripts that stand in a page itself.
    """
    policy = POLICY.format(hashes=" ".join(hashes)).strip()

    def _guarded(response: Response) -> Response:
        response.headers["Content-Security-Policy"] = policy
        response.headers.update(ALWAYS)
        if response.status_code != 200 or not request.path.startswith(KEPT_BY_BROWSERS):
            response.headers["Cache-Control"] = "no-store"
        if access.https:
            response.headers["Strict-Transport-Security"] = f"max-age={YEAR_S}"
        return response

    server.after_request(_guarded)
