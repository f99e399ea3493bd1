"""Columns, types and units of every table that leaves the project.

Times are UTC microseconds, `device_time` a wall clock without zone; `*_s` are seconds;
`seconds` too. Text columns are pandas categories in memory and dictionaries in Parquet.
A table may carry more columns than stand here only inside a module.
"""

import pandas as pd
import pyarrow as pa

from loganalyzer.errors import TableError

TEXT = pa.dictionary(pa.int32(), pa.string())
UTC = pa.timestamp("us", tz="UTC")
WALL = pa.timestamp("us")
NUMBER = pa.float64()
COUNT = pa.int64()
YES_NO = pa.bool_()

SIGNALS = (
    "press", "refusal", "positioning", "unlocked", "open", "clearing", "lockout", "full",
    "service", "fault", "power", "compacting", "clock", "level", "note",
)  # fmt: skip
EDGES = ("on", "off", "mark")
SIGNAL_EDGES = {
    "press": ("mark",), "refusal": ("mark",), "positioning": ("on", "off"),
    "unlocked": ("on", "off"), "open": ("on", "off"), "clearing": ("on", "off"),
    "lockout": ("on", "off"), "full": ("on", "off"), "service": ("on", "off"),
    "fault": ("on", "off", "mark"), "power": ("on", "off"), "compacting": ("on", "off"),
    "clock": ("mark",), "level": ("mark",), "note": ("on", "off", "mark"),
}  # fmt: skip
# Signals that mean nothing without the door, or without the material, they belong to.
NEEDS_FLOOR = ("press", "refusal", "unlocked", "open", "lockout")
# How far a time can be trusted, from worst to best: where two apply the earlier one stands.
CLOCK_MARKS = ("unanchored", "step", "drift", "fold", "gap", "sampled", "exact")
COMPONENTS = (
    "door", "contact", "latch", "sorter", "container", "compactor", "wiring", "control",
    "power", "fire", "other",
)  # fmt: skip
INCIDENT_KINDS = (
    "stuck_door", "container_full", "abuse_lockout", "sorter_fault", "latch_fault",
    "interlock_breach", "contact_chatter", "common_cause", "compactor_jam", "power_loss",
    "service", "log_gap", "other_fault",
)  # fmt: skip
AUDIENCES = ("manager", "technician", "coordinator")


def _schema(**columns: pa.DataType) -> pa.Schema:
    return pa.schema(list(columns.items()))


