"""Values as TOML writes them."""

import json


def quoted(text: str) -> str:
    """A string: literal where it can be, so that patterns stay readable."""
    if "'" in text or not text.isprintable():
        return json.dumps(text, ensure_ascii=False)
    return f"'{text}'" if "\\" in text or '"' in text else f'"{text}"'


def key(name: str) -> str:
    """A key: always quoted, as labels are written in profiles."""
    return json.dumps(name, ensure_ascii=False)
