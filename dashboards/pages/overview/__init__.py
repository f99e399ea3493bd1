"""One site at a glance: how its chutes do, which floors misuse them, when, what happened."""

from dashboards import parts
from dashboards.data import Data
from dashboards.pages.frame import Page
from dashboards.pages.overview import (
    days,
    exports,
    findings,
    floors,
    headline,
    openings,
    trends,
    week,
)
from dashboards.pages.view import View


def sections(view: View, data: Data, site: str) -> parts.Children:
    """The numbers, then what stands out, then one section a question."""
    return [
        headline.section(view),
        findings.section(view),
        floors.section(view),
        trends.section(view),
        week.section(view),
        openings.section(view, data, site),
        days.section(view),
        exports.section(data, site),
    ]


PAGE = Page("Overview", sections, {"count": week.redraw})
