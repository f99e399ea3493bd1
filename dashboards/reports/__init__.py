"""A month of a site on paper: the dashboard's tables as one HTML file and a PDF of a few pages."""

from collections.abc import Callable

from dashboards.reports.coordinator import coordinator
from dashboards.reports.manager import manager
from dashboards.reports.month import Month, month
from dashboards.reports.sheet import Sheet, render
from dashboards.reports.technician import technician
from loganalyzer.store import Store

# By their reader, one of `tables.AUDIENCES`.
REPORTS: dict[str, Callable[[Month], Sheet]] = {
    "manager": manager, "technician": technician, "coordinator": coordinator,
}  # fmt: skip


def report(store: Store, who: str, site: str | None, name: str | None) -> tuple[str, str]:
    """A report as HTML, and what its file is called, without an ending.

    Args:
        store: The store.
        who: A key of `REPORTS`.
        site: Site id; null where the store has one site.
        name: The month, as 2026-10; null takes the one in which the site's log ends.

    Raises:
        UsageError: As `month.month`.
    """
    about = month(store, who, site, name)
    return render(REPORTS[who](about)), f"{about.site.id}-{about.name}-{who}"
