"""What is claimed and the lines behind it: numbers in the text, the lines at the sheet's end."""

from collections.abc import Iterable, Mapping, Sequence

import pandas as pd

from dashboards.reports.sheet import Points, Raw, Section, Words
from loganalyzer.facts import DOOR
from loganalyzer.language import phrase
from loganalyzer.sentences import count
from loganalyzer.store import Store
from loganalyzer.views import Analysis, Finding, hidden_doors
from loganalyzer.views.summary import QUIET

ON_THE_COVER = ("not_recorded", "rejected_lines")  # kinds of findings that the cover tells
A_CLAIM = 2  # lines that one claim names
Reference = tuple[str, int]  # source, line


class Claims:
    """Gathers references while a sheet is written; the same line has one number."""

    def __init__(self, store: Store, analysis: Analysis, who: str) -> None:
        """Begin a sheet for one of `tables.AUDIENCES`; a manager sees no line of a small floor."""
        self._store = store
        self._numbers: dict[Reference, int] = {}
        self._hidden = _lines_of_small_floors(analysis) if who == "manager" else frozenset()

    def cite(self, evidence: Iterable[str], most: int = A_CLAIM) -> tuple[int, ...]:
        """The numbers of the first lines of some `source:line`."""
        shown = [ref for ref in map(_reference, evidence) if ref not in self._hidden]
        return tuple(self._numbers.setdefault(ref, len(self._numbers) + 1) for ref in shown[:most])

    def points(self, findings: Sequence[Finding]) -> Points:
        """Sentences, each with the numbers of its lines and how many observations it rests on."""
        return Points([(_with_n(one), self.cite(one.evidence)) for one in findings])

    def section(self, site: str) -> Section | None:
        """The lines that were named, as the controllers wrote them; None where none were."""
        if not self._numbers:
            return None
        names = _names(self._store, site)
        texts = {
            source: self._store.lines(source, [line for s, line in self._numbers if s == source])
            for source in dict.fromkeys(source for source, _ in self._numbers)
        }
        raw = [
            (str(number), names.get(source, source), line, texts[source].get(line, ""))
            for (source, line), number in self._numbers.items()
        ]
        said = phrase(
            "As the controllers wrote them, with file and line. Nothing in this report rests on "
            "anything else; the full evidence of an incident: loganalyzer evidence."
        )
        return Section(phrase("The lines behind it"), [Words(said, "muted"), Raw(raw)])


def loud(findings: Sequence[Finding], who: str) -> list[Finding]:
    """What asks somebody for something."""
    quiet = (*QUIET, *ON_THE_COVER)
    return [one for one in findings if one.who == who and one.kind not in quiet]


def calm(findings: Sequence[Finding], who: str) -> list[Finding]:
    """What tells how things are."""
    return [
        one
        for one in findings
        if one.who == who and one.kind in QUIET and one.kind not in ON_THE_COVER
    ]


def file_name(name: str) -> str:
    """An export's name without the folders of the machine that imported it.

    A member of an archive keeps its place in it, after the archive's name and a "!".
    """
    archive, mark, member = name.replace("\\", "/").partition("!")
    return archive.rsplit("/", 1)[-1] + mark + member


def _with_n(finding: Finding) -> str:
    if finding.n is None:
        return finding.sentence
    return phrase("{sentence} n = {n}.", sentence=phrase(finding.sentence), n=count(finding.n))


def _reference(text: str) -> Reference:
    source, _, line = text.rpartition(":")
    return source, int(line)


def _names(store: Store, site: str) -> Mapping[str, str]:
    imports = store.imports(site)
    return {
        str(source): file_name(str(name))
        for source, name in zip(imports["source"], imports["name"], strict=True)
    }


def _lines_of_small_floors(analysis: Analysis) -> frozenset[Reference]:
    small = hidden_doors(analysis)
    rows = analysis.timeline[[*DOOR, "source", "line"]]
    rows = rows[rows["floor"].astype("str").isin({floor for _, _, floor in small})]
    doors = pd.MultiIndex.from_frame(rows[DOOR].astype("str"))
    rows = rows[doors.isin(list(small))]
    return frozenset(zip(rows["source"].astype("str"), rows["line"].tolist(), strict=True))
