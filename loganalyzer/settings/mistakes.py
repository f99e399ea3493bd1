"""What is wrong in a settings file, told in one line a mistake.

A line says where (file and key path as a person reads it), what stands there, what is allowed
and what to write instead; where a word looks like an allowed one, that one is proposed.
"""

import json
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from tomllib import TOMLDecodeError
from typing import Any, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails, PydanticCustomError

from loganalyzer.errors import SettingsError

Path = tuple[str | int, ...]
UNITS = {"_s": "seconds", "_l": "litres", "_m": "metres", "_m3": "kilograms a cubic metre"}


@dataclass(frozen=True)
class Mistake:
    """One mistake that a check of ours found.

    Attributes:
        path: Its key path below the table that was checked.
        found: What stands there.
        expected: What is allowed.
        fix: What to write there (TOML), or None; with `whole` a sentence of its own.
        whole: See `fix`.
    """

    path: Path
    found: str
    expected: str
    fix: str | None
    whole: bool = False


def refuse(mistakes: Sequence[Mistake]) -> None:
    """Inside a validator: make these, if any, errors of the table or key being checked."""
    if mistakes:
        raise PydanticCustomError("mistakes", "see its context", {"mistakes": list(mistakes)})


def nearest(word: str, allowed: Iterable[str]) -> str | None:
    """The allowed word that looks most like this one, letter case ignored; None if none does."""
    folded = {choice.casefold(): choice for choice in allowed}
    close = get_close_matches(word.casefold(), folded, n=1, cutoff=0.6)
    return folded[close[0]] if close else None


def toml(value: Any) -> str:
    """A value as one writes it in TOML; a table or a long list by its kind only."""
    if isinstance(value, str):
        return f"'{value if len(value) <= 60 else value[:57] + '...'}'"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, list | tuple):
        return "a list" if value else "an empty list"
    return str(value)


def syntax_error(
    problem: TOMLDecodeError, text: str, file: str, error: type[SettingsError]
) -> SettingsError:
    """Where a text stops being TOML, by line and column."""
    message, _, _ = str(problem).partition(" (at ")
    place = re.search(r"line (\d+), column (\d+)", str(problem))
    lines = text.splitlines() or [""]
    line, column = map(int, place.groups()) if place else (len(lines), len(lines[-1]) + 1)
    written = lines[min(line, len(lines)) - 1].strip()
    fix = "Write text in double quotes, patterns in single quotes, one key a line"
    if "overwrite" in message or "twice" in message:
        fix = "Give each key and each [table] once; several of a kind stand in [[double brackets]]"
    where = f"{file}: line {line}, column {column}"
    return error(where, f"{toml(written)} ({message[:1].lower()}{message[1:]})", "TOML", fix)


def told(
    problem: ValidationError, model: type[BaseModel], raw: Any, file: str,
    error: type[SettingsError],
) -> SettingsError:  # fmt: skip
    """All mistakes of a file as one error: the first, with a line for each.

    Args:
        problem: What the models said.
        model: The model of the whole file.
        raw: The file's content, for the names in the key paths.
        file: Its name.
        error: The class to make.
    """
    details = problem.errors(include_url=False)
    unknown = {d["loc"]: _meant(model, d["loc"]) for d in details if d["type"] == "extra_forbidden"}
    misspelt = {(*loc[:-1], meant) for loc, meant in unknown.items() if meant}
    parts = [
        four
        for detail in details
        if not (detail["type"] == "missing" and detail["loc"] in misspelt)
        for four in _parts(detail, model, raw, file)
    ]
    first, *others = [error(*four) for four in parts]
    return error(*parts[0], others) if others else first


Four = tuple[str, str, str, str]


def _parts(detail: ErrorDetails, model: type[BaseModel], raw: Any, file: str) -> list[Four]:
    loc, kind, value = detail["loc"], detail["type"], detail["input"]
    if kind == "mistakes":
        return [
            (
                _where(file, loc + m.path, raw), m.found, m.expected,
                m.fix if m.whole and m.fix else _write(loc + m.path, m.fix),
            )
            for m in detail["ctx"]["mistakes"]
        ]  # fmt: skip
    if kind == "extra_forbidden":
        keys, meant = _keys(model, loc[:-1]), _meant(model, loc)
        fix = f"Write {_heading((*loc[:-1], meant), model)}" if meant else "Remove it"
        where = _where(file, loc[:-1], raw)
        return [(where, f"unknown key {toml(str(loc[-1]))}", _listed(keys), fix)]
    field = _field(model, loc)
    if kind == "missing":
        where = _where(file, loc[:-1], raw)
        return [(where, f"no {loc[-1]}", _expected(kind, loc, field), _add(loc, model))]
    fix = _write(loc, _instead(kind, value, field))
    if kind == "tuple_type" and isinstance(value, Mapping):
        fix = f"Write {_heading(loc, model)}"
    return [(_where(file, loc, raw), toml(value), _expected(kind, loc, field), fix)]


def _expected(kind: str, loc: Path, field: FieldInfo | None) -> str:
    if kind == "missing":
        return (field.description if field else None) or "one"
    if kind.startswith(("int", "float", "greater", "finite")):
        return _number(str(loc[-1]), field)
    if kind == "string_pattern_mismatch":
        return "letters, digits, '-' and '_'"
    several = field is not None and _model(field.annotation) is not None
    return {
        "string_type": "text in quotes",
        "string_too_short": "some text",
        "string_too_long": "one character",
        "bool_type": "true or false",
        "tuple_type": "tables in double brackets" if several else "a text, or several in a list",
        "model_type": "a table of keys",
        "mapping_type": "a table of keys",
        "dict_type": "a table of keys",
    }.get(kind, "something else")


