"""armsim: from the sensors on the joints of an arm to the error of its tool point.

study = armsim.load("scenario.yaml")
result = study.run()
result.task("side view").column("error.p95")  # [m], one value per pose
result.map()  # and budget(), population(), yield_curve(), joint("j2"), arm_and_sensors()
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from armsim.model.arm import Arm
    from armsim.notebook import DisplayedComparison, DisplayedResult, DisplayedStudy

__all__ = ["Arm", "__version__", "compare", "load", "read", "run"]


def __getattr__(name: str) -> Any:
    if name == "__version__":
        from armsim.version import own_version

        return own_version()
    if name == "Arm":
        from armsim.model.arm import Arm

        return Arm
    raise AttributeError(f"module 'armsim' has no attribute {name!r}")


def load(path: Path | str) -> DisplayedStudy:
    """Read a scenario file and all it refers to.

    Raises
    ------
    armsim.errors.InputError
        Anything is wrong in any of the files; carries every fault with its line.
    """
    from armsim.notebook import DisplayedStudy

    return DisplayedStudy.load(path)


def run(path: Path | str, workers: int | None = None) -> DisplayedResult:
    """Read a scenario and run it: a population of built arms at every pose of every task."""
    return load(path).run(workers)


def read(path: Path | str) -> DisplayedResult:
    """A results.json that was written before."""
    from armsim.notebook import DisplayedResult

    return DisplayedResult.read(path)


def compare(*paths: Path | str, workers: int = 1) -> DisplayedComparison:
    """Read scenarios and hold them against the first: same poses, same random numbers."""
    from armsim.decide import compare as held_against
    from armsim.notebook import DisplayedComparison

    return DisplayedComparison.of(held_against([load(path) for path in paths], workers))
