"""A month on paper: what each reader finds on it, how many pages, and what never stands there."""

import builtins
import io
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest
from pypdf import PageObject, PdfReader

from dashboards.reports import REPORTS, report
from dashboards.reports.claims import Claims
from dashboards.reports.month import month
from dashboards.reports.pdf import pdf
from dashboards.reports.sheet import render
from dashboards.theme import LIGHT
from loganalyzer.cli import main
from loganalyzer.errors import UsageError
from loganalyzer.site import load_site, parse_site
from loganalyzer.store import Store
from tests.exports import SITE, Log, take, write

SAMPLES = Path(__file__).parent.parent / "sample_logs"
STYLE = Path(__file__).parent.parent / "dashboards" / "reports" / "paper" / "sheet.css"


class Text(HTMLParser):
    """What a page says, and what it points to."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.said: list[str] = []
        self.links: list[str] = []
        self.tags: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.links += [value for name, value in attrs if name in ("src", "href")]

    def handle_data(self, data):
        self.said.append(data)


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    """The second building of the sample logs; one of its floors has a single unit."""
    folder = tmp_path_factory.mktemp("reports")
    take(folder / "store", SAMPLES / "mill-court", of=load_site(SAMPLES / "mill-court.toml"))
    return Store.open(folder / "store")


@pytest.fixture(scope="module")
def october(store):
    return month(store, "technician", None, "2026-10")


@pytest.fixture(scope="module")
def pages(store, october):
    """The page of each reader; the month is worked out once for all."""
    claims = {who: Claims(store, october.view.analysis, who) for who in REPORTS}
    return {who: render(REPORTS[who](replace(october, claims=claims[who]))) for who in REPORTS}


def sheets(page: str) -> list[PageObject]:
    """The pages of the PDF; skipped where the system lacks the library that lays text out."""
    try:
        return list(PdfReader(io.BytesIO(pdf(page))).pages)
    except UsageError as error:
        pytest.skip(str(error))


USE = ("BUTTON", "LATCH RELEASED", "DOOR OPEN", "DOOR SHUT", "LATCH SET")


def few_uses(folder: Path, door: str, texts: tuple[str, ...] = USE) -> Store:
    """A store with a dozen uses of one door."""
    log = Log("2025-03-03 08:00:00")
    for _ in range(12):
        for text in texts:
            log.event(7, door, text)
        log.wait(600)
    take(folder / "store", write(folder / "week.csv", log.lines))
    return Store.open(folder / "store")


@pytest.mark.parametrize("who", REPORTS)
def test_a_report_is_one_to_four_pages_of_a4(pages, who):
    found = sheets(pages[who])
    assert 1 <= len(found) <= 4
    wide, high = found[0].mediabox.width, found[0].mediabox.height
    # Source: ISO 216, A4 is 210 mm by 297 mm; a point is 1/72 inch of 25.4 mm.
    assert (round(float(wide) / 72 * 25.4), round(float(high) / 72 * 25.4)) == (210, 297)
    assert "Mill Court" in found[0].extract_text()


@pytest.mark.parametrize("who", REPORTS)
def test_a_report_asks_for_nothing_outside_of_itself(pages, who):
    text = Text(pages[who])
    assert all(link.startswith(("data:image/svg+xml;base64,", "#line-")) for link in text.links)
    assert not {"script", "link", "iframe", "object"} & set(text.tags)
    assert "default-src 'none'" in pages[who]


@pytest.mark.parametrize("who", REPORTS)
def test_a_report_says_what_the_log_covers_what_it_cannot_show_and_be_careful(pages, who):
    said = " ".join(Text(pages[who]).said)
    for words in (
        "Chute east: log of", "could not be read", "never counted as zero", "lock out and tag out",
        "time of ", "95 % interval",
    ):  # fmt: skip
        assert words in said, words


def test_every_number_in_brackets_leads_to_a_line_of_an_export(pages, store):
    page = pages["coordinator"]
    asked, there = (
        set(re.findall(r'href="#line-(\d+)"', page)),
        set(re.findall(r'id="line-(\d+)"', page)),
    )
    assert asked
    assert asked == there
    texts = Text(page).said
    names = {Path(name).name for name in store.imports()["name"]}
    assert any(text.split(":")[0].split("] ")[-1].split("!")[0] in names for text in texts)


def test_the_same_store_gives_the_same_bytes(pages, store):
    again, name = report(store, "coordinator", "mill-court", "2026-10")
    assert again == pages["coordinator"]
    assert name == "mill-court-2026-10-coordinator"


def test_the_manager_sees_no_floor_of_few_units_nor_a_line_of_it(pages, store, october):
    (small,) = (
        floor.label
        for floor in store.site("mill-court").chutes[0].floors
        if floor.units is not None and floor.units < store.site("mill-court").min_units
    )
    rows = october.view.analysis.timeline
    mine = rows[rows["floor"].eq(small)]
    assert len(mine)
    refs = [f"{row.source}:{row.line}" for row in mine.head(50).itertuples()]
    assert Claims(store, october.view.analysis, "manager").cite(refs) == ()
    assert Claims(store, october.view.analysis, "technician").cite(refs)
    said = Text(pages["manager"]).said
    assert "1 floor hidden, fewer than 3 units." in said
    assert f"Floor {small} of chute east" not in " ".join(said)


def test_labels_and_lines_of_a_log_are_text_whatever_stands_in_them(tmp_path):
    label = "<img src=x onerror=alert(1)>{n}$x$"
    store = few_uses(tmp_path, label)
    for who in REPORTS:
        page, _ = report(store, who, None, "2025-03")
        assert "<img src=x" not in page
        assert sheets(page)


def test_a_site_of_many_chutes_and_floors_still_fits_on_four_pages(tmp_path):
    chutes = "".join(f'[[chute]]\nid = "c{n}"\nprofile = "semicolon-text"\n' for n in range(14))
    many = parse_site(SITE.split("[[chute]]")[0] + chutes, "quay.toml")
    for number in range(14):
        log = Log("2025-03-03 08:00:00")
        for floor in range(20):
            for text in ("BUTTON", "BUTTON", *USE):
                log.event(7, str(floor), text)
            log.event(3, str(floor), "BUTTON")
            log.wait(600)
        export = write(tmp_path / f"c{number}.csv", log.lines)
        take(tmp_path / "store", export, of=many, chute=f"c{number}")
    store = Store.open(tmp_path / "store")
    about = month(store, "manager", None, None)
    for who in REPORTS:
        claims = Claims(store, about.view.analysis, who)
        page = render(REPORTS[who](replace(about, claims=claims)))
        assert len(sheets(page)) <= 4, who


def test_a_month_that_is_not_named_is_the_one_in_which_the_log_ends(tmp_path):
    assert month(few_uses(tmp_path, "7"), "manager", None, None).name == "2025-03"


def test_a_log_of_doors_alone_says_what_it_cannot_tell(tmp_path):
    store = few_uses(tmp_path, "7", texts=("DOOR OPEN", "DOOR SHUT"))
    said = " ".join(Text(report(store, "manager", None, None)[0]).said)
    assert "the log holds no presses" in said
    assert "not recorded" in said
    assert "Not shown: " in said


@pytest.mark.parametrize(
    ("site_id", "name", "said"),
    [
        ("mill-court", "2026-13", "--month: found '2026-13', expected a month such as 2026-10"),
        ("mill-court", "October", "expected a month such as 2026-10"),
        ("mill-court", "2019-01", "no event of that site, chute and period"),
        ("elsewhere", "2026-10", "mill-court"),
    ],
)
def test_a_month_or_site_that_is_not_there_is_one_line(store, site_id, name, said):
    with pytest.raises(UsageError, match=re.escape(said)):
        month(store, "manager", site_id, name)


def test_the_command_writes_both_files_into_a_folder_and_one_where_one_is_named(tmp_path):
    few_uses(tmp_path, "7")
    common = ["report", "technician", "--store", str(tmp_path / "store"), "--out"]
    assert main([*common, str(tmp_path / "out")]) == 0
    assert main([*common, str(tmp_path / "new" / "one.html")]) == 0
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == [
        "quay-2025-03-technician.html", "quay-2025-03-technician.pdf",
    ]  # fmt: skip
    assert [path.name for path in (tmp_path / "new").iterdir()] == ["one.html"]


def test_without_the_library_that_lays_text_out_the_html_is_there_and_a_line_says_why(
    tmp_path, monkeypatch, capsys
):
    real = builtins.__import__

    def lacking(name: str, *rest: object, **more: object) -> object:
        if name == "weasyprint":
            raise OSError("cannot load library 'libpango-1.0-0'")
        return real(name, *rest, **more)

    few_uses(tmp_path, "7")
    monkeypatch.setattr(builtins, "__import__", lacking)
    out = tmp_path / "out"
    command = ["report", "manager", "--store", str(tmp_path / "store"), "--out", str(out)]
    assert main(command) == 2
    said = capsys.readouterr().err
    assert "apt install libpangoft2-1.0-0" in said
    assert [path.suffix for path in out.iterdir()] == [".html"]


def test_an_ending_that_is_neither_is_said_before_anything_is_worked_out(store, tmp_path, capsys):
    out = tmp_path / "report.docx"
    assert main(["report", "manager", "--store", str(store.path), "--out", str(out)]) == 2
    assert "expected a folder or a file that ends in .html or .pdf" in capsys.readouterr().err
    assert not out.exists()


def test_paper_has_the_colours_of_the_light_scheme():
    text = STYLE.read_text(encoding="utf-8")
    for name in ("ink", "muted", "line", "paper", "ground", "accent", "warm"):
        assert f"--{name}: {getattr(LIGHT, name)};" in text
