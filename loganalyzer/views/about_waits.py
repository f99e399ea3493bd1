"""Findings about waiting and service: what people wait for, how busy a chute is, interruptions."""

from collections.abc import Iterator

from loganalyzer.facts import CHUTE
from loganalyzer.language import phrase
from loganalyzer.sentences import between, figure, lasting, listed, things, times
from loganalyzer.views.analysis import Analysis
from loganalyzer.views.finding import Finding, rows
from loganalyzer.views.pictures import of_chute

TOLD = 3  # parts of the wait that one sentence names
PART_NAMES = {
    "queue": "somebody else's use",
    "clearing": "falling material",
    "retry": "time until they pressed again",
    "positioning": "the diverter",
    "latch": "the latch",
    "reach": "their own reach for the door",
    "unsplit": "not told apart by the log",
}
CAUSE_NAMES = {
    "power": "power cuts",
    "service": "service",
    "container": "full containers",
    "sorter": "the sorter",
    "door": "doors left open",
}


def wait_parts(analysis: Analysis) -> Iterator[Finding]:
    """What people wait for, the longest parts first."""
    for site, chute in analysis.facts.recorded[CHUTE].itertuples(index=False):
        split = of_chute(analysis.wait_split, site, chute).dropna(subset=["share"])
        told = split[split["share"] > 0].sort_values("share", ascending=False).head(TOLD)
        if told.empty:
            continue
        parts = [
            phrase(
                "{share} % is {part}",
                share=figure(100 * r.share),
                part=phrase(PART_NAMES[r.part]),
            )
            for r in rows(told)
        ]
        whole = of_chute(analysis.waits[analysis.waits["wait"].eq("press_to_open")], site, chute)
        mean, number = float(whole["mean_s"].iloc[0]), int(whole["n"].iloc[0])
        yield Finding(
            "manager", site, chute, None, "wait_parts",
            phrase(
                "Chute {chute}: of the {mean} from the first press to the open door, {parts}.",
                chute=chute, mean=lasting(mean), parts=listed(parts),
            ),
            mean, None, None, number,
        )  # fmt: skip


def busy(analysis: Analysis) -> Iterator[Finding]:
    """How often the first press finds a chute busy, against the formula."""
    for row in rows(analysis.queue.dropna(subset=["busy_share", "expected"])):
        share, low, high = (100 * v for v in (row.busy_share, row.low, row.high))
        how = (
            "more than"
            if row.low > row.expected
            else "fewer than"
            if row.high < row.expected
            else "as"
        )
        yield Finding(
            "manager", row.site, row.chute, None, "busy",
            phrase(
                "Chute {chute}: {share} % of {visits} found it busy at the first press "
                "{limits}, {how} Erlang's formula expects for its load ({expected} %).",
                chute=row.chute, share=figure(share),
                visits=things(row.visits, "visit", "visits"), limits=between(low, high),
                how=phrase(how), expected=figure(100 * row.expected),
            ),
            share, low, high, int(row.visits),
        )  # fmt: skip


def interruptions(analysis: Analysis) -> Iterator[Finding]:
    """How often and how long the units of a chute were without their door."""
    whole = analysis.indices[analysis.indices["month"].eq("all")]
    for row in rows(whole[whole["cause"].eq("all") & whole["unit_interruptions"].gt(0)]):
        causes = of_chute(whole[whole["cause"].ne("all")], row.site, row.chute)
        most = next(rows(causes.sort_values("unit_minutes", ascending=False)))
        limits = of_chute(analysis.facts.limits, row.site, row.chute)
        yield Finding(
            "manager", row.site, row.chute, None, "interruptions",
            phrase(
                "Chute {chute}: a unit was without its door for more than {interruption_s} "
                "{often}, {minutes_per_unit} in all (available {availability:.2f} % of the "
                "time), mostly for {cause}.",
                chute=row.chute, interruption_s=lasting(limits["interruption_s"].iloc[0]),
                often=_often(row.interruptions_per_unit),
                minutes_per_unit=lasting(60 * row.minutes_per_unit),
                availability=100 * row.availability, cause=phrase(CAUSE_NAMES[most.cause]),
            ),
            row.minutes_per_unit, None, None, round(row.unit_interruptions),
        )  # fmt: skip


def _often(per_unit: float) -> str:
    return (
        times(round(per_unit))
        if per_unit == round(per_unit)
        else phrase(
            "{per_unit} times",
            per_unit=figure(per_unit),
        )
    )
