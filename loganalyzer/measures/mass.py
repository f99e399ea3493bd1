"""What a use weighs: by weigh tickets, else by litres a use and a density.

A density is the site's own where the site file has one, else a published factor for loose,
uncompacted material. Such a factor is a country's average of many buildings: how far one
building's material lies from it is ours to assume, a standard deviation of 25 %, and 10 % for a
density that the site has chosen.

Source of the factors: US EPA, Volume-to-Weight Conversion Factors, April 2016, as the help page
of the EPA's benchmarking tool gives them, 1 lb/yd3 = 0.5932764 kg/m3. Deviations: common
practice, no source.
"""

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import stdtrit

from loganalyzer.bins import BIN
from loganalyzer.facts import CHUTE, why
from loganalyzer.localtime import wall_clock
from loganalyzer.site import Site
from loganalyzer.spans import Moments, micros
from loganalyzer.tables import require

KG_M3 = 0.5932764  # of one pound a cubic yard
FACTORS = {  # kind: pounds a cubic yard, what it is called there
    "refuse": (138.0, "trash"),
    "recycling": (58.0, "mixed recyclables"),
    "organics": (396.0, "food scraps"),
}
PUBLISHED = "US EPA, Volume-to-Weight Conversion Factors, April 2016"
PUBLISHED_SPREAD, OWN_SPREAD = 0.25, 0.10
FEWEST_TICKETS = 3
NO_VOLUME = "litres a use not known"
NO_DENSITY = "no published density for this kind; write density_kg_m3 in the site file"
STREAM = [*CHUTE, "stream"]
TICKET = ["site", "stream", "date", "kg", "since", "uses", "expected_kg", "residual_kg", "reason"]
NO_BEFORE = "the ticket it starts from"
NO_WEIGHT = "its weight could not be read"
NO_LOG = "part of its time is not in the log"
NO_USES = "no uses since the ticket before"
MISSING = "emptied more often since the ticket before than is usual: a ticket may be missing"
OFTEN = 1.75  # times the usual number of emptyings between two tickets


def mass(model: pd.DataFrame, held: pd.DataFrame, fitted: pd.DataFrame) -> pd.DataFrame:
    """Litres and kilograms a use of each stream.

    Args:
        model: What `fill.fill_model` returns.
        held: What `bins.bins` returns.
        fitted: What `ticket_rates` returns.

    Returns:
        One row a stream of `held`: `site`, `chute`, `stream`, `container`, `kind`,
        `litres_a_use`, `litres_sd` (standard deviation of its logarithm), `use_spread`,
        `density_kg_m3`, `density_sd` (of its logarithm), `kg_a_use`, `kg_sd`, `method` ("weigh
        tickets", "own density", "published density"), `source`, `volume_reason` and `reason`
        (why litres, and why kilograms are null).
    """
    table = held[[*STREAM, "container", "kind", "density_kg_m3"]]
    columns = ["litres_a_use", "litres_low", "litres_high", "use_spread", "reason"]
    volume = model[[*BIN, *columns]].rename(columns={"reason": "why_volume"})
    table = table.merge(volume, on=BIN, how="left").merge(fitted, on=["site", "stream"], how="left")
    published = table["kind"].map({kind: lb * KG_M3 for kind, (lb, _) in FACTORS.items()})
    own, weighed = table["density_kg_m3"].notna(), table["kg_a_ticket_use"].notna()
    density = table["density_kg_m3"].fillna(published.astype("float64"))
    density_sd = pd.Series(np.where(own, OWN_SPREAD, PUBLISHED_SPREAD), index=table.index)
    ratio = table["litres_high"] / table["litres_low"]
    litres_sd = pd.Series(np.log(ratio) / (2 * 1.959964), index=table.index)
    kg = (table["litres_a_use"] * density / 1000).where(~weighed, table["kg_a_ticket_use"])
    method = why(
        (weighed, "weigh tickets"), (kg.isna(), ""), (own, "own density"),
        (kg.notna(), "published density"),
    )  # fmt: skip
    names = table["kind"].map({kind: name for kind, (_, name) in FACTORS.items()})
    no_volume = NO_VOLUME + " (" + table["why_volume"].astype("str") + ")"
    no_volume = no_volume.where(table["litres_a_use"].isna())
    source = (PUBLISHED + ": " + names.astype("str")).where(method.eq("published density"))
    return table.assign(
        litres_sd=litres_sd, density_kg_m3=density, density_sd=density_sd.where(density.notna()),
        kg_a_use=kg, method=method,
        kg_sd=((litres_sd**2 + density_sd**2) ** 0.5).where(~weighed, table["kg_ticket_sd"]),
        source=source.mask(method.eq("own density"), "site file, density_kg_m3"),
        reason=why((kg.notna() | table["litres_a_use"].isna(), ""), (density.isna(), NO_DENSITY))
        .fillna(no_volume.where(kg.isna())), volume_reason=no_volume,
    )[MASS]  # fmt: skip


