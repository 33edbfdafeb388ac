"""`python -m tests.benchmarks NAME [options]`: one benchmark, or all without a name.

Each module of this folder that has a `main(arguments)` is a benchmark. Ratios are of runs on this
machine, in one process, in turn; nothing here is a test.
"""

from __future__ import annotations

import importlib
import pkgutil
import sys
from pathlib import Path

HERE = Path(__file__).parent


def benchmarks() -> dict[str, object]:
    names = sorted(m.name for m in pkgutil.iter_modules([str(HERE)]) if m.name != "__main__")
    modules = {name: importlib.import_module(f"{__package__}.{name}") for name in names}
    return {name: module.main for name, module in modules.items() if hasattr(module, "main")}


def main(arguments: list[str]) -> int:
    known = benchmarks()
    if arguments and not arguments[0].startswith("-"):
        if arguments[0] not in known:
            print(f"'{arguments[0]}' is not a benchmark. Known: {', '.join(known)}.")
            return 2
        known = {arguments[0]: known[arguments[0]]}
        arguments = arguments[1:]
    for name, run in known.items():
        print(f"\n{name}")
        run(arguments)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
