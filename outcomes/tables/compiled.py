"""How a function is compiled: kept on disk where that can be written, in memory otherwise."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba

Function = TypeVar("Function", bound=Callable[..., Any])


def compiled(function: Function) -> Function:
    """Compile to machine code that releases the interpreter's lock, so that threads help.

    The code is kept beside the module or in the user's cache folder. Where neither can be written
    (a read-only install run by a user without a home), it is compiled anew in every process: two
    seconds for an intake, four for a pass. No folder of unknown owner is trusted with code.

    Numba compiles whatever library code a function calls: write plain loops where its search,
    median or slice assignment would cost a second each.
    """
    try:
        return cast(Function, numba.njit(cache=True, nogil=True)(function))
    except RuntimeError:  # "no locator available": nowhere to keep it
        return cast(Function, numba.njit(nogil=True)(function))
