"""The scenario document: arm, sensors, requirement, tasks, sampling."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field

from armsim.documents.calibration_document import CalibrationDocument
from armsim.documents.fields import Document, FilePath, Word, limited_list
from armsim.documents.from_spec import DocumentType, document_type, extend_document
from armsim.documents.joint_document import JointDocument, Reference
from armsim.documents.motion_document import MotionDocument
from armsim.documents.task_documents import TaskDocument
from armsim.documents.urdf import MOST_JOINTS
from armsim.errors import InputError
from armsim.model.arm import Arm
from armsim.model.joint import Bus
from armsim.model.machine import Environment
from armsim.requirement.requirement import Requirement
from armsim.sampling_plan import SamplingPlan
from armsim.sources import Source

Joints = Annotated[
    dict[Word, Annotated[Any, DocumentType(JointDocument)]], *limited_list(MOST_JOINTS, "an arm has no more")
]
Tasks = Annotated[
    list[Annotated[Any, DocumentType(TaskDocument)]], *limited_list(1000, "each has tables and figures of its own")
]
EnvironmentDocument = extend_document(Environment, "EnvironmentDocument", excluded=("expansion",))


class ScenarioDocument(Document):
    """Scenario: arm, sensors, requirement, tasks, sampling."""

    kind: Literal["scenario"]
    name: Word
    arm: Reference
    groups: dict[Word, dict[str, Any]] | None = None
    joints: Joints = Field(default_factory=dict)
    environment: Annotated[Any, DocumentType(EnvironmentDocument)] = None
    bus: Annotated[Any, DocumentType(document_type(Bus))] = None
    motion: Annotated[Any, DocumentType(MotionDocument)] | None = None
    specification: FilePath | None = None
    requirement: Annotated[Any, DocumentType(document_type(Requirement))] | None = None
    calibration: Annotated[Any, DocumentType(CalibrationDocument)] | None = None
    tasks: Tasks = Field(default_factory=list)
    sampling: Annotated[Any, DocumentType(document_type(SamplingPlan))] = None


class SpecificationDocument(Document):
    """A requirement and tasks that several scenarios share."""

    kind: Literal["specification"]
    name: Word | None = None
    requirement: Annotated[Any, DocumentType(document_type(Requirement))] | None = None
    tasks: Tasks = Field(default_factory=list)


def check_joints(document: ScenarioDocument, arm: Arm, source: Source) -> None:
    """Check that every joint of the arm has a sensor, that no other joint has one, and that there are tasks.

    Raises
    ------
    InputError
        Names every joint that is missing or unknown.
    """
    problems = []
    if not document.tasks and "tasks" not in source.data:
        problems.append(source.problem(("tasks",), "missing", "a list of tasks, or specification: with a file of them"))
    for name in document.joints:
        if name not in arm.names:
            problems.append(source.problem(("joints", name), "the arm has no such joint", ", ".join(arm.names)))
    for name in arm.names:
        if name not in document.joints:
            accepted = "an entry for every joint, in joints or by its group in groups"
            problems.append(source.problem(("joints",), f"joint {name!r} has no encoder", accepted))
    if problems:
        raise InputError(*problems)
