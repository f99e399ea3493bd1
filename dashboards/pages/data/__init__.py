"""What everything rests on: the exports, what could not be read, when there is log, which times."""

from dashboards import parts
from dashboards.data import Data
from dashboards.pages.data import clock, coverage, ledger, rejects, upload
from dashboards.pages.frame import Page
from dashboards.pages.view import View


def sections(view: View, data: Data, site: str) -> parts.Children:
    """Handing an export over, then the exports, what was lost of them, and how far times hold."""
    return [
        *([upload.section(data, site)] if data.rights().may_upload(site) else []),
        ledger.section(data, site),
        rejects.section(data, site),
        coverage.section(view, data, site),
        clock.section(view, data, site),
    ]


PAGE = Page("Data", sections)
register = upload.register
