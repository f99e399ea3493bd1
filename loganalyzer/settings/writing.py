"""Values as TOML writes them."""

import json


def quoted(text: str) -> str:
    """A string: literal where it can be, so that patterns stay readable."""
    if "'" in text or not text.isprintable():
        return _escaped(text)
    return f"'{text}'" if "\\" in text or '"' in text else f'"{text}"'


def key(name: str) -> str:
    """A key: always quoted, as labels are written in profiles."""
    return _escaped(name)


def _escaped(text: str) -> str:
    """JSON's strings are TOML's basic strings, but for DEL. Source: TOML 1.0, "String"."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007F")
