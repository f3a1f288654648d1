"""armsim: from the sensors on the joints of an arm to the error of its tool point.

study = armsim.load("scenario.yaml")
result = study.run()
result.task("side view").column("error.p95")  # [m], one value per pose
result.plot.map()  # and budget, arms, population, yield_curve, joint, poses, path, arm_and_sensors
"""

from __future__ import annotations

from collections.abc import Sequence
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from armsim.calibration.curve_analysis import Curves
    from armsim.calibration.verify import Verified
    from armsim.decide.allocate import allocate
    from armsim.decide.calibration_study import Calibrated
    from armsim.decide.compare import Comparison
    from armsim.decide.error_budget import Allocation
    from armsim.decide.select import select
    from armsim.decide.selection import Selection
    from armsim.decide.sensitivity import Sensitivities, sensitivities
    from armsim.decide.sweep import sweep
    from armsim.decide.trade_off import TradeOff, trade_off
    from armsim.decide.what_if import WhatIfs, what_if
    from armsim.errormodel.distributions import Distribution, Magnitude
    from armsim.errors import InputError, RunError
    from armsim.field_spec import Measures
    from armsim.model.arm import Arm
    from armsim.model.encoder import Encoder
    from armsim.model.joint import Joint
    from armsim.model.joint_options import Options
    from armsim.model.mounting import Mounting
    from armsim.model.transmission import Harmonic, Transmission
    from armsim.notebook import DisplayedComparison, DisplayedResult, DisplayedStudy
    from armsim.requirement.requirement import Requirement
    from armsim.results import Result
    from armsim.run_options import RunOptions
    from armsim.sampling_plan import SamplingPlan
    from armsim.scenario import Scenario
    from armsim.study import Study
    from armsim.tasks import NamedPose, Poses, Slice

EXPORTS = {
    "armsim.requirement.requirement": ("Requirement",),
    "armsim.decide": (
        "Allocation", "Comparison", "Selection", "Sensitivities", "TradeOff", "WhatIfs", "allocate", "select",
        "sensitivities", "sweep", "trade_off", "what_if",
    ),
    "armsim.errors": ("InputError", "RunError"),
    "armsim.decide.calibration_study": ("Calibrated",),
    "armsim.calibration.curve_analysis": ("Curves",),
    "armsim.calibration.verify": ("Verified",),
    "armsim.model.arm": ("Arm",),
    "armsim.model.encoder": ("Encoder",),
    "armsim.model.joint": ("Joint",),
    "armsim.model.joint_options": ("Options",),
    "armsim.results": ("Result",),
    "armsim.run_options": ("RunOptions",),
    "armsim.errormodel.distributions": ("Distribution", "Magnitude"),
    "armsim.model.mounting": ("Mounting",),
    "armsim.model.transmission": ("Harmonic", "Transmission"),
    "armsim.sampling_plan": ("SamplingPlan",),
    "armsim.scenario": ("Scenario",),
    "armsim.tasks": ("NamedPose", "Poses", "Slice"),
    "armsim.study": ("Study",),
}  # fmt: skip
"""Public names by module; they are imported on first use, so that ``import armsim`` is fast."""

__all__ = [
    "Allocation", "Arm", "Calibrated", "Comparison", "Curves", "Distribution", "Encoder", "Harmonic", "InputError",
    "Joint", "Magnitude", "Mounting", "NamedPose", "Options", "Poses", "Requirement", "Result", "RunError",
    "RunOptions", "SamplingPlan", "Scenario", "Selection", "Sensitivities", "Slice", "Study", "TradeOff",
    "Transmission", "Verified", "WhatIfs", "__version__", "allocate", "calibrate", "compare", "curve", "load",
    "read", "run", "select", "sensitivities", "sweep", "to_yaml", "trade_off", "verify", "what_if",
]  # fmt: skip


