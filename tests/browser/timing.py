"""How long the server works for the site page, in milliseconds.

    python -m tests.browser.timing STORE

Prints, for each site: the first answer (reads the log and rebuilds it), the median of later
ones, a click on an incident (median over twenty of them), and the page's weight as JSON.
"""

import statistics
import sys
import time
from collections.abc import Callable, Iterator

from dash import Dash, html
from plotly.io.json import to_json_plotly

from dashboards.data import Data
from dashboards.pages.choice import Choice
from dashboards.pages.frame import answers, view_of
from dashboards.pages.overview import PAGE, incidents
from loganalyzer.store import Store

TIMES, CLICKS = 7, 20


def main(path: str) -> None:
    """Print one line a site."""
    Dash(__name__).layout = html.Div()  # what a process loads once is not the page's work
    data = Data(Store.open(path))
    for site in data.store.sites():
        (first,) = milliseconds(lambda s=site: answers(data, PAGE, s, Choice(), "light"), 1)
        later = milliseconds(lambda s=site: answers(data, PAGE, s, Choice(), "light"), TIMES)
        weight = len(to_json_plotly(answers(data, PAGE, site, Choice(), "light"))) / 1000
        clicks = list(click_times(data, site))
        print(
            f"{site}: first {first:.0f} ms, later {statistics.median(later):.0f} ms, click "
            f"{statistics.median(clicks):.0f} ms (slowest {max(clicks):.0f}), {weight:.0f} kB"
        )


def click_times(data: Data, site: str) -> Iterator[float]:
    """Incidents of all ages, each chosen once."""
    found = view_of(data, site, Choice(), "light").analysis.incidents["incident"]
    for incident in found.iloc[:: max(len(found) // CLICKS, 1)]:
        view = view_of(data, site, Choice(incident=incident), "light")
        yield from milliseconds(lambda v=view: incidents.behind(v, data, site), 1)


def milliseconds(work: Callable[[], object], times: int) -> list[float]:
    """The times of so many runs."""
    found = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        found.append(1000 * (time.perf_counter() - start))
    return found


if __name__ == "__main__":
    main(sys.argv[1])
