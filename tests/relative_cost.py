"""The cost of a piece of work, held against other work done in the same process: no test holds an absolute time."""

from __future__ import annotations

import time
from collections.abc import Callable

TRIES = 3
"""Other load on the machine slows one of two measurements; what is truly too slow is so every time."""


def cost(work: Callable[[], object]) -> float:
    """Processor time of a piece of work. [s]"""
    start = time.process_time()
    work()
    return time.process_time() - start


class Reference:
    """Work to which other work is compared."""

    def __init__(self, work: Callable[[], object]) -> None:
        self.work = work
        work()  # what is imported and compiled at the first time is not counted
        self.seconds = cost(work)

    def ratio(self, work: Callable[[], object], accepted: float) -> float:
        """Cost of a piece of work over that of the reference; measured anew, both of them, where it is not accepted."""
        ratio = cost(work) / self.seconds
        for _ in range(TRIES - 1):
            if ratio <= accepted:
                break
            self.seconds = cost(self.work)
            ratio = min(ratio, cost(work) / self.seconds)
        return ratio
