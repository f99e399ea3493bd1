"""What stands out, in sentences that carry their figure, interval, count and lines."""

from collections.abc import Callable, Iterator

from loganalyzer.views import about_chutes, about_doors
from loganalyzer.views.analysis import Analysis
from loganalyzer.views.finding import Finding

Finder = Callable[[Analysis], Iterator[Finding]]

# In the order of importance; within a question the largest trouble comes first.
FINDERS: tuple[Finder, ...] = (
    about_doors.short_clearings,
    about_chutes.still_going_on,
    about_doors.stuck_doors,
    about_doors.misused_doors,
    about_doors.slower,
    about_chutes.full_containers,
    about_chutes.troubles,
    about_chutes.refusals,
    about_chutes.waiting,
    about_chutes.not_shown,
    about_chutes.unlisted_floors,
)


def findings(analysis: Analysis) -> tuple[Finding, ...]:
    """Everything that stands out, the most important first."""
    return tuple(finding for finder in FINDERS for finding in finder(analysis))
