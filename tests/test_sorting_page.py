"""The coordinator's page without a browser: what it says, and what its file holds."""

import csv
import io
import json
from typing import Any
from urllib.parse import unquote

import pytest
from plotly.utils import PlotlyJSONEncoder

from dashboards.data import Data
from dashboards.pages.choice import Choice
from dashboards.pages.frame import answers
from dashboards.pages.sorting import PAGE
from loganalyzer.cli import main
from loganalyzer.store import Store
from tests.test_streams_commands import SITE, lines


@pytest.fixture(scope="module")
def said(tmp_path_factory: pytest.TempPathFactory) -> str:
    folder = tmp_path_factory.mktemp("page")
    (folder / "site.toml").write_text(SITE, encoding="utf-8")
    (folder / "log.csv").write_text("\n".join(lines()) + "\n", encoding="utf-8")
    site, store = str(folder / "site.toml"), folder / "store"
    assert main(["import", str(folder / "log.csv"), "--store", str(store), "--site", site]) == 0
    page: Any = answers(Data(Store.open(store)), PAGE, "quay-terrace", Choice(), "light")
    return json.dumps(page, cls=PlotlyJSONEncoder)


def test_the_page_has_participation_campaigns_fills_forecast_and_pickups(said: str):
    for what in (
        "Shrunken share of recycling by floor",
        "Campaign of 2026-10-12 (posters)",
        "Set-out, %",
        "What was not sorted and would have been?",
        "Uses to full, mean (Weibull)",
        "Median seen (Kaplan-Meier)",
        "Chance that each container is full by the end of each coming day",
        "FREQ=WEEKLY;BYDAY=TU;BYHOUR=7",
        "eld-back weeks",
    ):
        assert what in said


def test_the_file_of_monthly_figures_is_the_table_that_export_writes(said: str):
    _, _, rest = said.partition("data:text/csv;charset=utf-8,")
    rows = list(csv.DictReader(io.StringIO(unquote(rest.split('"')[0]))))
    assert list(rows[0])[:10] == [
        "building", "month", "stream", "uses", "litres", "kg", "share", "diversion", "method",
        "uncertainty",
    ]  # fmt: skip
    assert {row["month"] for row in rows} == {"2026-09", "2026-10", "2026-11"}
