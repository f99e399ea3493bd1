"""The summary of a store: numbers, findings in sentences, and the same as JSON."""

import dataclasses
import json
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pandas as pd

from loganalyzer.incidents.kinds import CAUTION
from loganalyzer.language import phrase
from loganalyzer.sentences import count, lasting, listed, things
from loganalyzer.views.analysis import Analysis
from loganalyzer.views.finding import Finding
from loganalyzer.views.findings import findings
from loganalyzer.views.pictures import floors_ranked, headline, incident_list
from loganalyzer.views.shown import hidden_doors, shown_to_manager

REASONS_SHOWN = 3
# Kinds of findings that tell how things are, not that something is wrong.
QUIET = (
    "refusals", "waiting", "gave_up", "wait_parts", "busy", "interruptions", "lockouts",
    "not_recorded", "hidden_floors", "diversion", "uses_to_full", "lost_sorting",
)  # fmt: skip


@dataclass(frozen=True)
class Summary:
    """What a person reads first.

    Attributes:
        headline: The table of that name.
        findings: The most important first; never empty where there is any log.
    """

    headline: pd.DataFrame
    findings: tuple[Finding, ...]


def summary(
    analysis: Analysis, imports: pd.DataFrame | None = None, rejects: pd.DataFrame | None = None
) -> Summary:
    """Put an analysis into words.

    Args:
        analysis: What `analyse` returns.
        imports: The table of that name, for how many lines could not be read.
        rejects: The table of that name, for why.
    """
    found = findings(analysis)
    loud = [finding for finding in found if finding.kind not in QUIET]
    calm = () if loud else tuple(_calm(analysis))
    return Summary(headline(analysis), (*calm, *found, *_unread(imports, rejects)))


def as_dict(analysis: Analysis, told: Summary) -> dict[str, Any]:
    """A summary as JSON knows it: numbers, texts, lists, null; times in RFC 3339.

    Returns:
        `headline`, `findings`, `floors` (ranked), `incidents` (latest first, evidence as a
        list), `coverage`: each a list with one object a row, columns as tables.py names them;
        `caution`, a sentence.
        Floors with fewer units than `min_units` are left out of `floors` and of the incidents
        for the manager; `hidden_floors` is how many these are.
    """
    told_of = shown_to_manager(incident_list(analysis), analysis.sites)
    incidents = records(told_of.drop(columns=["start_local", "end_local"]))
    for row in incidents:
        row["evidence"] = json.loads(row["evidence"])
    return {
        "caution": f"Before anyone acts on the equipment: {CAUTION}.",
        "headline": records(told.headline),
        "findings": [_plain(dataclasses.asdict(finding)) for finding in told.findings],
        "floors": records(shown_to_manager(floors_ranked(analysis), analysis.sites)),
        "hidden_floors": len(hidden_doors(analysis)),
        "incidents": incidents,
        "coverage": records(analysis.coverage),
    }


def _calm(analysis: Analysis) -> Iterator[Finding]:
    """That nothing stands out is a finding too, with the log it rests on."""
    for row in headline(analysis).to_dict("records"):
        use = (
            ""
            if pd.isna(row["cycles"])
            else phrase(
                " and {uses}",
                uses=things(row["cycles"], "use", "uses"),
            )
        )
        yield Finding(
            "manager", row["site"], row["chute"], None, "nothing",
            phrase(
                "Chute {chute}: nothing stands out in {covered_s} of log with {events}{use}.",
                chute=row["chute"], covered_s=lasting(row["covered_s"]),
                events=things(row["events"], "event", "events"), use=use,
            ),
            n=int(row["events"]),
        )  # fmt: skip


def _unread(imports: pd.DataFrame | None, rejects: pd.DataFrame | None) -> Iterator[Finding]:
    """How many lines of each site's exports could not be read, and why."""
    if imports is None:
        return
    for site, part in imports.groupby("site", observed=True):
        rejected, lines = int(part["rejected"].sum()), int(part["lines"].sum())
        if not rejected:
            continue
        touched = part[part["rejected"] > 0]
        yield Finding(
            "manager", str(site), None, None, "rejected_lines",
            phrase(
                "{rejected} of {lines} could not be read, in {len} of {exports}{reasons}.",
                rejected=count(rejected), lines=things(lines, "line", "lines"),
                len=count(len(touched)), exports=things(len(part), "export", "exports"),
                reasons=_reasons(touched, rejects),
            ),
            100 * rejected / lines, None, None, lines,
        )  # fmt: skip


def _reasons(touched: pd.DataFrame, rejects: pd.DataFrame | None) -> str:
    if rejects is None or rejects.empty:
        return ""
    mine = rejects[rejects["source"].astype("str").isin(touched["source"].astype("str"))]
    # What stands after the colon is a detail of the one line.
    words = mine["reason"].astype("str").str.split(":").str[0].value_counts().head(REASONS_SHOWN)
    said = listed(
        [
            phrase("{reason} {n}", reason=phrase(str(word)), n=count(number))
            for word, number in words.items()
        ]
    )
    return phrase(" ({said})", said=said) if said else ""


def records(table: pd.DataFrame) -> list[dict[str, Any]]:
    """The rows of a table as JSON knows them: null for what is missing, times in RFC 3339."""
    return [_plain({str(k): v for k, v in row.items()}) for row in table.to_dict("records")]


def _plain(row: dict[str, Any]) -> dict[str, Any]:
    return {name: _json(value) for name, value in row.items()}


def _json(value: Any) -> Any:
    if isinstance(value, list | tuple):
        return list(value)
    if value is None or pd.isna(value):
        return None
    if isinstance(value, pd.Timestamp):
        zone = "Z" if value.tzinfo else ""
        return value.tz_localize(None).isoformat(timespec="microseconds") + zone
    return value.item() if hasattr(value, "item") else value
