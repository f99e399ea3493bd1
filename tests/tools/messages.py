"""Every message that people may read, found in the source, and what no catalogue has yet.

    python -m tests.tools.messages            how many each language has, and lacks
    python -m tests.tools.messages --write    the same, kept in loganalyzer/locale/still-english.txt

Messages are the first argument of `phrase` and `say`, the nouns of `things` and `counted`, and
in the modules of `SPOKEN` every fixed text: those are told word for word by `dashboards.spoken`.
"""

import ast
import re
import sys
from collections.abc import Iterator
from pathlib import Path

from loganalyzer.language import LANGUAGES, messages

ROOT = Path(__file__).parent.parent.parent
LEFT = ROOT / "loganalyzer" / "locale" / "still-english.txt"
SOURCES = (
    "loganalyzer/sentences.py",
    "loganalyzer/views",
    "dashboards/pages",
    "dashboards/reports",
)
# Where fixed texts are shown as they stand: what is a heading, a column, a name or a reason.
SPOKEN = ("dashboards/pages", "dashboards/parts.py", "dashboards/reports", "dashboards/figures.py",
          "dashboards/shapes.py", "dashboards/calendars.py", "dashboards/spoken.py",
          "loganalyzer/incidents/kinds.py", "loganalyzer/facts.py",
          "loganalyzer/measures/signs.py", "loganalyzer/measures/suspects.py",
          "loganalyzer/measures/suspect_advice.py", "loganalyzer/measures/glitches.py",
          "loganalyzer/views/effects.py", "loganalyzer/views/audit_report.py")  # fmt: skip
VIEWS = ("views/about_", "views/pickup_report", "views/streams_report", "views/wait_report",
         "views/index_report")  # fmt: skip
TELLS = {"phrase": (0,), "say": (0,), "things": (1,), "counted": (1,)}
# Words of the machine, not of people: ids, keys, names of columns, classes, paths, formats.
PLAIN = re.compile(
    r"^[\W\d_]*$|^_?[a-z][a-z0-9_.-]*$|^[./#].*|^--\w.*|^&|^%[^ ]|^[A-Z_]+$|\\d|^[a-z-]+: "
    r"|%[srdYmbH]|^(autoHeight|singleRow|selectedRows|hrefLang|minWidth|lines.markers|SHA256SUMS"
    r"|DejaVu Sans|MMMd|MMMEd|yMMM|Int64|Float64|datetime64.*|chooseOnEnter.*|caution top"
    r"|(lower|upper|outside) .*|value absent|English|Deutsch|Português|[a-z]+[A-Z]\w*|.* failed"
    r"|loganalyzer \w+)$"
)


def found() -> frozenset[str]:
    """Every message of the program."""
    paths = sorted(_files(SOURCES) | _files(SPOKEN))
    return frozenset(text for path in paths for text in _messages(path) if has_words(text))


def has_words(text: str) -> bool:
    """Whether anything of a message needs telling, besides what is filled in."""
    return re.search(r"[A-Za-z]{2}", re.sub(r"\{.*?\}", "", text)) is not None


def missing(language: str) -> list[str]:
    """The messages that a language has no text for, sorted."""
    return sorted(found() - messages(language))


def kept() -> str:
    """The list of what is still told in English, language by language."""
    return "".join(
        f"{language}\t{text}\n" for language in LANGUAGES[1:] for text in missing(language)
    ).replace("\\", "\\\\")


def _files(names: tuple[str, ...]) -> set[Path]:
    paths = [ROOT / name for name in names]
    return {one for path in paths for one in ([path] if path.is_file() else path.rglob("*.py"))}


def marked(path: Path) -> Iterator[str]:
    """The messages of a file that are handed to `phrase`, `say`, `things` or `counted`."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call):
            name = getattr(node.func, "id", getattr(node.func, "attr", ""))
            for place in TELLS.get(name, ()):
                if len(node.args) > place:
                    yield from _texts(node.args[place])


def _messages(path: Path) -> Iterator[str]:
    yield from marked(path)
    if path not in _files(SPOKEN) and not any(part in path.as_posix() for part in VIEWS):
        return
    tree = ast.parse(path.read_text(encoding="utf-8"))
    pieces = {id(node) for whole in ast.walk(tree) if isinstance(whole, ast.JoinedStr)
              for node in ast.walk(whole)}  # fmt: skip
    skipped = pieces | _docstrings(tree)
    for node in ast.walk(tree):
        if id(node) not in skipped and not isinstance(node, ast.IfExp):
            yield from (text for text in _texts(node) if not PLAIN.search(text))


def _texts(node: ast.AST) -> Iterator[str]:
    """The constants that an argument may be: itself, or the branches of a condition."""
    if isinstance(node, ast.IfExp):
        yield from (*_texts(node.body), *_texts(node.orelse))
    elif isinstance(node, ast.Constant) and isinstance(node.value, str):
        yield node.value


def _docstrings(tree: ast.Module) -> set[int]:
    """Texts that stand alone: docstrings, and keys of dictionaries."""
    alone = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    keys = {id(key) for node in ast.walk(tree) if isinstance(node, ast.Dict) for key in node.keys}
    indexed = {id(node.slice) for node in ast.walk(tree) if isinstance(node, ast.Subscript)}
    return alone | keys | indexed


def main() -> None:
    """Print the counts; with --write keep the list."""
    for language in LANGUAGES[1:]:
        print(f"{language}: {len(found()) - len(missing(language))} of {len(found())} messages")
    if "--write" in sys.argv:
        LEFT.write_text(kept(), encoding="utf-8")


if __name__ == "__main__":
    main()
