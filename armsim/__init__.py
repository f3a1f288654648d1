"""armsim: from the sensors on the joints of an arm to the error of its tool point.

study = armsim.load("scenario.yaml")
result = study.run()
result.task("side view").column("error.p95")  # [m], one value per pose
result.map()  # and budget(), population(), yield_curve(), joint("j2"), arm_and_sensors()
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from armsim.hardware.calibrate import Calibrated
    from armsim.hardware.curve import Curves
    from armsim.hardware.verify import Verified
    from armsim.model.arm import Arm
    from armsim.notebook import DisplayedComparison, DisplayedResult, DisplayedStudy

__all__ = ["Arm", "__version__", "calibrate", "compare", "curve", "load", "read", "run", "verify"]


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


def calibrate(path: Path | str, workers: int | None = None) -> Calibrated:
    """Read a scenario with a calibration and run it for every built arm of the population."""
    from armsim.hardware.calibrate import calibrate as work_out

    return work_out(load(path), workers)


def verify(path: Path | str, measured: Path | str, instrument: float = 0.0) -> Verified:
    """Hold measured tool points against what a scenario predicts; ``instrument`` is its standard deviation. [m]"""
    from armsim.hardware.verify import verify as held_against

    return held_against(load(path), Path(measured), instrument)


def curve(path: Path | str, orders: Sequence[int] = ()) -> Curves:
    """The orders of measured error curves."""
    from armsim.hardware.curve import measure

    return measure(Path(path), orders)
