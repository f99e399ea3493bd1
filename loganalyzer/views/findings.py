"""What stands out, in sentences that carry their figure, interval, count and lines."""

from collections.abc import Callable, Iterator

from loganalyzer.views import (
    about_audit,
    about_chutes,
    about_condition,
    about_doors,
    about_openings,
    about_streams,
    about_waits,
)
from loganalyzer.views.analysis import Analysis
from loganalyzer.views.finding import Finding
from loganalyzer.views.shown import hidden_doors, hidden_floors

Finder = Callable[[Analysis], Iterator[Finding]]

# In the order of importance; within a question the largest trouble comes first.
FINDERS: tuple[Finder, ...] = (
    about_audit.broken_rules,
    about_doors.short_clearings,
    about_chutes.still_going_on,
    about_doors.stuck_doors,
    about_openings.propped_doors,
    about_openings.hours_of_long_openings,
    about_doors.misused_doors,
    about_doors.changing_floors,
    about_doors.failing_buttons,
    about_condition.suspects,
    about_doors.slower,
    about_chutes.full_containers,
    about_streams.sensors,
    about_streams.campaign_effects,
    about_streams.diversion,
    about_streams.lost_sorting,
    about_streams.standing_out,
    about_streams.pickup_rules,
    about_streams.fills_up,
    about_chutes.troubles,
    about_audit.other_settings,
    about_audit.other_rules,
    about_chutes.refusals,
    about_chutes.waiting,
    about_waits.wait_parts,
    about_waits.busy,
    about_waits.interruptions,
    about_chutes.not_shown,
    about_chutes.unlisted_floors,
    hidden_floors,
)


def findings(analysis: Analysis) -> tuple[Finding, ...]:
    """Everything that stands out, the most important first.

    What is said to a manager leaves out floors with few units, and says how many.
    """
    small = hidden_doors(analysis)
    return tuple(
        finding
        for finder in FINDERS
        for finding in finder(analysis)
        if finding.who != "manager" or (finding.site, finding.chute, finding.floor) not in small
    )