def __getattr__(name: str) -> Any:
    if name == "__version__":
        from armsim.version import package_version

        return package_version()
    for module, names in EXPORTS.items():
        if name in names:
            return getattr(import_module(module), name)
    raise AttributeError(f"module 'armsim' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)


def load(path: Path | str) -> DisplayedStudy:
    """Read a scenario file and all files that it refers to.

    Parameters
    ----------
    path : Path or str
        Scenario file.

    Returns
    -------
    Study
        Not yet sampled.

    Raises
    ------
    InputError
        Anything is wrong in any of the files; carries every fault with its line.

    Examples
    --------
    >>> import armsim
    >>> study = armsim.load("scenarios/lessons/eccentricity.yaml")
    >>> study.scenario.machine.arm.names
    ('j1',)
    >>> armsim.load("scenarios/bonding-cel.yaml")
    Traceback (most recent call last):
    armsim.errors.InputError: ... did you mean bonding-cell.yaml...
    """
    from armsim.notebook import DisplayedStudy

    return DisplayedStudy.load(path)


def run(path: Path | str, workers: int | None = None) -> DisplayedResult:
    """Read a scenario and sample its population at every pose of every task.

    Parameters
    ----------
    path : Path or str
        Scenario file.
    workers : int, optional
        Threads; all processors where None.

    Returns
    -------
    Result
        Lengths in m, angles in rad, vectors in the base frame.

    Raises
    ------
    InputError
        Anything is wrong in any of the files; carries every fault with its line.
    RunError
        What stopped the run, such as too little memory or a task of which no pose can be reached.

    Examples
    --------
    >>> import armsim
    >>> result = armsim.run("scenarios/lessons/eccentricity.yaml")  # at most 1 mrad over a lever of 0.5 m
    >>> round(1e6 * result.task("lever").summary.p95, -1)
    500.0
    """
    return load(path).run(workers)


def read(path: Path | str) -> DisplayedResult:
    """Read a results.json.

    Parameters
    ----------
    path : Path or str
        File that `armsim run` or ``result.write`` wrote, of this format or an earlier one.

    Returns
    -------
    Result
        Lengths in m, angles in rad, vectors in the base frame.

    Raises
    ------
    InputError
        The file is not such a file, or of a later format.

    Examples
    --------
    >>> import armsim
    >>> armsim.read("tests/results-0.1.0.json").version
    '0.1.0'
    """
    from armsim.notebook import DisplayedResult

    return DisplayedResult.read(path)


def compare(*paths: Path | str, workers: int = 1) -> DisplayedComparison:
    """Read scenarios and compare them with the first: same poses, same random numbers.

    Parameters
    ----------
    *paths : Path or str
        Scenario files, the first of which all others are compared with.
    workers : int
        Threads.

    Returns
    -------
    Comparison
        Differences with intervals at 95 %, lengths in m.

    Raises
    ------
    InputError
        Anything is wrong in any of the files; carries every fault with its line.
    RunError
        What stopped the run, such as too little memory or a task of which no pose can be reached.

    Examples
    --------
    >>> import armsim
    >>> lessons = "scenarios/lessons"
    >>> comparison = armsim.compare(f"{lessons}/eccentricity.yaml", f"{lessons}/two-heads.yaml")
    >>> [result.scenario for result in comparison.results]
    ['eccentricity', 'two heads']
    """
    from armsim.decide import compare as compare_studies
    from armsim.notebook import DisplayedComparison
    from armsim.run_options import RunOptions

    return DisplayedComparison.from_comparison(compare_studies([load(path) for path in paths], RunOptions(workers)))


def calibrate(
    path: Path | str,
    workers: int | None = None,
    measured: Path | str | None = None,
    excluded: Sequence[int] = (),
) -> Calibrated:
    """Read a scenario with a calibration and evaluate it for every built arm of the population.

    Parameters
    ----------
    path : Path or str
        Scenario file with a block ``calibration``.
    workers : int, optional
        Threads; all processors where None.
    measured : Path or str, optional
        File of measured arms, which are identified.
    excluded : sequence of int
        Lines of readings to be left out of it.

    Returns
    -------
    Calibrated
        Before and after, lengths in m.

    Raises
    ------
    InputError
        Anything is wrong in any of the files; carries every fault with its line.
    RunError
        What stopped the run, such as too little memory or a task of which no pose can be reached.

    Examples
    --------
    >>> import armsim
    >>> calibrated = armsim.calibrate("scenarios/measured/cell-poses.yaml")
    >>> before, after = calibrated.comparison.results
    >>> after.tasks[0].summary.p95 < before.tasks[0].summary.p95
    True
    """
    from armsim.decide.calibration_study import calibrate as calibrate_population
    from armsim.run_options import RunOptions

    return calibrate_population(load(path), RunOptions(workers), None if measured is None else Path(measured), excluded)


def verify(
    path: Path | str, measured: Path | str, instrument: float | None = None, excluded: Sequence[int] = ()
) -> Verified:
    """Compare measured tool points with the predictions of a scenario.

    Parameters
    ----------
    path : Path or str
        Scenario file.
    measured : Path or str
        CSV file of measured tool points.
    instrument : float, optional
        Standard deviation of the measuring instrument along an axis; by default that of the calibration in the
        scenario, or zero without one. [m]
    excluded : sequence of int
        Lines of readings to be left out.

    Returns
    -------
    Verified
        Lengths in m.

    Raises
    ------
    InputError
        Anything is wrong in any of the files; carries every fault with its line.
    RunError
        What stopped the run, such as too little memory or a task of which no pose can be reached.

    Examples
    --------
    >>> import armsim
    >>> measured = "scenarios/measured/arm-17.csv"  # an invented arm with a disc glued off centre
    >>> armsim.verify("scenarios/measured/cell-poses.yaml", measured, instrument=5e-6).compatible
    False
    """
    from armsim.calibration.verify import verify as verify_scenario

    return verify_scenario(load(path), Path(measured), instrument, excluded)


def to_yaml(part: Any, measures: Measures = "rotation") -> str:
    """YAML of what was made in Python: a scenario, an arm, an encoder, or a part such as a requirement or a mounting.

    Parameters
    ----------
    part : object
        A `Study`, a `Scenario`, an `Arm` or an `Encoder` makes a whole document, any other part the block of its key.
    measures : str
        ``rotation`` or ``translation``, of a part whose positions may be angles or lengths.

    Returns
    -------
    str
        Reads as an equal object, but for the last bit of a number.

    Raises
    ------
    ValueError
        It holds what only files state, such as a measured error curve, or the chain of an arm from a URDF file.

    Examples
    --------
    >>> import armsim
    >>> print(armsim.to_yaml(armsim.Requirement(position=95e-6, repeatability=30e-6, yield_=0.9)), end="")
    position: 95 um
    repeatability: 30 um
    yield: 90 %
    """
    from armsim.documents.arm_to_document import arm_document
    from armsim.documents.scenario_to_document import scenario_document
    from armsim.documents.to_document import encoder_document, part_document, yaml_text
    from armsim.model.arm import Arm
    from armsim.model.encoder import Encoder
    from armsim.scenario import Scenario
    from armsim.study import Study

    if isinstance(part, Study | Scenario):
        document = scenario_document(part.scenario if isinstance(part, Study) else part)
    elif isinstance(part, Arm | Encoder):
        document = arm_document(part) if isinstance(part, Arm) else encoder_document(part)
    else:
        document = part_document(part, measures)
    return yaml_text(document)


def curve(path: Path | str, orders: Sequence[int] = ()) -> Curves:
    """Analyse the orders of measured error curves.

    Parameters
    ----------
    path : Path or str
        CSV file of angles or positions and errors.
    orders : sequence of int
        Orders to fit, in periods per turn; a few low ones where none are given.

    Returns
    -------
    Curves
        Amplitudes in rad, or in m of a linear scale.

    Raises
    ------
    InputError
        The file is no such file, or its angles do not distinguish the orders.

    Examples
    --------
    >>> import armsim
    >>> from pathlib import Path
    >>> from tempfile import TemporaryDirectory
    >>> from math import radians, sin
    >>> rows = [f"{angle},{7 * sin(radians(angle)) + angle % 2}" for angle in range(0, 360, 5)]
    >>> with TemporaryDirectory() as folder:
    ...     file = Path(folder, "curve.csv")
    ...     _ = file.write_text("\\n".join(["angle [deg],error [arcsec]", *rows]))
    ...     curves = armsim.curve(file, orders=[1, 2])
    >>> round(curves.sensors[0].orders[0].amplitude * 206265, 1)  # [arcsec]
    7.0
    """
    from armsim.calibration.curve_analysis import analyse_curves

    return analyse_curves(Path(path), orders)
