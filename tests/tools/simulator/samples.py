"""The sample logs and what is true about them: the same bytes at every run."""

import gzip
import hashlib
from collections.abc import Mapping
from io import BytesIO
from pathlib import Path
from zipfile import ZIP_DEFLATED, ZipFile, ZipInfo

import numpy as np
import pandas as pd

from tests.tools.simulator.damage import damage
from tests.tools.simulator.dialects import DIALECTS, render
from tests.tools.simulator.scenario import Export, Sample, samples
from tests.tools.simulator.sitefile import site_toml
from tests.tools.simulator.truth import Truth, simulate

STICK_DATE = (2026, 10, 12, 9, 0, 0)  # of members in a zip, so that its bytes stay the same


def sample_files() -> tuple[dict[str, bytes], dict[str, bytes]]:
    """All files of `sample_logs/` that are generated, and of `samples-truth/`, by path."""
    logs: dict[str, bytes] = {}
    tables: dict[str, list[pd.DataFrame]] = {}
    for sample in samples():
        truth = simulate(sample.plan)
        files, exports = _exports(sample, truth)
        logs[f"{sample.plan.site}.toml"] = site_toml(sample.plan, sample.profiles).encode()
        logs |= files
        for name, table in {
            **truth_tables(truth),
            "exports": exports[0],
            "damage": exports[1],
        }.items():
            tables.setdefault(name, []).append(table)
    return logs, {f"{name}.csv": _csv(parts) for name, parts in tables.items()}


def write(files: Mapping[str, bytes], folder: Path) -> None:
    """Put files into a folder."""
    for name, data in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)


def _exports(
    sample: Sample, truth: Truth
) -> tuple[dict[str, bytes], tuple[pd.DataFrame, pd.DataFrame]]:
    files: dict[str, bytes] = {}
    told, damaged = [], []
    for number, export in enumerate(sample.exports):
        data, spoilt = _content(export, truth, np.random.default_rng([sample.plan.seed, number]))
        path = f"{sample.plan.site}/{export.chute}/{_packed_name(export)}"
        files[path] = _pack(export, data)
        name = path + (f"!{export.name}" if export.packed.endswith(".zip") else "")
        told.append((sample.plan.site, export.chute, name, export.dialect,
                     _lines(export, data), hashlib.sha256(data).hexdigest()))  # fmt: skip
        damaged += [(sample.plan.site, export.chute, name, line, what) for line, what in spoilt]
    lists = (
        pd.DataFrame(told, columns=["site", "chute", "name", "profile", "lines", "source"]),
        pd.DataFrame(damaged, columns=["site", "chute", "name", "line", "damage"]),
    )
    return files, lists


def _content(
    export: Export, truth: Truth, rng: np.random.Generator
) -> tuple[bytes, list[tuple[int, str]]]:
    data = render(truth, export.chute, export.dialect, export.start, export.end)
    if not export.damaged:
        return data, []
    return damage(data, export.dialect, DIALECTS[export.dialect].encoding, export.damaged, rng)


def _lines(export: Export, data: bytes) -> int:
    """Physical lines; of a workbook the rows down to the last one."""
    if not export.name.endswith(".xlsx"):
        return data.count(b"\n")
    with ZipFile(BytesIO(data)) as book:
        return book.read("xl/worksheets/sheet1.xml").count(b"<row ") + 1  # the second is blank


def _packed_name(export: Export) -> str:
    if export.packed == "gz":
        return f"{export.name}.gz"
    return export.packed or export.name


def _pack(export: Export, data: bytes) -> bytes:
    if not export.packed:
        return data
    out = BytesIO()
    if export.packed == "gz":
        with gzip.GzipFile("", "wb", 9, out, mtime=0) as packed:
            packed.write(data)
        return out.getvalue()
    with ZipFile(out, "w", ZIP_DEFLATED, compresslevel=9) as stick:
        member = ZipInfo(export.name, STICK_DATE)
        member.compress_type = ZIP_DEFLATED
        stick.writestr(member, data)
    return out.getvalue()


def truth_tables(truth: Truth) -> dict[str, pd.DataFrame]:
    """What is true of a sample, counted for comparing with what the analyzer finds."""
    return {
        "faults": truth.faults, "misuse": truth.misuse, "uses": _uses(truth),
        "lockouts": truth.lockouts, "lockouts-per-floor": _per_floor(truth),
        "fills": truth.fills, "services": truth.services, "power": truth.gaps,
        "clock": _clock(truth),
    }  # fmt: skip


def _uses(truth: Truth) -> pd.DataFrame:
    """Cycles per floor by outcome, visits by result, presses and refusals."""
    keys = ["site", "chute", "floor"]
    parts = [
        _count(truth.cycles, keys, "outcome", "cycles_"),
        _count(truth.cycles[truth.cycles["opened"].notna()], keys, "stream", "uses_"),
        _count(truth.visits, keys, "result", "visits_"),
        _count(truth.events[truth.events["signal"].isin(["press", "refusal"])], keys, "signal", ""),
    ]
    return pd.concat(parts, axis=1).fillna(0).astype(int).reset_index()


def _count(table: pd.DataFrame, keys: list[str], by: str, prefix: str) -> pd.DataFrame:
    text = table[[*keys, by]].astype(str)
    counts = text.groupby([*keys, by]).size().unstack(fill_value=0)
    return counts.add_prefix(prefix)


def _per_floor(truth: Truth) -> pd.DataFrame:
    """Lockouts, and episodes of lockouts within 10 minutes of one another, per floor."""
    table = truth.lockouts.astype({"floor": str}).sort_values(["chute", "floor", "start"])
    doors = table.groupby(["site", "chute", "floor"])
    apart = doors["start"].diff() > pd.Timedelta(minutes=10)
    first = doors.cumcount() == 0
    table = table.assign(episodes=(apart | first).astype(int), lockouts=1)
    return table.groupby(["site", "chute", "floor"], as_index=False)[["lockouts", "episodes"]].sum()


def _clock(truth: Truth) -> pd.DataFrame:
    sets = truth.events[truth.events["signal"] == "clock"]
    return sets[["site", "chute", "time", "value"]]


def _csv(parts: list[pd.DataFrame]) -> bytes:
    filled = [part for part in parts if len(part)] or parts[:1]
    table = pd.concat(filled, ignore_index=True)
    counts = [name for name in table.columns if name.startswith(("uses_", "cycles_", "visits_"))]
    table[counts] = table[counts].fillna(0).astype(int)
    front = [name for name in ("site", "chute") if name in table.columns]
    table = table[[*front, *table.columns.drop(front)]]
    return table.to_csv(
        index=False, lineterminator="\n", date_format="%Y-%m-%dT%H:%M:%S.%fZ", float_format="%.3f"
    ).encode()
