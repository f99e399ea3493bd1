"""A sentence as JSON and back, so that a kept one can still be told in another language."""

import json
from typing import Any

import pandas as pd

from loganalyzer.language import Phrase


def written(text: str) -> str:
    """A text as JSON: a phrase with its template and its values."""
    return json.dumps(_plain(text), ensure_ascii=False, separators=(",", ":"))


def read(text: str) -> str:
    """The text that `written` wrote."""
    return str.__str__(found) if type(found := _back(json.loads(text))) is str else found


def _plain(value: Any) -> Any:
    if isinstance(value, Phrase):
        values = {name: _plain(one) for name, one in value.values.items() if name != "noun"}
        return {"t": value.template, "v": values, "n": value.nouns}
    if isinstance(value, pd.Timestamp):
        return {"at": value.isoformat()}
    if hasattr(value, "isoformat"):
        return {"at": pd.Timestamp(value).isoformat()}
    return value.item() if hasattr(value, "item") else value


def _back(value: Any) -> Any:
    if not isinstance(value, dict):
        return value
    if "at" in value:
        return pd.Timestamp(value["at"])
    values = {name: _back(one) for name, one in value["v"].items()}
    return Phrase(value["t"], values, tuple(value["n"]) if value["n"] else None)