TABLES: dict[str, pa.Schema] = {
    "timeline": _schema(
        site=TEXT, chute=TEXT, time=UTC, device_time=WALL, seq=COUNT, floor=TEXT, signal=TEXT,
        edge=TEXT, stream=TEXT, code=TEXT, value=NUMBER, clock=TEXT, source=TEXT, line=COUNT,
    ),
    "intervals": _schema(
        site=TEXT, chute=TEXT, signal=TEXT, floor=TEXT, stream=TEXT, code=TEXT, start=UTC,
        end=UTC, seconds=NUMBER, start_known=YES_NO, end_known=YES_NO, ended_by=TEXT,
        source=TEXT, line=COUNT,
    ),
    "cycles": _schema(
        site=TEXT, chute=TEXT, cycle=COUNT, floor=TEXT, stream=TEXT, pressed=UTC, unlocked=UTC,
        opened=UTC, closed=UTC, cleared=UTC, positioning_s=NUMBER, wait_s=NUMBER,
        reach_s=NUMBER, open_s=NUMBER, clear_s=NUMBER, outcome=TEXT, source=TEXT, line=COUNT,
    ),
    "visits": _schema(
        site=TEXT, chute=TEXT, floor=TEXT, stream=TEXT, start=UTC, end=UTC, presses=COUNT,
        refusals=COUNT, wait_s=NUMBER, result=TEXT, source=TEXT, line=COUNT,
    ),
    "incidents": _schema(
        incident=pa.string(), site=TEXT, chute=TEXT, kind=TEXT, floor=TEXT, stream=TEXT,
        code=TEXT, start=UTC, end=UTC, seconds=NUMBER, ongoing=YES_NO, inferred=YES_NO,
        refused=COUNT, evidence=pa.string(), **{"for": TEXT}, advice=pa.string(),
    ),
    "floors": _schema(
        site=TEXT, chute=TEXT, floor=TEXT, units=COUNT, presses=COUNT, visits=COUNT,
        served=COUNT, cycles=COUNT, open_s_median=NUMBER, open_s_p90=NUMBER, open_s_p99=NUMBER,
        stuck=COUNT, lockouts=COUNT, lockout_episodes=COUNT, episodes_per_100_visits=NUMBER,
        low=NUMBER, high=NUMBER, shrunken=NUMBER, q_value=NUMBER, flagged=YES_NO,
        reason=pa.string(), exposure_days=NUMBER, visits_in_service=COUNT,
        episodes_in_service=COUNT, episodes_per_unit_30d=NUMBER, unit_low=NUMBER,
        unit_high=NUMBER, dispersion=NUMBER, times_rest=NUMBER, rest_low=NUMBER,
        rest_high=NUMBER, p_value=NUMBER, lockouts_inferred=YES_NO,
    ),  # and a column cycles_STREAM for each stream
    "violations": _schema(
        site=TEXT, chute=TEXT, rule=TEXT, time=UTC, floor=TEXT, detail=pa.string(), source=TEXT,
        line=COUNT,
    ),
    "audit": _schema(
        site=TEXT, chute=TEXT, rule=TEXT, tested=COUNT, broken=COUNT, reason=pa.string(),
    ),
    "week": _schema(
        site=TEXT, chute=TEXT, floor=TEXT, hour_of_week=COUNT, presses=COUNT, visits=COUNT,
        refusals=COUNT, lockouts=COUNT, exposure_h=NUMBER, visits_per_hour=NUMBER,
        refusals_per_hour=NUMBER, lockouts_per_hour=NUMBER, reason=pa.string(),
    ),
    "lockout_months": _schema(
        site=TEXT, chute=TEXT, floor=TEXT, month=WALL, exposure_days=NUMBER, visits=COUNT,
        episodes=COUNT, episodes_per_100_visits=NUMBER, low=NUMBER, high=NUMBER,
        reason=pa.string(),
    ),
    "floor_trends": _schema(
        site=TEXT, chute=TEXT, floor=TEXT, days=NUMBER, visits=COUNT, episodes=COUNT,
        earlier=NUMBER, later=NUMBER, times_earlier=NUMBER, low=NUMBER, high=NUMBER, z=NUMBER,
        p=NUMBER, q=NUMBER, change=TEXT, sentence=pa.string(), reason=pa.string(),
    ),
    "month_sums": _schema(
        site=TEXT, chute=TEXT, month=WALL, floor=TEXT, stream=TEXT, what=TEXT, value=NUMBER,
        removed=NUMBER, reason=pa.string(),
    ),
    "coverage": _schema(
        site=TEXT, chute=TEXT, start=UTC, end=UTC, seconds=NUMBER, covered=YES_NO,
        events=COUNT, reason=pa.string(), source=TEXT, line=COUNT,
    ),
    "waits": _schema(
        site=TEXT, chute=TEXT, wait=TEXT, n=COUNT, mean_s=NUMBER, median_s=NUMBER, p90_s=NUMBER,
        p99_s=NUMBER, reason=pa.string(),
    ),
    "wait_parts": _schema(
        site=TEXT, chute=TEXT, floor=TEXT, stream=TEXT, start=UTC, wait_s=NUMBER, queue_s=NUMBER,
        clearing_s=NUMBER, retry_s=NUMBER, positioning_s=NUMBER, latch_s=NUMBER, reach_s=NUMBER,
        unsplit_s=NUMBER, reason=pa.string(), source=TEXT, line=COUNT,
    ),
    "wait_split": _schema(
        site=TEXT, chute=TEXT, part=TEXT, n=COUNT, mean_s=NUMBER, median_s=NUMBER, p90_s=NUMBER,
        share=NUMBER, reason=pa.string(),
    ),
    "served_within": _schema(
        site=TEXT, chute=TEXT, within_s=COUNT, served=COUNT, visits=COUNT, share=NUMBER,
        low=NUMBER, high=NUMBER, reason=pa.string(),
    ),
    "week_waits": _schema(
        site=TEXT, chute=TEXT, hour_of_week=COUNT, exposure_h=NUMBER, visits=COUNT, served=COUNT,
        gave_up=COUNT, locked_out=COUNT, median_s=NUMBER, p90_s=NUMBER, mean_s=NUMBER,
        queue_s=NUMBER, clearing_s=NUMBER, within_30_s=NUMBER, reason=pa.string(),
    ),
    "queue": _schema(
        site=TEXT, chute=TEXT, covered_h=NUMBER, utilisation=NUMBER, uses=COUNT,
        service_s=NUMBER, visits=COUNT, turned_away=COUNT, busy_share=NUMBER, low=NUMBER,
        high=NUMBER, offered_load=NUMBER, erlang_b=NUMBER, erlang_b_by_hour=NUMBER,
        engset=NUMBER, expected=NUMBER, difference=NUMBER, presses=COUNT, presses_busy=COUNT,
        presses_busy_share=NUMBER, reason=pa.string(),
    ),
    "indices": _schema(
        site=TEXT, chute=TEXT, month=TEXT, cause=TEXT, units=NUMBER, period_h=NUMBER,
        unit_interruptions=NUMBER, unit_minutes=NUMBER, interruptions_per_unit=NUMBER,
        minutes_per_unit=NUMBER, minutes_per_interruption=NUMBER, availability=NUMBER,
        unmeasured=COUNT, reason=pa.string(),
    ),
    "open_doors": _schema(
        site=TEXT, chute=TEXT, floor=TEXT, open_limit_s=NUMBER, openings=COUNT, cut_off=COUNT,
        judged=COUNT, over_limit=COUNT, share=NUMBER, low=NUMBER, high=NUMBER, km_share=NUMBER,
        km_se=NUMBER, open_s_median=NUMBER, open_s_p90=NUMBER, open_s_p99=NUMBER,
        reason=pa.string(),
    ),
    "open_hours": _schema(
        site=TEXT, chute=TEXT, floor=TEXT, hour=COUNT, judged=COUNT, over_limit=COUNT,
        share=NUMBER, low=NUMBER, high=NUMBER, exposure_h=NUMBER, over_per_100_h=NUMBER,
        reason=pa.string(),
    ),
    "longest_openings": _schema(
        site=TEXT, chute=TEXT, floor=TEXT, cycle=COUNT, opened=UTC, until=UTC, seconds=NUMBER,
        closed=YES_NO, over_limit=YES_NO, refused_elsewhere=COUNT, doors_waiting=COUNT,
        propped=YES_NO, evidence=pa.string(), reason=pa.string(),
    ),
    "containers": _schema(
        site=TEXT, chute=TEXT, stream=TEXT, full_from=UTC, full_to=UTC, seconds=NUMBER,
        drops_before=COUNT, refused=COUNT, refused_others=COUNT, visits_refused=COUNT,
        container=TEXT, state=TEXT, emptied=UTC, started_by=TEXT, ends=UTC, emptied_by=TEXT,
        days=NUMBER, days_to_full=NUMBER, drops=COUNT, drops_by_stream=pa.string(),
        drops_by_floor=pa.string(), level=NUMBER, drops_at_level=COUNT, reason=pa.string(),
        evidence=pa.string(),
    ),
    "streams": _schema(
        site=TEXT, chute=TEXT, floor=TEXT, stream=TEXT, period=TEXT, start=WALL,
        covered_days=NUMBER, units=COUNT, uses=COUNT, uses_per_unit_week=NUMBER, rate_low=NUMBER,
        rate_high=NUMBER, share=NUMBER, low=NUMBER, high=NUMBER, reason=pa.string(),
    ),
    "participation": _schema(
        site=TEXT, chute=TEXT, floor=TEXT, stream=TEXT, weeks_covered=COUNT, weeks_active=COUNT,
        share_active=NUMBER, active_low=NUMBER, active_high=NUMBER, uses=COUNT, trials=COUNT,
        share=NUMBER, low=NUMBER, high=NUMBER, shrunken=NUMBER, shrunken_low=NUMBER,
        shrunken_high=NUMBER, against=NUMBER, trend=NUMBER, trend_low=NUMBER, trend_high=NUMBER,
        p=NUMBER, q=NUMBER, reason=pa.string(),
    ),
    "set_out": _schema(
        site=TEXT, chute=TEXT, stream=TEXT, floors=COUNT, weeks=COUNT, set_out=NUMBER,
        set_out_low=NUMBER, set_out_high=NUMBER, participation=NUMBER, low=NUMBER, high=NUMBER,
        window_weeks=COUNT, note=pa.string(), reason=pa.string(),
    ),
    "campaigns": _schema(
        site=TEXT, chute=TEXT, stream=TEXT, date=WALL, floors=pa.string(), note=pa.string(),
        measure=TEXT, weeks_before=COUNT, weeks_after=COUNT, before=NUMBER, after=NUMBER,
        others_before=NUMBER, others_after=NUMBER, expected=NUMBER, ratio=NUMBER, low=NUMBER,
        high=NUMBER, p=NUMBER, reason=pa.string(),
    ),
    "lost_sorting": _schema(
        site=TEXT, chute=TEXT, floor=TEXT, stream=TEXT, kind=TEXT, time=UTC, seconds=NUMBER,
        detail=pa.string(), evidence=pa.string(),
    ),
    "fill_model": _schema(
        site=TEXT, chute=TEXT, container=TEXT, stream=TEXT, method=TEXT, fills=COUNT, fulls=COUNT,
        cut_off=COUNT, most_uses=NUMBER, median_seen=NUMBER, median_seen_low=NUMBER,
        median_seen_high=NUMBER, shape=NUMBER, shape_low=NUMBER, shape_high=NUMBER, scale=NUMBER,
        median=NUMBER, median_low=NUMBER, median_high=NUMBER, mean=NUMBER, mean_low=NUMBER,
        mean_high=NUMBER, full_at=NUMBER, litres_a_use=NUMBER, litres_low=NUMBER,
        litres_high=NUMBER, use_spread=NUMBER, reason=pa.string(),
    ),
    "masses": _schema(
        site=TEXT, chute=TEXT, stream=TEXT, container=TEXT, kind=TEXT, litres_a_use=NUMBER,
        litres_sd=NUMBER, use_spread=NUMBER, density_kg_m3=NUMBER, density_sd=NUMBER,
        kg_a_use=NUMBER, kg_sd=NUMBER, method=TEXT, source=pa.string(),
        volume_reason=pa.string(), reason=pa.string(),
    ),
    "weigh_tickets": _schema(
        site=TEXT, stream=TEXT, date=WALL, kg=NUMBER, since=WALL, uses=COUNT, expected_kg=NUMBER,
        residual_kg=NUMBER, reason=pa.string(),
    ),
    "monthly": _schema(
        building=pa.string(), month=pa.string(), stream=TEXT, uses=COUNT, litres=NUMBER,
        kg=NUMBER, share=NUMBER, diversion=NUMBER, method=pa.string(), uncertainty=pa.string(),
        site=TEXT, kind=TEXT, covered_days=NUMBER, litres_low=NUMBER, litres_high=NUMBER,
        kg_low=NUMBER, kg_high=NUMBER, share_low=NUMBER, share_high=NUMBER, diversion_low=NUMBER,
        diversion_high=NUMBER, diversion_by_volume=NUMBER, diversion_by_volume_low=NUMBER,
        diversion_by_volume_high=NUMBER, reason=pa.string(),
    ),
    "faults": _schema(
        site=TEXT, chute=TEXT, floor=TEXT, component=TEXT, code=TEXT, count=COUNT, cycles=COUNT,
        per_1000_cycles=NUMBER, low=NUMBER, high=NUMBER, days=NUMBER, per_month=NUMBER,
        month_low=NUMBER, month_high=NUMBER, first=UTC, last=UTC, median_s=NUMBER,
        longest_s=NUMBER, cleared_itself=NUMBER, ongoing=YES_NO, episodes=COUNT,
        dispersion=NUMBER, dispersion_p=NUMBER, laplace=NUMBER, laplace_p=NUMBER, shape=NUMBER,
        shape_low=NUMBER, shape_high=NUMBER, gap_days=NUMBER, gap_low=NUMBER, gap_high=NUMBER,
        hour=NUMBER, hour_p=NUMBER, week_hour=NUMBER, week_p=NUMBER, goes_with=pa.string(),
        mapped=YES_NO, evidence=pa.string(), reason=pa.string(),
    ),
    "fault_links": _schema(
        site=TEXT, chute=TEXT, floor=TEXT, component=TEXT, code=TEXT, **{"with": TEXT},
        value=TEXT, n=COUNT, of=COUNT, expected=NUMBER, lift=NUMBER, p=NUMBER, q=NUMBER,
    ),
    "pickups": _schema(
        site=TEXT, chute=TEXT, stream=TEXT, container=TEXT, rule=pa.string(), present=YES_NO,
        best=YES_NO, pickups_a_week=NUMBER, chance_full=NUMBER, chance_low=NUMBER,
        chance_high=NUMBER, error=NUMBER, hours_full_a_week=NUMBER, hours_low=NUMBER,
        hours_high=NUMBER, refused_a_week=NUMBER, refused_low=NUMBER, refused_high=NUMBER,
        under_half=NUMBER, under_low=NUMBER, under_high=NUMBER, uses_a_week=NUMBER, worlds=COUNT,
        fills=COUNT, seed=COUNT, reason=pa.string(),
    ),
    "forecast": _schema(
        site=TEXT, chute=TEXT, stream=TEXT, container=TEXT, at=UTC, uses_so_far=COUNT, day=WALL,
        chance_full=NUMBER, low=NUMBER, high=NUMBER, error=NUMBER, next_pickup=UTC,
        after_pickup=YES_NO, reason=pa.string(),
    ),
    "backtest": _schema(
        site=TEXT, chute=TEXT, container=TEXT, foretold_from=NUMBER, foretold_to=NUMBER,
        fills=COUNT, foretold=NUMBER, came=NUMBER, low=NUMBER, high=NUMBER, brier=NUMBER,
        brier_always_same=NUMBER,
    ),
    "drift": _schema(
        site=TEXT, chute=TEXT, floor=TEXT, what=TEXT, pair=TEXT, n=COUNT, days=COUNT,
        typical_s=NUMBER, p90_s=NUMBER, shift_s=NUMBER, low_s=NUMBER, high_s=NUMBER, since=WALL,
        since_low=WALL, since_high=WALL, ramp_days=NUMBER, p=NUMBER, q=NUMBER, slower=YES_NO,
        lower_quartile_s=NUMBER, upper_decile_s=NUMBER, steps=pa.string(), ewma_since=WALL,
        cusum_since=WALL, limit_s=NUMBER, meets_limit=WALL, meets_low=WALL, meets_high=WALL,
        evidence=pa.string(), reason=pa.string(),
    ),
    "drift_days": _schema(
        site=TEXT, chute=TEXT, floor=TEXT, what=TEXT, pair=TEXT, day=WALL, n=COUNT,
        median_s=NUMBER, p90_s=NUMBER, level_s=NUMBER, ewma=NUMBER, ewma_low=NUMBER,
        ewma_high=NUMBER, cusum=NUMBER, cusum_limit=NUMBER,
    ),
    "glitches": _schema(
        site=TEXT, chute=TEXT, floor=TEXT, component=TEXT, kind=TEXT, count=COUNT, cycles=COUNT,
        per_1000_cycles=NUMBER, low=NUMBER, high=NUMBER, first=UTC, last=UTC,
        evidence=pa.string(),
    ),
    "together": _schema(
        site=TEXT, chute=TEXT, trouble=TEXT, floors=pa.string(), times=COUNT, expected=NUMBER,
        p=NUMBER, first=UTC, last=UTC, evidence=pa.string(), reason=pa.string(),
    ),
    "repairs": _schema(
        site=TEXT, chute=TEXT, floor=TEXT, component=TEXT, code=TEXT, by=TEXT, start=UTC, end=UTC,
        note=pa.string(), before=COUNT, before_days=NUMBER, after=COUNT, after_days=NUMBER,
        ratio=NUMBER, low=NUMBER, high=NUMBER, p=NUMBER, back_days=NUMBER, came_back=YES_NO,
        back_median_days=NUMBER, verdict=TEXT,
    ),
    "suspects": _schema(
        site=TEXT, chute=TEXT, floor=TEXT, component=TEXT, since=UTC, score=NUMBER,
        evidence=pa.string(), advice=pa.string(), misuse=YES_NO,
    ),
    "effects": _schema(
        site=TEXT, chute=TEXT, by=TEXT, date=WALL, floors=pa.string(), component=TEXT,
        note=pa.string(), outcome=TEXT, before=COUNT, after=COUNT, uses_before=COUNT,
        uses_after=COUNT, plain_ratio=NUMBER, plain_low=NUMBER, plain_high=NUMBER,
        others=pa.string(), ratio=NUMBER, low=NUMBER, high=NUMBER, by_luck=NUMBER, verdict=TEXT,
        look_again=WALL, reason=pa.string(), evidence=pa.string(),
    ),
    "imports": _schema(
        source=pa.string(), name=pa.string(), site=pa.string(), chute=pa.string(),
        profile=pa.string(), lines=COUNT, events=COUNT, duplicates=COUNT, ignored=COUNT,
        rejected=COUNT, first=UTC, last=UTC, imported_at=UTC, status=pa.string(),
    ),
    "rejects": _schema(source=pa.string(), line=COUNT, reason=pa.string(), text=pa.string()),
}  # fmt: skip

