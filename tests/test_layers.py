"""A module imports only from rows above its own: the table of DEVELOPERS.md, held as data."""

import ast
from collections.abc import Iterator
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

from loganalyzer.readers import READERS

ROOT = Path(__file__).parent.parent

# Row: its modules, and the rows that they may import besides their own. A step that is one idea
# but several files is one row. A folder stands for all modules in it.
LIBRARY: dict[str, tuple[str, str]] = {
    "errors": ("errors", ""),
    "tables": ("tables", "errors"),
    "patterns": ("patterns", "errors"),
    "language": ("language", ""),
    # The legal signals and edges stand in tables.py once, so settings are checked against those.
    "settings": ("settings site profile", "errors tables patterns language"),
    "plain": (
        "once stats rates reliability changes spans progress sentences shares lifetimes terminal",
        "language",
    ),
    "cluster": ("cluster", "errors plain"),
    "stamps": ("stamps", "errors"),
    "readers": ("readers", "errors settings patterns"),
    # A clock set told as two stamps is the one place where an event's text holds stamps.
    "events": ("events", "readers.records settings tables stamps patterns"),
    "drafting": ("drafting", "errors tables patterns settings stamps readers"),
    "clock": ("clock", "errors tables settings stamps"),
    "timeline": ("timeline", "errors tables plain"),
    "facts": (
        "attempts bins facts localtime occupied openings service uses",
        "errors tables settings plain",
    ),
    "intervals": ("keys intervals", "errors tables"),
    "cycles": ("grants presses cycles visits", "errors tables settings intervals"),
    "fills": ("fills", "errors tables settings plain facts"),
    "measures": ("measures", "errors tables settings plain facts fills"),
    "pickups": ("pickups", "errors tables settings plain facts measures"),
    # A rule looks at rows of the log as cycles do, and one of them at what a measure says.
    "audit": ("audit", "errors tables settings plain facts intervals cycles measures"),
    "incidents": ("incidents", "errors tables settings plain facts"),
    "views": (
        "views",
        "errors tables language settings plain facts intervals cycles measures pickups audit "
        "incidents",
    ),
    # The original lines behind an incident are read again as their layout says.
    "store": ("store", "errors tables settings readers clock"),
    "worklog": ("worklog", "errors settings store"),
    "export": ("export privacy", "errors tables"),
    "weighing": ("weighing", "errors settings"),
    "ingest": (
        "ingest",
        "errors tables settings plain cluster stamps readers events clock timeline store",
    ),
    "answers": ("answers", "errors settings store views measures"),
    "kept": (
        "kept",
        "errors tables language settings plain facts intervals cycles measures incidents views "
        "store answers",
    ),
    # Retention sums up what it removes, as the answers tell it.
    "upkeep": ("upkeep", "errors tables settings plain store ingest measures views"),
    "watching": ("watching", "errors ingest"),
    "alerts": ("alerts", "errors tables settings plain facts incidents views"),
    "accounts": ("accounts", "errors"),
    "trial": ("trial", "errors settings readers store ingest intervals cycles"),
    "receiving": ("receiving", "errors settings readers drafting ingest store trial"),
    "cli": (
        "cli commands words serving",
        "errors tables settings plain cluster views store export ingest answers kept upkeep "
        "weighing watching alerts accounts drafting dashboards.app dashboards.access "
        "dashboards.reports",
    ),
}  # fmt: skip
DASHBOARDS: dict[str, tuple[str, str]] = {
    "theme": ("theme", ""),
    "drawing": ("shapes figures parts calendars", "theme loganalyzer.language"),
    "spoken": ("spoken", "loganalyzer.language"),
    "access": (
        "access",
        "loganalyzer.errors loganalyzer.accounts loganalyzer.site loganalyzer.store",
    ),
    "data": (
        "data held",
        "access loganalyzer.store loganalyzer.views loganalyzer.answers loganalyzer.kept "
        "loganalyzer.once",
    ),
    "uploads": ("uploads", "loganalyzer.errors loganalyzer.sentences"),
    "pages": (
        "pages",
        "access data drawing spoken uploads loganalyzer.export loganalyzer.profile "
        "loganalyzer.receiving loganalyzer.drafting loganalyzer.worklog loganalyzer.site "
        "loganalyzer.tables "
        "loganalyzer.errors loganalyzer.language loganalyzer.incidents "
        "loganalyzer.sentences loganalyzer.localtime loganalyzer.kept "
        "loganalyzer.views",
    ),
    "reports": (
        "reports",
        "theme drawing data pages loganalyzer.answers loganalyzer.audit loganalyzer.errors "
        "loganalyzer.export loganalyzer.facts loganalyzer.incidents loganalyzer.language "
        "loganalyzer.localtime loganalyzer.sentences loganalyzer.site loganalyzer.store "
        "loganalyzer.views",
    ),
    "app": (
        "app",
        "pages access data uploads drawing spoken theme loganalyzer.errors loganalyzer.language "
        "loganalyzer.store",
    ),
}  # fmt: skip


