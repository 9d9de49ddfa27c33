"""Write into README.md what the code knows best: inputs and settings of a brief, layers and columns of a result."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from itertools import groupby
from operator import attrgetter
from pathlib import Path

from catchscreen.brief_settings import settings
from catchscreen.inputs.described import InputRole, input_roles
from catchscreen.outputs.columns import as_markdown
from catchscreen.outputs.schema import layers_for

README = Path(__file__).parents[1] / "README.md"


def columns_of_the_result() -> str:
    """Return the layers and tables of a result with their columns."""
    return as_markdown(layers_for([("<measure>", "a measure")]).values())


def inputs_of_a_brief() -> str:
    """Return a table of the roles that a brief can give."""
    rows = [
        "| input | shapes | columns, and what they hold | further keys | when it is not given |",
        "|---|---|---|---|---|",
    ]
    return "\n".join([*rows, *map(_input_row, input_roles()), ""])


def _input_row(role: InputRole) -> str:
    name = f"`[[{role.name}]]`" if role.is_repeatable else f"`[{role.name}]`"
    columns = "; ".join(f"`{column}` {said}" for column, said in role.columns)
    absent = "**required**" if role.is_required else role.absent
    return f"| {name} | {role.shapes} | {columns} | {', '.join(f'`{key}`' for key in role.keys)} | {absent} |"


def settings_of_a_brief() -> str:
    """Return a table of settings for each option table of a brief."""
    lines: list[str] = []
    for table, rows in groupby(settings(), key=attrgetter("table")):
        lines += [f"**[{table}]**", "", "| key | default | allowed | meaning |", "|---|---|---|---|"]
        for row in rows:
            default = f"`{row.default}`" if row.default else "; ".join(f"{name} {value}" for name, value in row.rows)
            lines.append(f"| `{row.key}` | {default} | {row.allowed} | {row.meaning.replace('|', chr(92) + '|')} |")
        lines.append("")
    return "\n".join(lines)


BLOCKS: Mapping[str, Callable[[], str]] = {
    "inputs": inputs_of_a_brief,
    "settings": settings_of_a_brief,
    "columns": columns_of_the_result,
}


def with_tables(text: str) -> str:
    """Return the README with its tables as the code has them now."""
    for name, written in BLOCKS.items():
        begin, end = f"<!-- {name}: begin -->\n", f"<!-- {name}: end -->"
        before, rest = text.split(begin, 1)
        text = f"{before}{begin}\n{written()}\n{end}{rest.split(end, 1)[1]}"
    return text


if __name__ == "__main__":
    README.write_text(with_tables(README.read_text(encoding="utf-8")), encoding="utf-8", newline="\n")
