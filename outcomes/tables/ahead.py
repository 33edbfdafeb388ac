"""Work done some steps ahead by a thread of its own, while its results are taken one by one."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Final, TypeVar

Item = TypeVar("Item")
STEPS: Final = 3  # portions that wait to be taken


def ahead(items: Iterator[Item], size: Callable[[Item], int], *, portion: int) -> Iterator[Item]:
    """Yield `items`, which a thread makes ahead in portions of about `portion` by their `size`.

    An error is raised in its place, after the items before it.
    """

    def make() -> tuple[list[Item], Exception | None, bool]:
        made: list[Item] = []
        held = 0
        try:
            for item in items:
                made.append(item)
                held += size(item)
                if held >= portion:
                    return made, None, False
        except Exception as error:
            return made, error, True
        return made, None, True

    waiting: deque[Future[tuple[list[Item], Exception | None, bool]]] = deque()
    thread = ThreadPoolExecutor(1)
    try:
        ended = False
        while not ended:
            while len(waiting) < STEPS:
                waiting.append(thread.submit(make))
            made, error, ended = waiting.popleft().result()
            yield from made
            if error is not None:
                raise error
    finally:
        thread.shutdown(cancel_futures=True)
