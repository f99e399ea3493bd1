"""Exports in shapes that drafting had not been tried on, written before it was run on them."""

import io
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from itertools import pairwise

from openpyxl import Workbook

from tests.tools.dialects.lines import Line
from tests.tools.dialects.writers import Stamp, Written

MONTHS = {
    "de": "Jan.|Feb.|März|Apr.|Mai|Juni|Juli|Aug.|Sept.|Okt.|Nov.|Dez.",
    "fr": "janvier|février|mars|avril|mai|juin|juillet|août|septembre|octobre|novembre|décembre",
}


def month_stamp(language: str, form: str) -> Stamp:
    """A stamp with the month's name; `form` has {month} and directives of strftime."""
    names = MONTHS[language].split("|")
    return lambda line: line.at.strftime(form.replace("{month}", names[line.at.month - 1]))


def _done(texts: Sequence[str], rows: Sequence[Line], head: int, ending: str) -> Written:
    truth = {n: () if one.says is None else (one.says,) for n, one in enumerate(rows, head + 1)}
    times = {n: one.at for n, one in enumerate(rows, head + 1)}
    return Written(("\n".join(texts) + "\n").encode(), ending, truth, times)


def _value(line: Line, decimal: str = ".") -> str:
    return "" if line.value is None else f"{line.value:.1f}".replace(".", decimal)


def told(rows: Sequence[Line], stamp: Stamp) -> Written:
    """Whole sentences behind a stamp."""
    texts = [
        f"{stamp(line)} {line.text.format(**_fields(line))}" for line in rows
    ]  # fmt: skip
    return _done(texts, rows, 0, ".txt")


def _fields(line: Line) -> dict[str, str]:
    return {
        "floor": line.floor, "on": f" on landing {line.floor}" if line.floor else "",
        "stream": line.stream, "code": line.code or "-", "value": _value(line)
    }  # fmt: skip


def tags(rows: Sequence[Line], stamp: Stamp, delimiter: str, names: str) -> Written:
    """An input's name, with its floor, in one column and its state in another."""
    texts = [names]
    for line in rows:
        thing, _, state = line.text.partition("|")
        tag = f"{thing} {line.floor}".strip()
        cells = (stamp(line), tag, state, line.stream, line.code, _value(line))
        texts.append(delimiter.join(cells))
    return _done(texts, rows, 1, ".csv")


def things(rows: Sequence[Line], stamp: Stamp) -> Written:
    """JSON-like objects would be the same: thing and state apart, the place beside them."""
    texts = ["Data e hora;Local;Elemento;Estado;Fração;Detalhe;Valor"]
    for line in rows:
        thing, _, state = line.text.partition("|")
        cells = (stamp(line), line.floor, thing, state, line.stream, line.code, _value(line, ","))
        texts.append(";".join(cells))
    return _done(texts, rows, 1, ".csv")


def pairs_of_keys(rows: Sequence[Line], stamp: Stamp) -> Written:
    """key=value, texts in quotes."""
    texts = []
    for line in rows:
        text = f'zeit={stamp(line)} meldung="{line.text}"'
        for name, value in (("geschoss", line.floor), ("stoff", line.stream),
                            ("grund", line.code), ("wert", _value(line))):  # fmt: skip
            text += f' {name}="{value}"' if " " in value else f" {name}={value}" if value else ""
        texts.append(text)
    return _done(texts, rows, 0, ".log")


def second_sheet(rows: Sequence[Line], names: str) -> Written:
    """A workbook whose first sheet is a cover; the log stands in the second."""
    book = Workbook(write_only=True)
    cover = book.create_sheet("Portada")
    cover.append(["Informe de sucesos"])
    cover.append(["Edificio", "Torre"])
    cover.append(["Periodo", "febrero"])
    page = book.create_sheet("Sucesos")
    page.append(names.split("|"))
    for line in rows:
        page.append([
            line.at.replace(microsecond=0), line.floor or None, line.stream or None, line.text,
            line.code or None, line.value,
        ])  # fmt: skip
    out = io.BytesIO()
    book.save(out)
    truth = {n: () if one.says is None else (one.says,) for n, one in enumerate(rows, 2)}
    return Written(out.getvalue(), ".xlsx", truth, {n: one.at for n, one in enumerate(rows, 2)})


def uptimes(rows: Sequence[Line], form: str) -> Written:
    """Seconds since the power-on; `form` has {up}, {text}, {floor}, {stream}, {code}, {value}.

    A clock set tells the wall clock instead of what was added.
    """
    start = rows[0].utc - timedelta(seconds=5)
    texts, times = [], {}
    for n, line in enumerate(rows, 1):
        if line.kind == "power on":
            start = line.utc
        up = (line.utc - start).total_seconds()
        value = f"{line.at:%Y-%m-%d %H:%M:%S}" if line.kind == "clock mark" else _value(line)
        fields = _fields(line) | {"value": value, "code": line.code}
        texts.append(" ".join(form.format(up=f"{up:.1f}", text=line.text, **fields).split()))
        times[n] = datetime(1970, 1, 1) + timedelta(seconds=round(up, 1))  # noqa: DTZ001
    return Written(
        _done(texts, rows, 0, ".log").data, ".log", _done(texts, rows, 0, "").truth, times
    )


def glued(rows: Sequence[Line], stamp: Stamp) -> Written:
    """A number for what happened and the floor's in one word, 99 where there is none."""
    texts = []
    for line in rows:
        where = line.floor or "99"
        rest = " ".join(one for one in (line.stream, line.code, _value(line)) if one)
        texts.append(f"{stamp(line)} {line.text}-{where} {rest}".rstrip())
    return _done(texts, rows, 0, ".txt")


def newest_first(rows: Sequence[Line], stamp: Callable[[Line], object], delimiter: str) -> Written:
    """The last event on top, without a header."""
    texts = []
    turned = list(reversed(rows))
    for line in turned:
        cells = (stamp(line), line.text, line.floor, line.stream, line.code, _value(line))
        texts.append(delimiter.join(map(str, cells)))
    assert all(one.number > other.number for one, other in pairwise(turned))
    return _done(texts, turned, 0, ".csv")