def modules(package: str) -> dict[str, set[str]]:
    """Each module of a package, by its name below it, and the modules of ours it imports."""
    return {
        ".".join(path.relative_to(ROOT).with_suffix("").parts[1:]).removesuffix(".__init__"): {
            *imported(path)
        }
        for path in sorted((ROOT / package).rglob("*.py"))
        if path != ROOT / package / "__init__.py"
    }


def imported(path: Path) -> Iterator[str]:
    """Modules of ours in a file's import lines, those inside functions included."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: a relative import"
            names = [f"{node.module}.{alias.name}" for alias in node.names]
            found = [name if is_module(name) else str(node.module) for name in names]
        elif isinstance(node, ast.Import):
            found = [alias.name for alias in node.names]
        else:
            continue
        yield from (name for name in found if name.startswith(("loganalyzer", "dashboards")))


def is_module(name: str) -> bool:
    path = ROOT.joinpath(*name.split("."))
    return path.is_dir() or path.with_suffix(".py").is_file()


def holds(names: str, module: str) -> bool:
    """Whether a module is one of these, or lies in one of these folders."""
    return any(module == name or module.startswith(f"{name}.") for name in names.split())


def row_of(table: dict[str, tuple[str, str]], module: str) -> str:
    rows = [row for row, (names, _) in table.items() if holds(names, module)]
    assert len(rows) == 1, f"{module}: give it one row in the table, it has {rows}"
    return rows[0]


OURS = {package: modules(package) for package in ("loganalyzer", "dashboards")}
CASES = [(package, module) for package, graph in OURS.items() for module in graph]


@pytest.mark.parametrize(("package", "module"), CASES)
def test_a_module_imports_only_from_rows_above_its_own(package: str, module: str):
    table = LIBRARY if package == "loganalyzer" else DASHBOARDS
    row = row_of(table, module)
    names, rows = table[row]
    allowed = names.split() + [
        name for other in rows.split() for name in table.get(other, (other, ""))[0].split()
    ]
    wrong = [
        name
        for name in OURS[package][module]
        if not holds(" ".join(allowed), name.removeprefix(f"{package}."))
    ]
    assert not wrong, f"{package}.{module} (row {row}) imports {', '.join(sorted(wrong))}"


@pytest.mark.parametrize("table", [LIBRARY, DASHBOARDS], ids=["loganalyzer", "dashboards"])
def test_the_table_itself_only_looks_up(table: dict[str, tuple[str, str]]):
    order = list(table)
    for row, (_, rows) in table.items():
        own = [other for other in rows.split() if other in table]
        assert all(order.index(other) < order.index(row) for other in own), row


def test_no_modules_import_each_other_in_a_circle():
    graph = {
        f"{package}.{module}": names
        for package, modules_of in OURS.items()
        for module, names in modules_of.items()
    }
    assert set(TopologicalSorter(graph).static_order()) >= set(graph)  # raises CycleError


def test_a_layout_a_measure_and_a_rule_never_import_another():
    library = OURS["loganalyzer"]
    layouts = {reader.__module__.removeprefix("loganalyzer.") for reader in READERS.values()}
    measures = {name for name in library if name.startswith("measures.")}
    shared = {f"incidents.{name}" for name in ("evidence", "kinds", "ids", "cost", "belonging")}
    rules = {name for name in library if name.startswith("incidents.")} - shared
    for group in (layouts, measures, rules):
        assert len(group) > 1
        for name in group:
            others = {other.removeprefix("loganalyzer.") for other in library[name]}
            assert not others & (group - {name}), name
