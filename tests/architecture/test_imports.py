"""Imports go downwards only, and the invented clinic stays apart."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
FLOORS = (
    "command",
    "report",
    "watch",
    "comparison",
    "measures",
    "cohorts",
    "glucose",
    "tables",
    "plan",
    "statistics",
)
SHELF = ("results", "mime", "figures", "schema", "units", "errors")  # in its own order, downwards
ORDER = {name: level for level, name in enumerate((*FLOORS, *SHELF))}


def imports(source: str, package: str) -> Iterator[str]:
    """Yield the dotted name of everything of this project that `source` imports."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = package.split(".")[: -node.level + 1 or None] if node.level else []
            module = ".".join([*base, *([node.module] if node.module else [])])
            yield module
            yield from (f"{module}.{alias.name}" for alias in node.names)


def room(module: str) -> str | None:
    """Return the room or shelf file of a dotted name, None for anything else."""
    parts = module.split(".")
    return parts[1] if parts[0] == "outcomes" and len(parts) > 1 and parts[1] in ORDER else None


def upward(path: str, source: str) -> list[str]:
    """Return what `source` imports from a room that is not below its own."""
    parts = Path(path).with_suffix("").parts
    own = room(".".join(parts))
    package = ".".join(parts[:-1])
    if own is None:
        return []
    found = {name for name in imports(source, package) if (room(name) or own) != own}
    return sorted(name for name in found if ORDER[str(room(name))] <= ORDER[own])


def modules(folder: str) -> list[Path]:
    return sorted((ROOT / folder).rglob("*.py"))


def names(path: Path) -> list[str]:
    return list(imports(path.read_text("utf-8"), ".".join(path.relative_to(ROOT).parts[:-1])))


@pytest.mark.parametrize("path", modules("outcomes"), ids=lambda p: str(p.relative_to(ROOT)))
def test_a_room_imports_only_from_rooms_below_it(path):
    assert upward(str(path.relative_to(ROOT)), path.read_text("utf-8")) == []


def test_a_planted_upward_import_is_found():
    planted = "from outcomes.measures.hba1c_change import hba1c_change\n"
    assert upward("outcomes/tables/study.py", planted)
    assert upward("outcomes/statistics/rates.py", "import outcomes.tables.study\n")
    assert upward("outcomes/units.py", "from outcomes import results\n")
    assert upward("outcomes/plan/analysis.py", "from ..cohorts import build\n")


def test_every_room_is_known():
    rooms = {p.name for p in (ROOT / "outcomes").iterdir() if (p / "__init__.py").exists()}
    files = {p.stem for p in (ROOT / "outcomes").glob("*.py")} - {"__init__", "__main__"}
    assert rooms | files <= set(ORDER)


def test_no_module_imports_itself_in_a_circle():
    graph = {}
    for path in modules("outcomes"):
        name = ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
        graph[name] = set(names(path))
    known = set(graph)

    def walk(name, trail):
        assert name not in trail, f"circle: {' > '.join([*trail, name])}"
        if name in done:
            return
        # A package may gather names from its own modules.
        for below in (graph[name] & known) - {name}:
            if not name.startswith(below + "."):
                walk(below, [*trail, name])
        done.add(name)

    done: set[str] = set()
    for name in sorted(known):
        walk(name, [])


@pytest.mark.parametrize("path", modules("synthetic"), ids=lambda p: p.name)
def test_the_invented_clinic_imports_the_declared_tables_at_most(path):
    allowed = ("outcomes.tables.declared", "outcomes.schema")
    ours = [name for name in names(path) if name.split(".")[0] == "outcomes"]
    assert [name for name in ours if not name.startswith(allowed)] == []


def test_only_the_demo_opens_the_door_to_the_invented_clinic():
    users = [
        path.name
        for path in modules("outcomes")
        if "synthetic" in path.read_text("utf-8").replace("synthetic clinic", "")
    ]
    assert users == ["demo.py"]
