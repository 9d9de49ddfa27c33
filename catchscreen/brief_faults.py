"""Faults in a brief, said with the line, the key, what was found, what is allowed and the nearest valid key."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Mapping
from typing import Any, Final

from pydantic import BaseModel, ValidationError

from catchscreen.errors import Fault

MOST_KEYS_SHOWN: Final = 10

KeyPath = tuple[str | int, ...]

_KEY: Final = re.compile(r"""\s*(?:"((?:[^"\\]|\\.)*)"|'([^']*)'|([A-Za-z0-9_-]+))\s*(\.|=|\]|$)""")


def key_lines(text: str) -> dict[KeyPath, int]:
    """Return the line (from 1) on which each key and table of a TOML text begins.

    Keys inside inline tables are not listed: they stand on the line of the key that opens them.
    """
    lines: dict[KeyPath, int] = {}
    counts: dict[KeyPath, int] = {}
    table: KeyPath = ()
    depth, quote = 0, ""
    for number, line in enumerate(text.splitlines(), start=1):
        if depth == 0 and not quote:
            stripped = line.strip()
            if stripped.startswith("["):
                table = _table_path(stripped, counts)
                lines.setdefault(table, number)
                continue
            names = _names(line, "=")
            if names:
                for place in range(1, len(names) + 1):
                    lines.setdefault((*table, *names[:place]), number)
        depth, quote = _scan_values(line, depth, quote)
    return lines


def _names(text: str, closing: str) -> KeyPath:
    """Read a dotted key up to ``closing``; an empty tuple when the text is no key."""
    names: list[str | int] = []
    place = 0
    while match := _KEY.match(text, place):
        names.append(next(group for group in match.groups()[:3] if group is not None))
        place = match.end()
        if match.group(4) == closing:
            return tuple(names)
        if match.group(4) != ".":
            break
    return ()


def _table_path(header: str, counts: dict[KeyPath, int]) -> KeyPath:
    """Return the path of a table header, with the number of the element for an array of tables."""
    many = header.startswith("[[")
    names = _names(header[2:] if many else header[1:], "]")
    path: KeyPath = ()
    for place, name in enumerate(names):
        path = (*path, name)
        last = place == len(names) - 1
        if many and last:
            counts[path] = counts.get(path, -1) + 1
        if path in counts:
            path = (*path, counts[path])
    return path


def _scan_values(line: str, depth: int, quote: str) -> tuple[int, str]:
    """Follow brackets and multi-line strings through one line; return the depth and the open triple quote."""
    place = 0
    while place < len(line):
        if quote:
            end = line.find(quote, place)
            if end < 0:
                return depth, quote
            place, quote = end + 3, ""
            continue
        char = line[place]
        if line.startswith(('"""', "'''"), place):
            quote, place = line[place : place + 3], place + 3
            continue
        if char in "\"'":
            end = place + 1
            while end < len(line) and line[end] != char:
                end += 2 if line[end] == "\\" and char == '"' else 1
            place = end
        elif char == "#":
            break
        elif char in "[{":
            depth += 1
        elif char in "]}":
            depth = max(depth - 1, 0)
        place += 1
    return depth, quote


def line_of(lines: Mapping[KeyPath, int], path: KeyPath) -> int | None:
    """Return the line of a key, or of the closest table around it."""
    for length in range(len(path), 0, -1):
        if path[:length] in lines:
            return lines[path[:length]]
    inner = [line for key, line in lines.items() if path and key[: len(path)] == path]
    return min(inner, default=None)


def said_key(path: KeyPath) -> str:
    """Write a key path as people do: ``constraints[2].rule``, counted from 1."""
    text = ""
    for part in path:
        text += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if text else part
    return text


def unknown_key(path: KeyPath, allowed: Iterable[str], homes: Mapping[str, Iterable[str]]) -> tuple[str, str]:
    """Return message and cure for a key that does not exist: the nearest valid key, or the table it belongs to.

    ``homes`` maps each table to its keys.
    """
    key = str(path[-1])
    valid = sorted(allowed)
    message = f'"{key}" is not a key here.'
    elsewhere = [table for table, keys in homes.items() if key in keys]
    near = difflib.get_close_matches(key.lower(), valid, n=1, cutoff=0.6)
    if near:
        return message, f'Did you mean "{near[0]}"? {_keys_like(key, valid)}'
    if elsewhere:
        return message, f"It belongs in [{elsewhere[0]}]. {_keys_like(key, valid)}"
    return message, _keys_like(key, valid)


def _keys_like(key: str, valid: list[str]) -> str:
    """List the keys that are allowed: all of a short list, of a long one those that read most like the given key."""
    if len(valid) <= MOST_KEYS_SHOWN:
        return f"Allowed here: {', '.join(valid)}."
    likeness = {name: difflib.SequenceMatcher(None, key.lower(), name).ratio() for name in valid}
    shown = sorted(valid, key=lambda name: (-likeness[name], name))[:MOST_KEYS_SHOWN]
    more = f"{len(valid) - len(shown)} more (a brief made by `new` lists them)"
    return f"Allowed here: {', '.join(sorted(shown))} and {more}."