def _number(key: str, field: FieldInfo | None) -> str:
    """What kind of number a key takes, by its unit and its field's bounds."""
    shape = repr(field)  # an optional field hides its bounds inside a union
    unit = next((f" of {unit}" for end, unit in UNITS.items() if key.endswith(end)), "")
    above = " above 0" if "Gt(gt=0)" in shape else " from 0" if "Ge(ge=0)" in shape else ""
    return f"a {'whole ' if 'Annotated[int' in shape or '=int' in shape else ''}number{unit}{above}"


def _instead(kind: str, value: Any, field: FieldInfo | None) -> str | None:
    """What to write instead, as TOML; None where nothing better than the rule is known."""
    wants_text = kind == "string_type"
    if wants_text and isinstance(value, int | float) and not isinstance(value, bool):
        return json.dumps(str(value))
    number = re.match(r"\s*(\d+(?:\.\d+)?)", value) if isinstance(value, str) else None
    if number and float(number[1]) > 0 and kind in ("float_type", "int_type"):
        return number[1]
    default = None if field is None else field.get_default()
    if isinstance(default, int | float) and not isinstance(default, bool) and not wants_text:
        return str(default)
    examples = field.examples if field is not None else None
    return json.dumps(examples[0], ensure_ascii=False) if examples else None


def _write(loc: Path, value: str | None) -> str:
    name = next((part for part in reversed(loc) if isinstance(part, str)), "it")
    if value is None:
        return f"Change {_key(name)}"
    return f"Write {_key(name)} = {value}" if loc and isinstance(loc[-1], str) else f"Write {value}"


def _add(loc: Path, model: type[BaseModel]) -> str:
    field = _field(model, loc)
    if field is not None and _model(field.annotation) is not None:
        return f"Add {_heading(loc, model)}"
    examples = field.examples if field is not None else None
    example = json.dumps(examples[0], ensure_ascii=False) if examples else "..."
    return f"Add {_key(str(loc[-1]))} = {example}"


def _heading(loc: Path, model: type[BaseModel]) -> str:
    """A key, or the heading of a table or list of tables, as it stands in the file."""
    field = _field(model, loc)
    if field is None or _model(field.annotation) is None:
        return _key(str(loc[-1]))
    keys = ".".join(part for part in loc if isinstance(part, str))
    return f"[[{keys}]]" if "tuple" in str(field.annotation) else f"[{keys}]"


def _where(file: str, loc: Path, raw: Any) -> str:
    """The file and the key path: `site.toml: chute "A", limits.quiet_s`."""
    pieces: list[str] = []
    fresh = True
    for part in loc:
        if str(part).startswith("@"):  # a key that does not stand in the file
            continue
        raw = _below(raw, part)
        if isinstance(part, int):
            label = next((raw[k] for k in ("id", "label", "name") if _has(raw, k)), None)
            pieces[-1] += f' "{label}"' if label is not None else f" {part + 1}"
            fresh = True
        elif fresh or not pieces:
            pieces.append(_key(part))
            fresh = False
        else:
            pieces[-1] += f".{_key(part)}"
    return ": ".join([file, ", ".join(pieces)] if pieces else [file])


def _has(table: Any, key: str) -> bool:
    return isinstance(table, Mapping) and isinstance(table.get(key), str)


def _below(raw: Any, part: str | int) -> Any:
    try:
        return raw[part]
    except (KeyError, IndexError, TypeError):
        return None


def _key(part: str) -> str:
    return part if re.fullmatch(r"[A-Za-z0-9_-]+", part) else json.dumps(part, ensure_ascii=False)


def _listed(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} or {words[-1]}"


def _meant(model: type[BaseModel], loc: Path) -> str | None:
    return nearest(str(loc[-1]), _keys(model, loc[:-1]))


def _keys(model: type[BaseModel], loc: Path) -> list[str]:
    """The keys that may stand in the table at this path."""
    field = _field(model, loc)
    table = model if not loc else _model(field.annotation) if field is not None else None
    return [key for key in _aliases(table) if not key.startswith("@")] if table else []


def _field(model: type[BaseModel], loc: Path) -> FieldInfo | None:
    """The field that a key path ends in; None where it ends in a free key or an item of texts."""
    table: type[BaseModel] | None = model
    field: FieldInfo | None = None
    free = False  # whether the next key is anyone's choice, as a code's in [codes]
    for part in loc:
        if free:
            free = False
            continue
        if isinstance(part, str):
            field = _aliases(table).get(part) if table else None
        elif table is None:
            field = None
        table = _model(field.annotation) if field is not None else table
        free = field is not None and get_origin(field.annotation) is Mapping
    return field


def _aliases(table: type[BaseModel]) -> dict[str, FieldInfo]:
    return {str(f.validation_alias or name): f for name, f in table.model_fields.items()}


def _model(annotation: Any) -> type[BaseModel] | None:
    """The table that a field holds, one or many of; None for plain values."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((m for m in map(_model, get_args(annotation)) if m is not None), None)
