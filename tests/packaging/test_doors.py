"""What the linter cannot see: files are opened through three doors only, and no module grows out of hand."""

from __future__ import annotations

import ast
from pathlib import Path

PACKAGE = Path(__file__).resolve().parents[2] / "catchscreen"
DOORS = ("inputs/", "outputs/", "cli/", "brief.py")
NAMED = {
    "compiled.py": {"read_bytes"},
    "measures/catalogue.py": {"read_text"},
    "measures/rules.py": {"read_text"},
    "tiles/files.py": {"open"},
}
"""Files of the package itself: the kernels' text, which names their cache folder, and the measures' tables; and the
work folder of a tiled run, which only that run reads."""

READING = "open read_text read_bytes read_csv read_file read_dataframe loadtxt genfromtxt fromfile urlopen"
WRITING = "write_text write_bytes to_file to_csv to_json to_parquet savefig tofile savetxt"
OPENING = set(f"{READING} {WRITING}".split())
LONGEST_MODULE, LONGEST_FUNCTION, LONGEST_KERNEL = 400, 60, 80


def modules() -> list[Path]:
    return sorted(PACKAGE.rglob("*.py"))


def opened(tree: ast.AST) -> set[str]:
    """Return the names of calls that open files."""
    calls = (node.func for node in ast.walk(tree) if isinstance(node, ast.Call))
    names = (func.attr if isinstance(func, ast.Attribute) else getattr(func, "id", "") for func in calls)
    return {name for name in names if name in OPENING}


def name_of(path: Path) -> str:
    return path.relative_to(PACKAGE).as_posix()


def test_files_are_opened_at_the_doors_only():
    elsewhere = {}
    for path in modules():
        name = name_of(path)
        found = opened(ast.parse(path.read_text(encoding="utf-8"))) - NAMED.get(name, set())
        if found and not name.startswith(DOORS):
            elsewhere[name] = found
    assert elsewhere == {}


def test_an_opening_would_be_seen():
    assert opened(ast.parse("open('x'); p.read_text(); gpd.read_file(p); f.close()")) == {
        "open",
        "read_text",
        "read_file",
    }


def test_modules_and_functions_keep_their_size():
    too_long = {}
    for path in modules():
        text = path.read_text(encoding="utf-8")
        if len(text.splitlines()) > LONGEST_MODULE:
            too_long[name_of(path)] = len(text.splitlines())
        longest = LONGEST_KERNEL if "kernels" in path.as_posix() else LONGEST_FUNCTION
        for node in ast.walk(ast.parse(text)):
            if isinstance(node, ast.FunctionDef) and _length(node) > longest:
                too_long[f"{name_of(path)}:{node.name}"] = _length(node)
    assert too_long == {}


def _length(function: ast.FunctionDef) -> int:
    """Return the lines of the work itself, without the docstring."""
    body = function.body[1:] if ast.get_docstring(function) and len(function.body) > 1 else function.body
    return function.end_lineno - body[0].lineno + 1