MASS = [
    *STREAM, "container", "kind", "litres_a_use", "litres_sd", "use_spread", "density_kg_m3",
    "density_sd", "kg_a_use", "kg_sd", "method", "source", "volume_reason", "reason",
]  # fmt: skip


def ticket_uses(
    tickets: pd.DataFrame, used: pd.DataFrame, containers: pd.DataFrame, coverage: pd.DataFrame,
    held: pd.DataFrame, site: Site,
) -> pd.DataFrame:  # fmt: skip
    """The uses that each weigh ticket of one site weighs.

    A ticket weighs what fell since the ticket before. On its day it counts from when a container
    of the stream was emptied, else from noon. A ticket is not in the fit where the log shows
    nearly twice the usual number of emptyings since the one before: one may be missing.

    Args:
        tickets: `weighing.Tickets.table`; the streams are those of `site`.
        used: What `uses.uses` returns.
        containers: The table of that name.
        coverage: The table of that name.
        held: What `bins.bins` returns: a ticket weighs all streams of its container.
        site: The site.

    Returns:
        One row a stream and day with tickets: `site`, `stream`, `date`, `kg`, `since` (date of
        the ticket before), `uses`, `expected_kg`, `residual_kg` (kg less what the fit
        expects), `reason` (why it is not in the fit).
    """
    require(tickets, "date", "stream", "kg")
    by_day = tickets.groupby(["stream", "date"])["kg"]
    days: pd.DataFrame = by_day.agg(lambda kg: kg.sum(skipna=False)).reset_index()
    parts = [
        _of_stream(str(stream), part, used, containers, coverage, held, site)
        for stream, part in days.groupby("stream")
    ]
    blank = pd.DataFrame(columns=TICKET)
    return pd.concat(parts, ignore_index=True)[TICKET] if parts else blank


def ticket_rates(fit: pd.DataFrame) -> pd.DataFrame:
    """Kilograms a use by weigh tickets.

    Args:
        fit: What `ticket_uses` returns.

    Returns:
        One row a `site`, `stream` with enough tickets: `kg_a_ticket_use` (all kilograms over
        all uses), its 95 % interval `kg_ticket_low` to `kg_ticket_high`, `kg_ticket_sd`
        (standard deviation of its logarithm), `tickets`.

    Source: ratio estimator, W. G. Cochran, Sampling Techniques, 3rd ed. (1977), section 6.3.
        From memory.
    """
    rows = [
        (*key, *_ratio(part["kg"].to_numpy(np.float64), part["uses"].to_numpy(np.float64)))
        for key, part in fit[fit["reason"].isna()].groupby(["site", "stream"])
        if len(part) >= FEWEST_TICKETS
    ]
    names = ["kg_a_ticket_use", "kg_ticket_low", "kg_ticket_high", "kg_ticket_sd", "tickets"]
    table = pd.DataFrame(rows, columns=["site", "stream", *names])
    return table.astype({"site": "str", "stream": "str"} | dict.fromkeys(names, "float64"))


