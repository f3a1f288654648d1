"""The scenario document: an arm, a sensor on every joint, what is required, where to look, how to sample."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field

from armsim.asked import ISO_CYCLES, MOST_UNITS, MOST_VISITS, NumericalTolerance, Requirement, SamplingPlan
from armsim.documents.fields import (
    Document,
    Measured,
    Tolerance,
    Word,
    at_most,
    count,
    measured,
    number,
    quantity,
    tolerance,
)
from armsim.documents.tasks import TaskDocument
from armsim.documents.urdf import MOST_JOINTS
from armsim.errors import InputError
from armsim.model.arm import Arm
from armsim.sources import Source

Length = Annotated[float, quantity("length")]
Angle = Annotated[float, quantity("angle")]
Positions = list[Annotated[Measured, measured("angle", "length")]]
LengthMagnitude = Annotated[Tolerance | None, tolerance("length", magnitude=True)]
AngleMagnitude = Annotated[Tolerance | None, tolerance("angle", magnitude=True)]
Ends = tuple[Length, Length]
Price = Annotated[float, number(lambda x: 0 <= x <= 1e9, "a number, zero or more")]
Reference = Any
"""A path relative to the file, or the document itself."""


class MountingDocument(Document):
    """How the scale sits on its shaft."""

    eccentricity: LengthMagnitude = None
    ellipticity: LengthMagnitude = None
    disc_tilt: AngleMagnitude = None
    coupling_angle: AngleMagnitude = None
    head_tangential: Annotated[Tolerance | None, tolerance("length")] = None
    head_radial: Annotated[Tolerance | None, tolerance("length")] = None
    head_tilt: Annotated[Tolerance | None, tolerance("angle")] = None
    air_gap: Annotated[Tolerance | None, tolerance("length")] = None
    abbe_offset: Annotated[float | None, quantity("length")] = None
    guide_pitch: Annotated[Tolerance | None, tolerance("angle")] = None


class HarmonicDocument(Document):
    """One order of the kinematic error of a gear."""

    per: Literal["input-turn", "output-turn"]
    order: Annotated[float, number(lambda x: x > 0, "a number above zero")]
    amplitude: Annotated[Tolerance, tolerance("angle", magnitude=True)]


class TransmissionDocument(Document):
    """The gear between motor and joint."""

    type: Literal["strain-wave", "cycloidal", "planetary"] | None = None
    ratio: Annotated[float, number(lambda x: abs(x) >= 1e-6, "a number, not zero nor below a millionth")] = 1.0
    kinematic_error: list[HarmonicDocument] | None = None
    lost_motion: Annotated[Measured | None, measured("angle", "length")] = None
    stiffness: Annotated[Measured | None, measured("angular stiffness", "stiffness")] = None
    stiffness_tolerance: Annotated[Tolerance | None, tolerance("ratio")] = None
    compensation: Annotated[float, quantity("ratio", least=0.0, most=1.0)] = 0.0


class FittingDocument(Document):
    """What it costs to fit the sensor, beside its own price."""

    mounting: Price = 0.0
    placement: Price = 0.0


class JointDocument(Document):
    """The sensor of one joint."""

    encoder: Reference
    placement: Literal["motor", "output", "both"]
    motor_encoder: Reference = None
    approach: Literal["random", "positive", "negative"] = "random"
    mounting: MountingDocument = MountingDocument()
    transmission: TransmissionDocument = TransmissionDocument()
    mastering: Annotated[Tolerance | None, tolerance("angle", "length")] = None
    price: FittingDocument = FittingDocument()


class EnvironmentDocument(Document):
    """What surrounds the machine."""

    temperature_rise: Annotated[Tolerance | None, tolerance("temperature")] = None


class BusDocument(Document):
    """How positions are taken: at the bus's own instant, or whenever the encoder is ready."""

    cycle: Annotated[float, quantity("time", least=0.0)] = 0.0
    synchronous: bool = True
    skew: Annotated[Tolerance | None, tolerance("time")] = None


class RequirementDocument(Document):
    """What the tool point must hold."""

    position: Annotated[float, quantity("length", least=0.0, above=True)]
    coverage: Annotated[float, quantity("ratio", least=0.01, most=0.9999)] = 0.95
    repeatability: Annotated[float | None, quantity("length", least=0.0, above=True)] = None
    yield_: Annotated[float | None, quantity("ratio", least=0.0, above=True, most=1.0), Field(alias="yield")] = None
    test_cycles: Annotated[int, count(2, 10_000, "no test has more")] = ISO_CYCLES


class SamplingDocument(Document):
    """How many arms, how many visits, which random numbers."""

    units: Annotated[int, count(1, MOST_UNITS, "every unit is kept in memory")] = 2000
    visits: Annotated[int, count(1, MOST_VISITS, "more tell nothing more of a unit")] = 30
    seed: Annotated[int, count(0, 2**63, "it keys counters of 64 bits")] = 1
    tolerance: Annotated[Measured | None, measured("ratio", "length")] = None
    points: Literal["random", "sobol"] = "random"


class ScenarioDocument(Document):
    """The whole question."""

    kind: Literal["scenario"]
    name: Word
    arm: Reference
    joints: Annotated[dict[Word, JointDocument], *at_most(MOST_JOINTS, "an arm has no more")]
    environment: EnvironmentDocument = EnvironmentDocument()
    bus: BusDocument = BusDocument()
    requirement: RequirementDocument | None = None
    tasks: Annotated[list[TaskDocument], *at_most(1000, "each has tables and figures of its own")]
    sampling: SamplingDocument = SamplingDocument()


def build_plan(document: SamplingDocument, source: Source) -> SamplingPlan:
    """The sampling plan; a tolerance must be more than nothing."""
    stated = document.tolerance
    tolerance = None
    if stated is not None:
        if stated.value <= 0:
            raise source.error(("sampling", "tolerance"), f"{stated.value:g}", "more than 0, such as 1 % or 2 um")
        tolerance = NumericalTolerance(stated.value, stated.kind == "ratio")
    return SamplingPlan(document.units, document.visits, document.seed, tolerance, document.points)


def build_requirement(document: RequirementDocument | None) -> Requirement | None:
    """The requirement."""
    if document is None:
        return None
    return Requirement(
        document.position, document.coverage, document.repeatability, document.yield_, document.test_cycles
    )


def check_joints(document: ScenarioDocument, arm: Arm, source: Source) -> None:
    """Every joint of the arm has a sensor, and no other.

    Raises
    ------
    InputError
        With every joint that is missing or unknown.
    """
    problems = []
    for name in document.joints:
        if name not in arm.names:
            problems.append(source.problem(("joints", name), "the arm has no such joint", ", ".join(arm.names)))
    for name in arm.names:
        if name not in document.joints:
            problems.append(source.problem(("joints",), f"joint {name!r} has no encoder", "an entry for every joint"))
    if problems:
        raise InputError(*problems)
