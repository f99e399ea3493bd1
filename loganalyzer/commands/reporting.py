"""On paper: `report`, a month of one site, and `evidence`, all about an incident."""

import argparse
from pathlib import Path

from loganalyzer.commands.shared import tell
from loganalyzer.errors import UsageError
from loganalyzer.store import Store

ENDINGS = (".html", ".pdf")


def write_report(options: argparse.Namespace) -> int:
    """Write a month's report: one file, or both beside one another in a folder."""
    from dashboards.reports import report  # draws: heavy

    out: Path = options.out
    folder = out.is_dir() or not out.suffix
    if not folder and out.suffix.lower() not in ENDINGS:
        raise UsageError(
            "--out", f"'{out.name}'", f"a folder or a file that ends in {' or '.join(ENDINGS)}",
            "Choose one of these endings",
        )  # fmt: skip
    page, name = report(Store.open(options.store), options.who, options.site, options.month)
    wanted = [out / f"{name}{ending}" for ending in ENDINGS] if folder else [out]
    for file in wanted:
        _write(file, page)
        tell(f"{file} written")
    return 0


def pack_evidence(options: argparse.Namespace) -> int:
    """Write all about an incident as a zip that can be checked."""
    from dashboards.reports.evidence import evidence  # draws: heavy

    out: Path = options.out or Path(f"{options.incident}.zip")
    if out.suffix.lower() != ".zip":
        raise UsageError("--out", f"'{out.name}'", "a file that ends in .zip", "Name it so")
    _land(out, evidence(Store.open(options.store), options.incident))
    tell(f"{out} written")
    return 0


def _write(file: Path, page: str) -> None:
    from dashboards.reports.pdf import pdf

    _land(file, pdf(page) if file.suffix.lower() == ".pdf" else page.encode())


def _land(file: Path, content: bytes) -> None:
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(content)
    except OSError as error:
        raise UsageError(
            str(file), error.strerror or "no place", "a file that can be written",
            "Give another --out",
        ) from error  # fmt: skip