def _ratio(kg: NDArray[np.float64], uses: NDArray[np.float64]) -> tuple[float, ...]:
    number = len(kg)
    rate = kg.sum() / uses.sum()
    error = np.sqrt(number / (number - 1) * ((kg - rate * uses) ** 2).sum()) / uses.sum()
    half = float(stdtrit(number - 1, 0.975)) * error
    return rate, max(rate - half, 0.0), rate + half, half / rate / 1.959964, number


def _of_stream(
    stream: str, days: pd.DataFrame, used: pd.DataFrame, containers: pd.DataFrame,
    coverage: pd.DataFrame, held: pd.DataFrame, site: Site,
) -> pd.DataFrame:  # fmt: skip
    here = held[held["site"].eq(site.id)]
    bins = here.loc[here["stream"].eq(stream), [*CHUTE, "container"]]
    streams = here.merge(bins, on=BIN)[STREAM]
    uses = used.merge(streams, on=STREAM)
    end = _moments(days["date"], containers.merge(bins, on=BIN), site)
    since = end.shift(1)
    spans = pd.DataFrame({"site": site.id, "start": since, "end": end})
    known = since.notna()
    number = pd.Series(np.nan, index=days.index)
    if known.any() and len(uses):
        number[known] = Moments(uses, ["site"]).count(spans[known])
    chutes = coverage.merge(bins[CHUTE].drop_duplicates(), on=CHUTE)
    hole = _broken(spans, chutes)
    emptied = _emptyings(spans, containers.merge(bins, on=BIN))
    usual = np.nanmedian(emptied[known]) if known.any() else 0.0
    missing = (usual > 0) & (emptied >= OFTEN * usual)
    reason = why(
        (~known, NO_BEFORE), (days["kg"].isna(), NO_WEIGHT), (hole, NO_LOG),
        (number.fillna(0).le(0), NO_USES), (missing, MISSING),
    )  # fmt: skip
    reason.index = days.index
    table = days.assign(site=site.id, since=days["date"].shift(1), uses=number, reason=reason)
    fitted = table[table["reason"].isna()]
    rate = fitted["kg"].sum() / fitted["uses"].sum() if len(fitted) else np.nan
    return table.assign(
        expected_kg=rate * number, residual_kg=table["kg"] - rate * number,
        uses=number.astype("Int64"),
    )  # fmt: skip


def _emptyings(spans: pd.DataFrame, containers: pd.DataFrame) -> NDArray[np.float64]:
    """How often the log shows the containers emptied after each start and up to each end."""
    done = containers[containers["emptied_by"].notna() & containers["emptied_by"].ne("log end")]
    times = np.sort(micros(done["ends"]))
    low, high = (np.searchsorted(times, micros(spans[name]), "right") for name in ("start", "end"))
    return np.asarray(high - low, dtype=np.float64)


def _moments(dates: pd.Series, containers: pd.DataFrame, site: Site) -> pd.Series:
    """When on each day the container was emptied (UTC); noon where the log does not tell."""
    done = containers[containers["emptied_by"].notna() & containers["emptied_by"].ne("log end")]
    local = wall_clock(done, {site.id: site}, "ends").dt.normalize()
    last = done.groupby(local)["ends"].max()
    noon = (dates + pd.Timedelta(hours=12)).dt.tz_localize(
        site.time_zone, ambiguous=True, nonexistent="shift_forward"
    )
    found = pd.Series(last.reindex(dates).to_numpy("datetime64[us]"), index=dates.index)
    return found.dt.tz_localize("UTC").fillna(noon.dt.tz_convert("UTC").dt.as_unit("us"))


def _broken(spans: pd.DataFrame, coverage: pd.DataFrame) -> NDArray[np.bool_]:
    """Whether part of each span has no log: before its start, after its end, or in a gap."""
    start, end = spans["start"], spans["end"]
    broken = (start < coverage["start"].min()) | (end > coverage["end"].max())
    gaps = coverage[~coverage["covered"].astype(bool) & coverage["reason"].ne("power off")]
    for low, high in zip(gaps["start"], gaps["end"], strict=True):
        broken |= (start < high) & (end > low)
    return np.asarray(broken, dtype=bool)
