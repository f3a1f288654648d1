"""Documents loaded whole: references followed, everything checked, model objects built."""

from __future__ import annotations

import difflib
import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from armsim.documents.arm import ArmDocument, URDFKinematics, build_arm, build_masses
from armsim.documents.encoder import EncoderDocument, build_encoder
from armsim.documents.fields import Document
from armsim.documents.joint import build_joint
from armsim.documents.messages import validated
from armsim.documents.scenario import (
    ScenarioDocument,
    build_plan,
    build_requirement,
    check_joints,
)
from armsim.documents.source import KeyPath, Source, read_source
from armsim.documents.tasks import PathDocument, build_task
from armsim.engine.plan import SamplingPlan
from armsim.errors import InputError, Problem
from armsim.model.arm import Arm
from armsim.model.encoder import Encoder
from armsim.model.joint import Bus
from armsim.model.machine import Environment, Machine
from armsim.results import Requirement
from armsim.spreads import NONE
from armsim.tasks import Task

KINDS: dict[str, type[Document]] = {"arm": ArmDocument, "encoder": EncoderDocument, "scenario": ScenarioDocument}


@dataclass(frozen=True, eq=False)
class Scenario:
    """A scenario ready to run.

    Parameters
    ----------
    name : str
    machine : Machine
    tasks : tuple of Task
    plan : SamplingPlan
    requirement : Requirement, optional
    sources : tuple of Source
        Every file read, the scenario first.
    """

    name: str
    machine: Machine
    tasks: tuple[Task, ...]
    plan: SamplingPlan
    requirement: Requirement | None
    sources: tuple[Source, ...]


def load_scenario(path: Path | str) -> Scenario:
    """Read a scenario and all it refers to.

    Raises
    ------
    InputError
        Anything is wrong in any of the files.
    """
    source = _read(Path(path), "scenario")
    return _Loader(source).scenario()


def check_file(path: Path | str) -> Scenario | Arm | Encoder:
    """Read any document and build what it describes."""
    source = read_source(Path(path))
    kind = _kind(source.data, source, ())
    if kind == "scenario":
        return _Loader(source).scenario()
    if kind == "arm":
        return build_arm(validated(ArmDocument, source.data, source, ()), source)[0]
    return build_encoder(validated(EncoderDocument, source.data, source, ()), source)


class _Loader:
    """One scenario being loaded: every file it names is read once."""

    def __init__(self, source: Source) -> None:
        self.source = source
        self.sources: dict[Path, Source] = {source.path.resolve(): source}

    def scenario(self) -> Scenario:
        source = self.source
        document: ScenarioDocument = validated(ScenarioDocument, source.data, source, ())
        problems: list[Problem] = []
        arm_data, arm_source, at = self._resolve(document.arm, "arm", ("arm",))
        arm_document = validated(ArmDocument, arm_data, arm_source, at)
        arm, tolerances = build_arm(arm_document, arm_source, at)
        check_joints(document, arm, source)
        if isinstance(arm_document.kinematics, URDFKinematics):
            self._remember(arm_source.path.parent / arm_document.kinematics.file)
        skew = document.bus.skew
        bus = Bus(document.bus.cycle, document.bus.synchronous, NONE if skew is None else skew.spread)
        joints = []
        for joint in arm.joints:
            here = ("joints", joint.name)
            entry = document.joints[joint.name]
            try:
                encoder = self._encoder(entry.encoder, (*here, "encoder"))
                motor = self._encoder(entry.motor_encoder, (*here, "motor_encoder")) if entry.motor_encoder else None
                joints.append(build_joint(entry, joint, encoder, motor, bus, source, here))
            except InputError as error:
                problems += error.problems
        tasks: list[Task] = []
        for number, task in enumerate(document.tasks):
            try:
                if task.name in [known.name for known in tasks]:
                    raise source.error(("tasks", number, "name"), f"two tasks named {task.name!r}", "each name once")
                tasks.append(build_task(task, arm, source, ("tasks", number)))
                if isinstance(task, PathDocument) and task.file is not None:
                    self._remember(source.path.parent / task.file)
            except InputError as error:
                problems += error.problems
        if problems:
            # a fault that several joints share by reference is one fault
            first = {(p.file, p.line, p.column, p.found): p for p in reversed(problems)}
            raise InputError(*reversed(first.values()))
        sampling = document.sampling
        rise = document.environment.temperature_rise
        environment = Environment(None if rise is None else rise.spread, arm_document.expansion)
        return Scenario(
            document.name,
            Machine(arm, tuple(joints), tolerances, build_masses(arm_document), environment),
            tuple(tasks),
            build_plan(sampling, source),
            build_requirement(document.requirement, sampling, source),
            tuple(self.sources.values()),
        )

    def _remember(self, file: Path) -> None:
        """A file that is no document: its hash goes into the manifest."""
        self.sources[file.resolve()] = Source(file, {}, {}, hashlib.sha256(file.read_bytes()).hexdigest())

    def _encoder(self, reference: Any, at: KeyPath) -> Encoder:
        data, source, place = self._resolve(reference, "encoder", at)
        return build_encoder(validated(EncoderDocument, data, source, place), source, place)

    def _resolve(self, reference: Any, kind: str, at: KeyPath) -> tuple[Any, Source, KeyPath]:
        """Data of a reference: a path relative to the scenario, or the document standing in place."""
        if isinstance(reference, dict):
            _kind(reference, self.source, at, kind)
            return reference, self.source, at
        if not isinstance(reference, str) or not reference:
            accepted = f"a path to a file of kind {kind}, or the document itself"
            raise self.source.error(at, f"{reference!r} is not a reference", accepted)
        path = self.source.path.parent / reference
        resolved = path.resolve()
        if resolved not in self.sources:
            if not path.is_file():
                found = "not a file" if path.exists() else "no such file"
                raise self.source.error(at, f"{found}: {path}", "a path relative to the file that names it")
            self.sources[resolved] = _read(path, kind)
        source = self.sources[resolved]
        _kind(source.data, source, (), kind)
        return source.data, source, ()


def _read(path: Path, kind: str) -> Source:
    source = read_source(path)
    _kind(source.data, source, (), kind)
    return source


def _kind(data: dict[str, Any], source: Source, at: KeyPath, expected: str | None = None) -> str:
    """The kind of a document, which must be known and, where one is expected, the right one."""
    kind = data.get("kind")
    accepted = expected or ", ".join(KINDS)
    if kind is None:
        close = difflib.get_close_matches("kind", [str(key) for key in data], n=1)
        found = f"missing; found {close[0]!r}" if close else "missing"
        raise source.error((*at, "kind"), found, f"kind: {accepted}")
    if kind not in ([expected] if expected else KINDS):
        raise source.error((*at, "kind"), f"{kind!r}", accepted)
    return str(kind)