# What pairs an on with its off, besides the chute and the signal itself.
PAIRED_WITHIN = {
    "unlocked": ("floor",), "open": ("floor",), "lockout": ("floor",), "full": ("stream",),
    "compacting": ("stream",), "fault": ("floor", "code"), "positioning": (), "clearing": (),
    "service": (), "power": (),
}  # fmt: skip


def require(table: pd.DataFrame, *columns: str) -> None:
    """Check that a table has the columns a function reads.

    Raises:
        TableError: One or more are missing; the message names them.
    """
    missing = [name for name in columns if name not in table.columns]
    if missing:
        raise TableError(
            "table", f"no column {', '.join(missing)}", f"the columns {', '.join(columns)}",
            "Pass a table as tables.py describes it",
        )  # fmt: skip


def empty(name: str) -> pd.DataFrame:
    """A table of that name without rows: the columns and types of `TABLES[name]`."""
    frame: pd.DataFrame = TABLES[name].empty_table().to_pandas()
    return frame


def conform(table: pd.DataFrame, name: str) -> pa.Table:
    """The table's columns in the order and types of `TABLES[name]`; further columns follow.

    Args:
        table: Any order of columns and rows; a column that is missing becomes null.
        name: A key of `TABLES`.
    """
    schema = TABLES[name]
    known = [
        pa.array(table[field.name], field.type, from_pandas=True)
        if field.name in table.columns
        else pa.nulls(len(table), field.type)
        for field in schema
    ]
    extra = [column for column in table.columns if column not in schema.names]
    arrays = known + [pa.array(table[column], from_pandas=True) for column in extra]
    fields = list(schema) + [
        pa.field(column, array.type)
        for column, array in zip(extra, arrays[len(known) :], strict=True)
    ]
    return pa.table(arrays, schema=pa.schema(fields))
