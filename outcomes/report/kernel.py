"""A kernel that is this interpreter and nothing else of the machine.

The kernel runs with `-I` (no working folder, no user packages, no PYTHON* variables), its own
IPython folder without history, and an environment of named variables only: a start-up file, a
`pandas.py` beside the study or a secret in the environment reach no report.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from jupyter_client.kernelspec import KernelSpec
from jupyter_client.manager import AsyncKernelManager

# Everything that a kernel may see of the environment. The last two rows are Windows' own.
PASSED = (
    "PATH", "LANG", "LC_ALL", "LC_CTYPE", "OPENBLAS_CORETYPE", "OPENBLAS_L2_SIZE",
    "SYSTEMROOT", "SYSTEMDRIVE", "COMSPEC", "PATHEXT", "WINDIR",
    "NUMBER_OF_PROCESSORS", "PROCESSOR_ARCHITECTURE",
)  # fmt: skip

_AHEAD = "from outcomes.glucose.ahead import compile_pass; compile_pass(); import seaborn"


def kernel_environment(work: Path) -> dict[str, str]:
    """Return the whole environment of a kernel whose working files lie in `work`."""
    environment = {name: os.environ[name] for name in PASSED if name in os.environ}
    cache = _cache_folder(work)
    return environment | {
        "HOME": str(work),
        "USERPROFILE": str(work),
        "TMPDIR": str(work),
        "TEMP": str(work),
        "TMP": str(work),
        "IPYTHONDIR": str(work / "ipython"),
        "JUPYTER_CONFIG_DIR": str(work / "jupyter"),
        "MPLCONFIGDIR": str(cache / "matplotlib"),
        "NUMBA_CACHE_DIR": str(cache / "numba"),
        "MPLBACKEND": "agg",
        "TZ": "UTC",
        # One thread in linear algebra: the matrices are small, and sums keep their order.
        "OPENBLAS_NUM_THREADS": "1",
        "OMP_NUM_THREADS": "1",
    }


@contextmanager
def compiling_ahead() -> Iterator[None]:
    """Make what a first kernel after an install would wait for, while something else is done.

    That is the compiled pass over readings and the list of fonts, kept in the caches that kernels
    use. Another process makes them; where there is no second core, nobody does. Its failure
    harms nothing: the kernel makes what it lacks.
    """
    if (os.cpu_count() or 1) < 2:
        yield
        return
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as work:
        process = subprocess.Popen(
            [sys.executable, "-I", "-c", _AHEAD],
            env=kernel_environment(Path(work)),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        try:
            yield
        finally:
            process.kill()
            process.wait()


def _cache_folder(work: Path) -> Path:
    """Return a folder of our own for caches of fonts and compiled code, else the working folder."""
    base = os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache"
    folder = Path(base) / "outcomes"
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        with tempfile.TemporaryFile(dir=folder):
            return folder
    except OSError:
        return work


def kernel_manager_class(environment: dict[str, str]) -> type[AsyncKernelManager]:
    """Return a kernel manager for this interpreter under `environment`.

    No kernel specification is looked up, so that a notebook saved under another kernel name, or
    a foreign kernel in the user's folders, cannot change what runs. Where the system has them,
    sockets in a folder of their own replace ports.
    """
    use_sockets = os.name != "nt"

    class ThisInterpreter(AsyncKernelManager):
        def __init__(self, **options: Any) -> None:
            super().__init__(**options)
            if use_sockets:
                # A path in a socket's address has at most 107 characters: keep it short.
                self._sockets = tempfile.mkdtemp(prefix="oc-")
                self.transport = "ipc"
                self.connection_file = os.path.join(self._sockets, "k.json")

        @property
        def kernel_spec(self) -> KernelSpec:
            arguments = [sys.executable, "-I", "-m", "ipykernel_launcher", "-f"]
            options = ["--HistoryManager.enabled=False"]
            return KernelSpec(
                argv=[*arguments, "{connection_file}", *options],
                display_name="outcomes",
                language="python",
                env={},
            )

        async def _async_pre_start_kernel(self, **options: Any) -> Any:
            options["env"] = dict(environment)
            return await super()._async_pre_start_kernel(**options)

        pre_start_kernel = _async_pre_start_kernel

        def cleanup_connection_file(self) -> None:
            super().cleanup_connection_file()
            if use_sockets:
                shutil.rmtree(self._sockets, ignore_errors=True)

    return ThisInterpreter
