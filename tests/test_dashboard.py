"""The dashboard without a browser: choices, words, figures, what the server answers."""

import json
import re
import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from plotly.utils import PlotlyJSONEncoder

from dashboards import data as data_module
from dashboards import figures, parts
from dashboards.app import create_app, page, warm_up
from dashboards.data import Data
from dashboards.pages.choice import Choice
from dashboards.pages.frame import answers
from dashboards.pages.overview import PAGE
from dashboards.theme import DARK, GRAPH_CONFIG, LIGHT, Look
from loganalyzer.errors import UsageError
from loganalyzer.store import Store
from tests.exports import Log, take, write

STYLE = Path(__file__).parent.parent / "dashboards" / "assets" / "style.css"


def store_of(tmp_path: Path, *texts: str, day: str = "2025-03-03") -> Store:
    """A store with one export, in which each text happens at door 7, a minute apart."""
    log = Log(f"{day} 08:00:00")
    for text in texts:
        log.event(60, "7", text)
    take(tmp_path / "store", write(tmp_path / f"{day}.csv", log.lines))
    return Store.open(tmp_path / "store")


def words(components: Any) -> str:
    """Everything a page says, figures and grids included."""
    return json.dumps(components, cls=PlotlyJSONEncoder)


@pytest.mark.parametrize(
    "choice",
    [
        Choice(),
        Choice("A"),
        Choice("A & B", "2026-10-01", "2026-10-07T12:30", "stuck_door-0123456789"),
        Choice(end="2026-10-07"),
    ],
)
def test_an_address_gives_back_the_choice_that_wrote_it(choice: Choice):
    assert Choice.of(choice.search()) == choice


def test_another_chute_or_period_drops_the_incident_and_keeps_the_rest():
    choice = Choice("A", "2026-10-01", None, "stuck_door-1")
    assert choice.of_chute("B") == Choice("B", "2026-10-01")
    assert choice.of_period("", " 2026-10-09 ") == Choice("A", None, "2026-10-09")


@pytest.mark.parametrize(
    ("choice", "said"),
    [
        (Choice("Z"), "chute 'Z'; this site has A and B."),
        (Choice(start="<b>"), "asks for '<b>'"),
        (Choice(end="0001-01-01"), "asks for '0001-01-01'"),
        (Choice(start="2026-10-02", end="2026-10-01"), "before it begins"),
    ],
)
def test_a_choice_that_cannot_be_shown_says_why(choice: Choice, said: str):
    assert said in str(choice.trouble(["A", "B"]))


def test_a_choice_of_one_day_is_fine():
    assert Choice("A", "2026-10-01", "2026-10-01").trouble(["A", "B"]) is None


@pytest.mark.parametrize(("look", "block"), [(LIGHT, 0), (DARK, 1)])
def test_style_sheet_and_figures_have_the_same_colours(look: Look, block: int):
    roots = re.findall(r":root \{(.*?)\}", STYLE.read_text(encoding="utf-8"), re.DOTALL)
    said = dict(re.findall(r"--(\w+): (#[0-9a-f]{6});", roots[block]))
    names = ("ink", "muted", "line", "paper", "ground", "accent", "warm")
    assert said == {name: getattr(look, name) for name in names}


@pytest.mark.parametrize("look", [LIGHT, DARK])
@pytest.mark.parametrize("text", ["ink", "muted", "accent", "warm"])
@pytest.mark.parametrize("behind", ["paper", "ground"])
def test_text_stands_out_from_what_is_behind_it(look: Look, text: str, behind: str):
    # Source: WCAG 2.2, success criterion 1.4.3 (AA): at least 4.5 to 1 for text.
    light, dark = sorted(map(luminance, (getattr(look, text), getattr(look, behind))))[::-1]
    assert (light + 0.05) / (dark + 0.05) >= 4.5


@pytest.mark.parametrize("look", [LIGHT, DARK])
def test_the_scale_goes_one_way_in_lightness(look: Look):
    """Whoever sees no hue reads the heat map by lightness alone."""
    steps = [luminance(colour) for colour in look.scale]
    assert steps in (sorted(steps), sorted(steps)[::-1])


def test_black_on_white_is_21_to_1():
    # Source: WCAG 2.2, "contrast ratio": ranges from 1 to 21.
    assert (luminance("#ffffff") + 0.05) / (luminance("#000000") + 0.05) == pytest.approx(21)


def luminance(colour: str) -> float:
    # Source: WCAG 2.2, "relative luminance".
    parts_of = (int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5))
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts_of]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def ranked(*labels: str) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "chute": "A", "floor": labels, "episodes_per_100_visits": 2.0, "low": 1.0, "high": 3.0,
            "lockout_episodes": 2, "visits": 100, "episodes_in_service": 2,
            "visits_in_service": 100,
        }
    )  # fmt: skip


def test_markup_in_a_label_is_escaped_in_figures():
    """Plotly reads tags in labels and hover texts and turns them into links."""
    figure = figures.floors_by_rate(ranked('<a href="x">7</a>'), "light")
    drawn = figure.update_traces(meta=None)  # what the browser fills an address with, never shown
    assert "<a" not in drawn.to_json().replace("\\u003c", "<")
    assert figure.layout.yaxis.ticktext == ('Floor &lt;a href="x"&gt;7&lt;/a&gt;',)


