"""How much is kept from disposal, month by month: by mass, by volume, and never mixed.

Diversion is diverted / (diverted + disposed), diverted being streams of the kinds recycling and
organics, disposed those of kind refuse; linen and others are neither. The interval carries what
is uncertain: uses to full (so litres a use), the spread of single uses, and the density or the
weigh tickets. It is drawn: so many draws from a stated seed.

Source: definition: US EPA, weight diverted over weight generated. Draws: ours.
"""

from collections.abc import Mapping

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from loganalyzer.bins import DISPOSED, SORTED
from loganalyzer.facts import CHUTE
from loganalyzer.site import Site
from loganalyzer.stats import wilson
from loganalyzer.tables import require

DRAWS, SEED = 4000, 20260301
NO_KIND = "a stream whose kind is not in the site file"
NO_SORTING = "no stream of the kinds recycling, organics and refuse in use"
Draws = NDArray[np.float64]


def diversion_rate(diverted: ArrayLike, disposed: ArrayLike) -> Draws:
    """The share diverted of all that was diverted and disposed of; NaN of nothing.

    Args:
        diverted: Kilograms, or litres; any shape.
        disposed: In the same unit.
    """
    kept, lost = np.asarray(diverted, np.float64), np.asarray(disposed, np.float64)
    whole = kept + lost
    return np.divide(kept, whole, out=np.full_like(whole, np.nan), where=whole > 0)


def monthly(
    streams: pd.DataFrame, masses: pd.DataFrame, sites: Mapping[str, Site], draws: int = DRAWS
) -> pd.DataFrame:
    """The figures of each building, month and stream, as owners and municipalities ask for them.

    Args:
        streams: What `participation.streams` returns.
        masses: What `mass.mass` returns.
        sites: Their names.
        draws: How many to draw.

    Returns:
        One row a `site`, month (`2026-03`) and stream: `building`, `uses`, `litres` and `kg`
        with their 95 % intervals, `share` of uses with Wilson's, `diversion` (by mass) and
        `diversion_by_volume` with theirs, the same for every stream of a month,
        `covered_days` (the least of its chutes), `method`, `uncertainty` (what the intervals
        carry), `reason` (why any is null).
    """
    require(streams, *CHUTE, "floor", "stream", "period", "start", "uses", "covered_days")
    months = streams[streams["period"].eq("month") & streams["floor"].isna()]
    months = months.merge(masses, on=[*CHUTE, "stream"], suffixes=("", "_mass"))
    rng = np.random.default_rng(SEED)
    parts = [
        _site(str(site), part.reset_index(drop=True), sites, draws, rng)
        for site, part in months.groupby("site", sort=False)
    ]
    table = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=MONTHLY)
    return table[MONTHLY]


MONTHLY = [
    "building", "month", "stream", "uses", "litres", "kg", "share", "diversion", "method",
    "uncertainty", "site", "kind", "covered_days", "litres_low", "litres_high", "kg_low",
    "kg_high", "share_low", "share_high", "diversion_low", "diversion_high",
    "diversion_by_volume", "diversion_by_volume_low", "diversion_by_volume_high", "reason",
]  # fmt: skip


def _site(
    site: str, rows: pd.DataFrame, sites: Mapping[str, Site], draws: int, rng: np.random.Generator
) -> pd.DataFrame:
    uses = rows["uses"].to_numpy(np.float64, na_value=np.nan)
    point = {
        "litres": uses * rows["litres_a_use"].to_numpy(),
        "kg": uses * rows["kg_a_use"].to_numpy(),
    }
    drawn = _drawn(rows, uses, draws, rng)
    rows = rows.assign(month=rows["start"].dt.strftime("%Y-%m"))
    by = rows.groupby(["month", "stream"], sort=True)
    places = by.indices
    table = by.agg(
        uses=("uses", lambda u: u.sum(min_count=1)), covered_days=("covered_days", "min"),
        kind=("kind", "first"), method=("method", _joined), source=("source", _joined),
        why_kg=("reason_mass", _joined), why_litres=("volume_reason", _joined),
        why_uses=("reason", _joined),
    ).reset_index()  # fmt: skip
    for name in ("litres", "kg"):
        held = [places[key] for key in zip(table["month"], table["stream"], strict=True)]
        table[name] = [point[name][at].sum() for at in held]
        sums = np.array([drawn[name][at].sum(axis=0) for at in held])
        table[f"{name}_low"], table[f"{name}_high"] = _ends(sums)
    table = table.merge(_diversions(rows, uses, point, drawn), on="month", how="left")
    trials = table.groupby("month")["uses"].transform("sum")
    low, high = wilson(table["uses"], trials)
    hits, every = table["uses"].astype("float64"), trials.astype("float64")
    name = sites[site].name if site in sites else site
    return table.assign(
        site=site, building=name, share=hits / every.where(every > 0), share_low=low,
        share_high=high, uncertainty=_carried(table, draws),
        method=_method(table),
        reason=table["why_diversion"].fillna(table["why_kg"]).fillna(table["why_litres"])
        .fillna(table["why_by_volume"]).fillna(table["why_uses"]),
    )  # fmt: skip