def _allowed(kind: str, context: Mapping[str, Any], plain: str) -> str:
    """Say what is allowed, for a pydantic error type."""
    numbers = {
        "greater_than": ("gt", "a number above {}"),
        "greater_than_equal": ("ge", "a number of at least {}"),
        "less_than": ("lt", "a number below {}"),
        "less_than_equal": ("le", "a number of at most {}"),
        "literal_error": ("expected", "{}"),
        "too_short": ("min_length", "at least {} values"),
        "too_long": ("max_length", "at most {} values"),
    }
    if kind in numbers:
        name, form = numbers[kind]
        value = context.get(name)
        said = form.format(f"{value:g}" if isinstance(value, int | float) else value)
        return said.removesuffix("s") if kind.startswith("too_") and value == 1 else said
    words = {
        "float_type": "a number",
        "float_parsing": "a number",
        "finite_number": "a finite number",
        "int_type": "a whole number",
        "int_parsing": "a whole number",
        "int_from_float": "a whole number",
        "bool_type": "true or false",
        "bool_parsing": "true or false",
        "string_type": "a text in quotes",
        "tuple_type": "a list in square brackets",
        "list_type": "a list in square brackets",
        "dict_type": "a table",
        "model_type": "a table",
    }
    return words.get(kind, plain[0].lower() + plain[1:])


_RANGE_TYPES: Final = frozenset(
    [
        *("greater_than", "greater_than_equal", "less_than", "less_than_equal", "literal_error"),
        *("too_short", "too_long", "wrong_length", "finite_number"),
    ]
)


class FaultList:
    """Faults of one brief as they are found, each with its line."""

    def __init__(self, file: str | None, lines: Mapping[KeyPath, int], homes: Mapping[str, Iterable[str]]) -> None:
        self.file = file
        self.lines = lines
        self.homes = homes
        self.faults: list[Fault] = []

    def add(self, code: str, path: KeyPath, message: str, cure: str) -> None:
        """Keep one fault at a key path."""
        self.faults.append(
            Fault(code, message, cure, file=self.file, line=line_of(self.lines, path), key=said_key(path) or None)
        )

    def add_unknown(self, path: KeyPath, allowed: Iterable[str]) -> None:
        """Keep a fault for a key that does not exist."""
        self.add("unknown-key", path, *unknown_key(path, allowed, self.homes))

    def add_invalid(self, error: ValidationError, model: type[BaseModel], path: KeyPath) -> None:
        """Keep one fault for each thing that pydantic found wrong in the table at ``path``."""
        found = [item for item in error.errors(include_url=False) if not _follows_from_another(item)]
        for item in _missing_places_joined(found):
            inner = tuple(part for part in item["loc"] if part != "[key]")
            where, kind = (*path, *inner), item["type"]
            if kind == "extra_forbidden":
                self.add_unknown(where, _keys_at(model, inner[:-1]))
            elif kind == "missing":
                self.add("missing-key", where, f'"{inner[-1]}" is missing.', "Add it.")
            elif kind in ("value_error", "assertion_error"):
                text = item["msg"].partition(", ")[2]
                self.add(
                    "out-of-range", where, text[:1].upper() + text[1:].rstrip(".") + ".", "Change it or leave it out."
                )
            else:
                code = "out-of-range" if kind in _RANGE_TYPES else "wrong-type"
                allowed = _allowed(kind, item.get("ctx", {}), item["msg"])
                self.add(code, where, f"Found {_shown(item['input'])}.", f"Allowed: {allowed}.")


def _follows_from_another(item: Mapping[str, Any]) -> bool:
    """Tell whether a list is called too short only because one of its values is at fault, which is said already."""
    given = item["input"]
    is_list = item["type"] == "too_short" and isinstance(given, list | tuple)
    return is_list and len(given) >= item.get("ctx", {}).get("min_length", 0)


def _missing_places_joined(items: Iterable[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """Make one fault of a list of fixed length that lacks values, where pydantic names each place."""
    joined: dict[tuple[Any, ...], Mapping[str, Any]] = {}
    for item in items:
        where = tuple(item["loc"])
        if item["type"] == "missing" and isinstance(where[-1], int):
            length = {"type": "wrong_length", "loc": where[:-1], "msg": f"{where[-1] + 1} values", "ctx": {}}
            joined[(*where[:-1], "wrong_length")] = {**item, **length}
        else:
            joined[(*where, item["type"])] = item
    return list(joined.values())


def _keys_at(model: type[BaseModel], inner: KeyPath) -> list[str]:
    """Return the keys allowed in a model or in a model nested in it."""
    current: Any = model
    for part in inner:
        nested = current.model_fields.get(str(part)) if hasattr(current, "model_fields") else None
        annotation = nested.annotation if nested is not None else None
        if isinstance(annotation, type) and issubclass(annotation, BaseModel):
            current = annotation
    return [field.alias or name for name, field in current.model_fields.items()]


def _shown(value: Any) -> str:
    """Show a found value, shortened, texts in quotes."""
    text = f'"{value}"' if isinstance(value, str) else str(value).lower() if isinstance(value, bool) else str(value)
    return text if len(text) <= 60 else text[:57] + "..."