def test_two_long_labels_that_begin_alike_stay_two_rows():
    figure = figures.floors_by_rate(ranked("x" * 50 + "1", "x" * 50 + "2"), "dark")
    assert list(figure.data[0].y) == [0, 1]
    assert len(figure.layout.yaxis.ticktext[0]) == len("Floor ") + figures.LONGEST


def test_a_day_without_log_is_open_and_a_day_in_part_is_hollow():
    daily = pd.DataFrame(
        {
            "chute": "A", "day": pd.date_range("2025-03-03", periods=3), "cycles": pd.NA,
            "visits": [5, None, 0], "refusals": pd.NA, "covered_share": [1.0, 0.0, 0.4],
        }
    )  # fmt: skip
    (line,) = figures.days(daily, "light").data
    assert pd.isna(line.y[1])
    assert list(line.y[[0, 2]]) == [5, 0]
    assert line.marker.symbol == ("circle", "circle-open", "circle-open")


def test_no_chart_offers_to_send_itself_away():
    assert GRAPH_CONFIG["showSendToCloud"] is False
    assert GRAPH_CONFIG["displayModeBar"] is False


@pytest.mark.parametrize("name", ["/home/x/logs/week.zip!a.csv", r"C:\x\logs\week.zip!a.csv"])
def test_a_long_file_name_is_short_and_keeps_the_whole_behind_it(name: str):
    shown = parts.file_name(name)
    assert (shown.children, shown.title) == ("logs/week.zip!a.csv", name)


def test_a_log_of_door_contacts_alone_says_what_it_cannot_tell(tmp_path: Path):
    store = store_of(tmp_path, "DOOR OPEN", "DOOR SHUT", "DOOR OPEN", "DOOR SHUT")
    said = words(answers(Data(store), PAGE, "quay", Choice(), "light"))
    for why in (
        "presses not in the log",
        "refusals are not in the log",
        "presses or openings are not in the log",
        "No floor has a rate: presses not in the log",
        "Not in the log: visits and refused presses.",
    ):
        assert why in said
    assert re.search(r'Not shown: [^"]*not in the log', said)


def test_an_address_that_leads_nowhere_says_so(tmp_path: Path):
    data = Data(store_of(tmp_path, "BUTTON", "DOOR OPEN"))
    assert "There is no such page." in words(page(data, "/elsewhere", ""))
    assert "quay" in words(page(data, "/site/other", ""))
    nothing = Data(Store.open(tmp_path / "empty", create=True))
    assert "loganalyzer import" in words(page(nothing, "/", ""))


def test_who_asks_at_the_same_time_waits_for_one_analysis(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    data = Data(store_of(tmp_path, "BUTTON", "DOOR OPEN"))
    begun, go_on, calls = threading.Event(), threading.Event(), []
    real = data_module.whole

    def slow(*asked: Any) -> Any:
        calls.append(asked)
        begun.set()
        assert go_on.wait(10)
        return real(*asked)

    monkeypatch.setattr(data_module, "whole", slow)
    with ThreadPoolExecutor(4) as pool:
        first = pool.submit(data.worked, "quay", None, (None, None))
        assert begun.wait(10)
        others = [pool.submit(data.worked, "quay", None, (None, None)) for _ in range(3)]
        go_on.set()
        assert all(other.result() is first.result() for other in others)
    assert len(calls) == 1


def test_an_error_is_told_again_and_not_kept(tmp_path: Path):
    data = Data(store_of(tmp_path, "BUTTON", "DOOR OPEN"))
    for _ in range(2):
        with pytest.raises(UsageError):
            data.worked("quay", None, ("2031-01-01", None))
    assert not data._kept


def test_an_analysis_is_worked_out_anew_when_the_store_changes(tmp_path: Path):
    store = store_of(tmp_path, "BUTTON", "DOOR OPEN")
    data = Data(store)
    before = data.worked("quay", None, (None, None))
    assert data.worked("quay", None, (None, None)) is before
    store_of(tmp_path, "BUTTON", "DOOR OPEN", "DOOR SHUT", day="2025-03-04")
    assert len(data.worked("quay", None, (None, None), fresh=True).analysis.timeline) == 5
    assert len(data._kept) == 1


def test_the_server_forbids_the_page_to_ask_anybody_else(tmp_path: Path):
    client = create_app(store_of(tmp_path, "BUTTON")).server.test_client()
    answer = client.get("/")
    policy = answer.headers["Content-Security-Policy"]
    assert "default-src 'self'" in policy
    assert re.search(r"script-src 'self'( 'sha256-[^']+')+$", policy)
    assert '<html lang="en">' in answer.text
    assert not re.search(r'(src|href)="(https?:)?//', answer.text)


def test_many_requests_at_a_cold_start_all_get_an_answer(tmp_path: Path):
    app = create_app(store_of(tmp_path, "BUTTON"))
    warm_up(app)
    paths = ["/", "/_dash-layout", "/_dash-dependencies"] * 8
    with ThreadPoolExecutor(8) as pool:
        found = pool.map(lambda path: app.server.test_client().get(path).status_code, paths)
        assert set(found) == {200}
