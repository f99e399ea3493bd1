"""The table behind each picture and finding; the one place that joins measures.

`analyse` works everything out of a timeline; the rest takes its `Analysis` and returns a table
or sentences. No file, no screen.
"""

from loganalyzer.audit import Span
from loganalyzer.views.analysis import Analysis, analyse
from loganalyzer.views.finding import Finding
from loganalyzer.views.findings import FINDERS, findings
from loganalyzer.views.pictures import (
    daily_trend,
    floors_ranked,
    headline,
    hour_of_week,
    incident_list,
    of_chute,
)
from loganalyzer.views.shown import hidden_doors, hidden_sentences, shown_to_manager
from loganalyzer.views.summary import Summary, as_dict, summary
from loganalyzer.views.whole import Whole

__all__ = [
    "FINDERS",
    "Analysis",
    "Finding",
    "Span",
    "Summary",
    "Whole",
    "analyse",
    "as_dict",
    "daily_trend",
    "findings",
    "floors_ranked",
    "headline",
    "hidden_doors",
    "hidden_sentences",
    "hour_of_week",
    "incident_list",
    "of_chute",
    "shown_to_manager",
    "summary",
]
