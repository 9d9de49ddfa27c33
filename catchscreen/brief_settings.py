"""What each setting of a brief is: its default, what it allows and what it means, read from the options classes.

New briefs and the README are written from here, so that neither can tell what the code does not.
"""

from __future__ import annotations

import ast
import inspect
import json
import textwrap
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import Any

from catchscreen.brief import OPTION_TABLES
from catchscreen.options import Options


@dataclass(frozen=True, slots=True)
class Setting:
    """One key of an option table.

    default : as TOML; "" when it is not set. rows : the default row by row, for a key that is a table of its own.
    allowed : words or range; "" when the type says it all.
    """

    table: str
    key: str
    default: str
    rows: tuple[tuple[str, str], ...]
    allowed: str
    meaning: str


def settings() -> Iterator[Setting]:
    """Go through every setting of every option table, in the order of the brief."""
    for table, model in OPTION_TABLES.items():
        meanings, schema = _meanings(model), model.model_json_schema()["properties"]
        for key, field in model.model_fields.items():
            default = field.get_default(call_default_factory=True)
            rows = tuple((name, as_toml(row)) for name, row in default.items()) if isinstance(default, Mapping) else ()
            plain = "" if default is None or isinstance(default, Mapping) else as_toml(default)
            yield Setting(table, key, plain, rows, _allowed(schema[key]), meanings[key])


def as_toml(value: Any) -> str:
    """Write a plain value as TOML.

    Raises
    ------
    TypeError
        For what is neither a number, a text, a flag nor a list of these.
    """
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int | float):
        return f"{value:g}"
    if isinstance(value, str):
        return quoted(value)
    if isinstance(value, tuple | list):
        return f"[{', '.join(as_toml(part) for part in value)}]"
    raise TypeError(f"no TOML for a {type(value).__name__}")


def quoted(value: str) -> str:
    """Write a text as TOML; its basic strings escape as JSON does."""
    return json.dumps(value, ensure_ascii=False)


def _allowed(schema: Mapping[str, Any]) -> str:
    """Say which words or numbers a key allows, from its JSON schema."""
    if "anyOf" in schema:
        return " or ".join(said for said in map(_allowed, schema["anyOf"]) if said)
    if "enum" in schema:
        return ", ".join(schema["enum"])
    if schema.get("type") == "array":
        of_each = {_allowed(item) for item in schema.get("prefixItems", [schema.get("items", {})])}
        return of_each.pop() if len(of_each) == 1 else ""
    low, above = schema.get("minimum"), schema.get("exclusiveMinimum")
    high = schema.get("maximum")
    if low is not None and high is not None:
        return f"{low:g} to {high:g}"
    least = f"{low:g} or more" if low is not None else f"above {above:g}" if above is not None else ""
    return f"{least}, at most {high:g}" if least and high is not None else least


@lru_cache(maxsize=16)
def _meanings(model: type[Options]) -> Mapping[str, str]:
    """Return the text that stands under each field in the source of an options class."""
    tree = ast.parse(textwrap.dedent(inspect.getsource(model)))
    body = getattr(tree.body[0], "body", [])
    texts: dict[str, str] = {}
    for field, under in pairwise(body):
        if isinstance(field, ast.AnnAssign) and isinstance(field.target, ast.Name) and isinstance(under, ast.Expr):
            value = getattr(under.value, "value", None)
            if isinstance(value, str):
                texts[field.target.id] = " ".join(value.split())
    return texts
