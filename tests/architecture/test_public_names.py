"""What a newcomer meets: lazy names, docstrings, a light `--help`, clean project files."""

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest

import outcomes as oc

ROOT = Path(__file__).parents[2]
HEAVY = ("numpy", "pandas", "matplotlib", "scipy", "statsmodels", "papermill", "numba")


@pytest.mark.parametrize("name", oc.__all__)
def test_every_public_name_loads_and_explains_itself(name):
    assert len(getattr(oc, name).__doc__) > 60


def test_an_unknown_name_answers_with_the_known_ones():
    with pytest.raises(AttributeError, match="hba1c_change"):
        _ = oc.hba1c_chnage


@pytest.mark.parametrize("words", [["--help"], ["report", "quarterly", "--help"], ["demo", "-h"]])
def test_help_imports_nothing_scientific(words):
    code = (
        "import sys\nfrom outcomes.command import main\n"
        f"try:\n    main({words!r})\nexcept SystemExit:\n    pass\n"
        f"print([m for m in {HEAVY!r} if m in sys.modules], file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stderr.strip() == "[]"
    assert "usage: outcomes" in done.stdout


def test_constraints_name_versions_and_no_addresses():
    lines = (ROOT / "constraints.txt").read_text().splitlines()
    assert len(lines) > 50
    assert all(re.match(r"[a-z0-9._-]+==[^ ]+( ;.*)?$", line) for line in lines)


def test_the_top_level_holds_the_declared_things_only():
    tracked = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False
    ).stdout.split("\n")
    if tracked == [""]:
        pytest.skip("not a git checkout")
    top = {name.split("/")[0] for name in tracked if name and not name.startswith(".")}
    assert top <= {
        "README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", "constraints.txt",
        "outcomes", "notebooks", "tests", "synthetic",
    }  # fmt: skip


@pytest.mark.parametrize("path", sorted((ROOT / "notebooks").glob("*.ipynb")), ids=lambda p: p.stem)
def test_a_committed_notebook_is_clean_and_thin(path):
    notebook = json.loads(path.read_text("utf-8"))
    cells = notebook["cells"]
    code = [cell for cell in cells if cell["cell_type"] == "code"]
    assert notebook["nbformat"] == 4
    assert notebook["nbformat_minor"] >= 5
    assert set(notebook["metadata"]) <= {"kernelspec", "language_info"}
    assert len({cell["id"] for cell in cells}) == len(cells)
    assert all(cell["outputs"] == [] and cell["execution_count"] is None for cell in code)
    assert all(set(cell["metadata"]) <= {"tags"} for cell in cells)
    assert sum("parameters" in cell["metadata"].get("tags", []) for cell in code) == 1
    words = re.compile(r"^\s*(def|for|while|class|import matplotlib|%)\b", re.MULTILINE)
    assert [cell["id"] for cell in code if words.search("".join(cell["source"]))] == []
