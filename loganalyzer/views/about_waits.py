"""Findings about waiting and service: what people wait for, how busy a chute is, interruptions."""

from collections.abc import Iterator

from loganalyzer.facts import CHUTE
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
        parts = [f"{figure(100 * r.share)} % is {PART_NAMES[r.part]}" for r in rows(told)]
        whole = of_chute(analysis.waits[analysis.waits["wait"].eq("press_to_open")], site, chute)
        mean, number = float(whole["mean_s"].iloc[0]), int(whole["n"].iloc[0])
        yield Finding(
            "manager", site, chute, None, "wait_parts",
            f"Chute {chute}: of the {lasting(mean)} from the first press to the open door, "
            f"{listed(parts)}.",
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
            f"Chute {row.chute}: {figure(share)} % of {things(row.visits, 'visit', 'visits')} "
            f"found it busy at the first press {between(low, high)}, {how} Erlang's formula "
            f"expects for its load ({figure(100 * row.expected)} %).",
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
            f"Chute {row.chute}: a unit was without its door for more than "
            f"{lasting(limits['interruption_s'].iloc[0])} {_often(row.interruptions_per_unit)}, "
            f"{lasting(60 * row.minutes_per_unit)} in all (available "
            f"{100 * row.availability:.2f} % of the time), mostly for {CAUSE_NAMES[most.cause]}.",
            row.minutes_per_unit, None, None, round(row.unit_interruptions),
        )  # fmt: skip


def _often(per_unit: float) -> str:
    return times(round(per_unit)) if per_unit == round(per_unit) else f"{figure(per_unit)} times"