def _drawn(
    rows: pd.DataFrame, uses: Draws, draws: int, rng: np.random.Generator
) -> dict[str, Draws]:
    """Litres and kilograms of each row, shape (rows, draws).

    What is not known of a container or a density is the same in every month; what single uses
    bring differs from month to month. A month's uses are among those that litres a use was
    learnt from, so their chance is in both: it is taken out once, as for a sample from a finite
    population (W. G. Cochran, Sampling Techniques, 3rd ed. (1977), section 2.6, from memory).
    """
    total = rows.assign(n=uses).groupby([*CHUTE, "stream"])["n"].transform("sum")
    every = np.maximum(total.to_numpy(np.float64), 1.0)
    one = rows["use_spread"].fillna(0.0).to_numpy(np.float64)
    spread = one * np.sqrt(np.maximum(1 / np.maximum(uses, 1.0) - 1 / every, 0.0))
    shared = one**2 / every
    common = _common(rows, "container", rows["litres_sd"], shared, draws, rng)
    density = _common(rows, "stream", rows["density_sd"], 0 * shared, draws, rng)
    tickets = _common(rows, "stream", rows["kg_sd"], shared, draws, rng)
    single = 1 + spread[:, None] * rng.standard_normal((len(rows), draws))
    litres = (uses * rows["litres_a_use"].to_numpy())[:, None] * common * single
    weighed = rows["method"].eq("weigh tickets").to_numpy()[:, None]
    by_volume = litres * rows["density_kg_m3"].to_numpy()[:, None] / 1000 * density
    by_ticket = (uses * rows["kg_a_use"].to_numpy())[:, None] * tickets * single
    return {"litres": litres, "kg": np.where(weighed, by_ticket, by_volume)}


def _common(
    rows: pd.DataFrame, what: str, sd: pd.Series, less: Draws, draws: int,
    rng: np.random.Generator,
) -> Draws:  # fmt: skip
    """A factor with this standard deviation of its logarithm, one for all rows of a thing.

    `less` is the variance that is counted elsewhere.
    """
    group = rows.groupby([*CHUTE, what], sort=False).ngroup().to_numpy()
    normal = rng.standard_normal((int(group.max(initial=0)) + 1, draws))
    wide = np.sqrt(np.maximum(sd.to_numpy(np.float64) ** 2 - less, 0.0))
    return np.asarray(np.exp(wide[:, None] * normal[group]), dtype=np.float64)


def _diversions(
    rows: pd.DataFrame, uses: Draws, point: dict[str, Draws], drawn: dict[str, Draws]
) -> pd.DataFrame:
    """Diversion by mass and by volume, month by month."""
    told = []
    for month, part in rows.groupby("month", sort=True):
        at = part.index.to_numpy(np.intp)
        used = at[uses[at] > 0]
        kinds = rows["kind"].iloc[used]
        kept, lost = used[kinds.isin(SORTED)], used[kinds.eq(DISPOSED)]
        row: dict[str, object] = {"month": month}
        row["why_diversion"] = _why(rows, used, kept, lost, "kg_a_use", "reason_mass")
        row["why_by_volume"] = _why(rows, used, kept, lost, "litres_a_use", "volume_reason")
        for name, column in (("kg", "diversion"), ("litres", "diversion_by_volume")):
            rate = diversion_rate(point[name][kept].sum(), point[name][lost].sum())
            draw = diversion_rate(drawn[name][kept].sum(axis=0), drawn[name][lost].sum(axis=0))
            ends = _ends(draw[None, :])
            known = len(kept) + len(lost) > 0 and not kinds.isna().any()
            row |= {
                column: float(rate) if known else np.nan,
                f"{column}_low": float(ends[0][0]) if known else np.nan,
                f"{column}_high": float(ends[1][0]) if known else np.nan,
            }  # fmt: skip
        told.append(row)
    return pd.DataFrame(told)


def _why(
    rows: pd.DataFrame, used: NDArray[np.intp], kept: NDArray[np.intp], lost: NDArray[np.intp],
    needs: str, reason: str,
) -> str | None:  # fmt: skip
    """Why a month has no diversion by mass, or by volume; null where it has."""
    if rows["kind"].iloc[used].isna().any():
        return NO_KIND
    if not len(kept) + len(lost):
        return NO_SORTING
    both = rows.iloc[np.concatenate([kept, lost])]
    missing = both[both[needs].isna()]
    if missing.empty:
        return None
    return "; ".join(dict.fromkeys(missing["stream"] + ": " + missing[reason].astype("str")))


def _ends(draws: Draws) -> tuple[Draws, Draws]:
    """The middle 95 % of each row of draws; NaN where the row is."""
    low, high = np.quantile(draws, [0.025, 0.975], axis=1)
    return low, high


def _carried(table: pd.DataFrame, draws: int) -> pd.Series:
    """What the intervals of each row carry, in words."""
    weighed = table["method"].eq("weigh tickets")
    density = np.where(
        table["method"].eq("own density"), "own density +-10 %", "published density +-25 %"
    )
    text = "uses to full, spread of uses, " + pd.Series(density, table.index, dtype="str")
    text = text.mask(weighed, "scatter of weigh tickets, spread of uses")
    return (text + f" (95 %, {draws} draws, seed {SEED})").where(table["kg"].notna())


def _method(table: pd.DataFrame) -> pd.Series:
    """How kilograms were come by, and where the figure for it stands."""
    source = (": " + table["source"].astype("str")).where(table["source"].notna(), "")
    told: pd.Series = table["method"].astype("str").fillna("no kilograms") + source
    return told


def _joined(texts: pd.Series) -> str | None:
    """The different texts, joined; null where there is none."""
    return "; ".join(dict.fromkeys(texts.dropna())) or None
