"""What is kept of sites: equal to what is worked out, and made again only where a log changed."""

from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from loganalyzer.answers import answer
from loganalyzer.ingest import import_paths
from loganalyzer.kept import phrases
from loganalyzer.kept.making import ROLLED, kept_file, kept_of_site
from loganalyzer.kept.rolls import Rolls, renewed, rolls_of
from loganalyzer.kept.shards import gathered
from loganalyzer.kept.told import findings_of, headline_of, table_of
from loganalyzer.language import Phrase, counted, phrase, say
from loganalyzer.measures.month_sums import COUNTED
from loganalyzer.site import load_site
from loganalyzer.store import Store
from loganalyzer.views import headline, summary
from loganalyzer.views.sums import sums_of
from tests.exports import RECEIVED

SAMPLES = Path(__file__).parent.parent / "sample_logs"


@pytest.fixture(scope="module")
def samples(tmp_path_factory: pytest.TempPathFactory) -> Store:
    """The sample logs, with everything kept."""
    folder = tmp_path_factory.mktemp("samples") / "store"
    store = Store.open(folder, create=True)
    for name in ("mill-court", "quay-terrace"):
        of = load_site(SAMPLES / f"{name}.toml")
        import_paths([SAMPLES / name], store, of, received=RECEIVED)
    for name in store.sites():
        kept_of_site(folder, name)
    return store


def of_days(store: Store, name: str) -> pd.DataFrame:
    table = kept_file(store, name, store.root()["sites"][name], "days")
    assert table is not None
    return table.to_pandas().astype(dict.fromkeys(("site", "chute", "floor"), "object"))


def test_the_sums_over_days_are_what_the_log_says(samples: Store):
    for name in samples.sites():
        days = of_days(samples, name)
        timeline, sites = samples.timeline(name), {name: samples.site(name)}
        months = sums_of(timeline, sites)
        whole = days[days["floor"].isna()]
        for what in COUNTED:
            column = {"uses": "cycles"}.get(what, what)
            told = months[months["what"].eq(what)].groupby("chute")["value"].sum(min_count=1)
            mine = whole.groupby("chute")[column].sum(min_count=1)
            pd.testing.assert_series_equal(
                mine, told, check_names=False, check_dtype=False, atol=0.1
            )
            doors = days[days["floor"].notna()].groupby(["chute", "floor"])[column].sum()
            at = months[months["what"].eq(what) & months["floor"].notna()]
            if what != "covered_s":
                of_doors = at.groupby(["chute", "floor"])["value"].sum()
                of_doors = of_doors[of_doors > 0]
                assert (doors[of_doors.index] == of_doors).all(), what
        analysis = answer(samples, name)
        waits = analysis.waits[analysis.waits["wait"].eq("press_to_open")].set_index("chute")
        sums = whole.groupby("chute")[["wait_s", "waits", "judged", "stuck", "locked_out"]].sum()
        assert (sums["waits"] == waits["n"]).all()
        np.testing.assert_allclose(sums["wait_s"] / sums["waits"], waits["mean_s"], rtol=1e-4)
        within = analysis.served_within
        for limit in (15, 30, 60):
            mine = whole.groupby("chute")[f"within_{limit}_s"].sum()
            told = within[within["within_s"].eq(limit)].set_index("chute")
            assert (mine == told["served"]).all()
            assert (sums["judged"] == told["visits"]).all()
        stuck = analysis.incidents[analysis.incidents["kind"].eq("stuck_door")]
        assert sums["stuck"].sum() == len(stuck)
        locked_out = analysis.visits[analysis.visits["result"].eq("locked_out")]
        assert sums["locked_out"].sum() == len(locked_out)


def test_hours_and_streams_sum_up_to_the_days(samples: Store):
    for name in samples.sites():
        manifest = samples.root()["sites"][name]
        days = of_days(samples, name)
        key = ["chute", "floor"]
        for what, columns in (("hours", ("visits", "presses", "refusals", "lockouts", "waits")),
                              ("streams", ())):  # fmt: skip
            table = kept_file(samples, name, manifest, what)
            assert table is not None
            rows = table.to_pandas().astype(dict.fromkeys(("chute", "floor"), "object"))
            for column in columns:
                mine = rows.groupby(key, dropna=False)[column].sum()
                told = days.groupby(key, dropna=False)[column].sum()
                assert (mine.reindex(told.index, fill_value=0) == told).all(), column
            if what == "hours":
                assert rows["covered_s"].sum() == pytest.approx(
                    days[days["floor"].isna()]["covered_s"].sum(), abs=1
                )
            else:
                mine = rows.groupby(key, dropna=False)["cycles"].sum()
                assert (mine <= days.groupby(key, dropna=False)["cycles"].sum()[mine.index]).all()


def test_what_is_kept_of_a_site_is_what_its_summary_says(samples: Store):
    told = gathered(samples, "told")
    assert told.missing == ()
    for name in samples.sites():
        analysis = answer(samples, name)
        found = summary(analysis, samples.imports(name), samples.rejects(name))
        row = gathered(samples, "told", [name]).table
        kept = findings_of(table_of(row, "findings"))
        assert kept == found.findings
        assert [say(one.sentence, "de") for one in kept] == [
            say(one.sentence, "de") for one in found.findings
        ]
        pd.testing.assert_frame_equal(
            headline_of(row), headline(analysis), check_dtype=False, check_exact=True
        )


def test_a_phrase_is_kept_with_what_it_was_put_together_from():
    when, pressed = pd.Timestamp("2026-10-01T07:00", tz="UTC"), counted(2, "press", "presses")
    made = phrase("{a} at {when:%Y-%m-%d}, {n:,.1f}", a=pressed, when=when, n=np.float64(1234.5))
    back = phrases.read(phrases.written(made))
    assert isinstance(back, Phrase)
    assert back == made == "2 presses at 2026-10-01, 1,234.5"
    for language in ("en", "de", "pt"):
        assert say(back, language) == say(made, language)
    assert phrases.read(phrases.written("7 {x}")) == "7 {x}"


def equal(one: Rolls, other: Rolls) -> None:
    for name in ROLLED:
        left, right = (sorted_rows(getattr(rolls, name)) for rolls in (one, other))
        pd.testing.assert_frame_equal(left, right, check_exact=False, rtol=0, atol=0.002)


def sorted_rows(table: pa.Table) -> pd.DataFrame:
    frame = table.to_pandas()
    texts = [name for name in ("site", "chute", "floor", "stream") if name in frame]
    frame = frame.astype(dict.fromkeys(texts, "object")).drop(columns="quiet", errors="ignore")
    keys = [name for name in (*texts, "day", "hour") if name in frame]
    return frame.sort_values(keys, ignore_index=True)


@pytest.mark.parametrize("cut", [0.2, 0.5, 0.77, 0.93])
def test_roll_ups_renewed_after_more_log_are_those_of_the_whole_log(samples: Store, cut: float):
    for name in samples.sites():
        timeline, known = samples.timeline(name), samples.site(name)
        seconds = timeline["time"].quantile(cut)
        before = renewed(timeline[timeline["time"] < seconds].reset_index(drop=True), known, None)
        equal(renewed(timeline, known, before), renewed(timeline, known, None))


def test_roll_ups_renewed_are_those_of_a_whole_analysis(samples: Store):
    for name in samples.sites():
        known = samples.site(name)
        equal(rolls_of(answer(samples, name), known), renewed(samples.timeline(name), known, None))
