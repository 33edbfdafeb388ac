"""The generator shares nothing with the estimators."""

from __future__ import annotations

import ast
from pathlib import Path

import synthetic

ALLOWED = ("outcomes.schema", "outcomes.tables.declared")


def imported(path: Path) -> set[str]:
    names = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.level == 0:
            names.add(str(node.module))
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 1, f"{path.name} climbs out of its room"
    return names


def test_nothing_of_the_toolkit_but_declarations_is_imported() -> None:
    for path in Path(synthetic.__file__).parent.glob("*.py"):
        ours = {name for name in imported(path) if name.split(".")[0] in ("outcomes", "synthetic")}
        assert ours <= set(ALLOWED), path.name


def test_every_row_of_the_room_is_looked_at() -> None:
    assert len(list(Path(synthetic.__file__).parent.glob("*.py"))) > 10
