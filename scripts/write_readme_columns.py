"""Write the table of layers and columns into README.md, from the schema that names them all."""

from __future__ import annotations

from pathlib import Path

from catchscreen.outputs.columns import as_markdown
from catchscreen.outputs.schema import layers_for

BEGIN, END = "<!-- columns: begin -->\n", "<!-- columns: end -->"
README = Path(__file__).parents[1] / "README.md"


def with_columns(text: str) -> str:
    """Return the README with its table of columns as the schema has it now."""
    layers = layers_for([("<measure>", "a measure")])
    before, rest = text.split(BEGIN, 1)
    _, after = rest.split(END, 1)
    return f"{before}{BEGIN}\n{as_markdown(layers.values())}\n{END}{after}"


if __name__ == "__main__":
    README.write_text(with_columns(README.read_text(encoding="utf-8")), encoding="utf-8", newline="\n")
