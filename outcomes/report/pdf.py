"""Print a finished page to PDF through an installed Chromium, where there is one."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from pathlib import Path
from typing import Final

from outcomes.errors import WriteError

NAMES: Final = ("chromium", "chromium-browser", "google-chrome", "chrome", "msedge")
# Offline and quiet: the browser has nothing to look up for a page that loads nothing.
FLAGS: Final = (
    "--headless", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--no-pdf-header-footer",
)  # fmt: skip
SECONDS: Final = 120


def browser() -> str | None:
    """Return the path of an installed Chromium, or None."""
    return next((path for name in NAMES if (path := shutil.which(name))), None)


def print_pdf(page: Path) -> Path:
    """Write the PDF of `page` beside it, whole or not at all, and return its path.

    Raises
    ------
    WriteError
        No Chromium is installed, or it made no PDF.
    """
    program = browser()
    if program is None:
        raise WriteError(
            "no Chromium is installed, so no PDF was made; the page itself is finished. Install "
            "one, or print the page from any browser."
        )
    target = page.with_suffix(".pdf")
    as_root = ["--no-sandbox"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []
    with tempfile.TemporaryDirectory(prefix=".pdf-", dir=page.parent) as work:
        made = Path(work) / target.name
        command = [program, *FLAGS, *as_root, f"--user-data-dir={work}/profile"]
        try:
            subprocess.run(
                [*command, f"--print-to-pdf={made}", page.resolve().as_uri()],
                check=True, capture_output=True, timeout=SECONDS,
            )  # fmt: skip
            os.replace(made, target)
        except (OSError, subprocess.SubprocessError) as error:
            raise WriteError(
                f"{target.name}: {Path(program).name} made no PDF; the page itself is finished."
            ) from error
    return target
