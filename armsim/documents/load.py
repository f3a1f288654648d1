"""Documents loaded whole: references followed, everything checked, model objects built."""

from __future__ import annotations

import difflib
import os
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from textwrap import shorten
from typing import Any

from armsim.documents.arm_document import ArmDocument, URDFKinematics, build_arm
from armsim.documents.build_tasks import build_task, with_task_limits
from armsim.documents.calibration_document import build_calibration
from armsim.documents.catalogue_document import CatalogueDocument, entry_of, parted
from armsim.documents.catalogue_options import limit_problems, offered
from armsim.documents.csv_columns import LARGEST, source_of
from armsim.documents.encoder_document import EncoderDocument, build_encoder
from armsim.documents.fields import Document
from armsim.documents.from_spec import Place, build
from armsim.documents.inheritance import Bases, based
from armsim.documents.joint_document import build_joint
from armsim.documents.lint import bare_sizes, doubts, without_speed_noise
from armsim.documents.messages import Faults, validated
from armsim.documents.motion_document import build_motion, check_limits
from armsim.documents.overrides import changed
from armsim.documents.scenario_document import ScenarioDocument, check_joints
from armsim.documents.source import read_named, read_source
from armsim.documents.task_documents import PathDocument
from armsim.documents.urdf import MOST_JOINTS
from armsim.errormodel.distributions import Distribution
from armsim.errormodel.terms import Axis
from armsim.field_spec import declared
from armsim.model.arm import Arm
from armsim.model.encoder import Encoder
from armsim.model.gravity import Masses
from armsim.model.joint import Bus
from armsim.model.joint_options import Options
from armsim.model.machine import Environment, Machine
from armsim.requirement.requirement import Requirement
from armsim.sampling_plan import SamplingPlan
from armsim.scenario import Scenario
from armsim.sources import KeyPath, Source
from armsim.tasks import Task

ENCODERS = ("encoder", "motor_encoder")

PART_OF = {
    "joints": "machine", "groups": "machine", "arm": "machine", "environment": "machine", "bus": "machine",
    "requirement": "requirement", "motion": "motion", "calibration": "calibration",
    "tasks": "tasks", "sampling": "plan", "name": "name",
}  # fmt: skip
"""Part of a scenario that a key of its document decides."""

KINDS: dict[str, type[Document]] = {
    "arm": ArmDocument,
    "encoder": EncoderDocument,
    "scenario": ScenarioDocument,
    "catalogue": CatalogueDocument,
}


def load_scenario(path: Path | str) -> Scenario:
    """Read a scenario and all it refers to.

    Raises
    ------
    InputError
        Anything is wrong in any of the files.
    """
    return _load(Path(path))


def _load(path: Path, raw: bytes | None = None, under: Bases = ()) -> Scenario:
    return _scenario(_read(path, "scenario", raw), under)


def _scenario(source: Source, under: Bases = ()) -> Scenario:
    """A scenario, or what another one is with changes."""
    if "base" in source.data:
        return based(source, under, _load, load_changed)
    return _Loader(source).scenario()


def load_changed(scenario: Scenario, changes: Mapping[str, Any], by: Source | None = None) -> Scenario:
    """A scenario read from a file with changes made to its documents, as `documents.overrides`, which has ``by`` too.

    What no change concerns (tasks, plan, requirement, the machine) is that of the scenario given, not read again.

    Raises
    ------
    InputError
        A path leads nowhere, or the changed scenario is not a good one.
    """
    if not changes:
        return scenario
    by_hand = Source(Path("change"), {}, {}, "", folder=scenario.folder)
    source = changed(scenario.sources[0], changes, scenario.machine.arm.groups, by or by_hand)
    new = _Loader(source).scenario()
    concerned = {PART_OF[path.split(".")[0]] for path in changes if path.split(".")[0] in PART_OF}
    parts = {part: getattr(new, part) for part in concerned}
    if "plan" in parts and "sampling" not in changes:  # what a command states of the others stays
        fields = {f"sampling.{field.yaml}": field.name for field in declared(SamplingPlan)}
        stated = {name: getattr(new.plan, name) for path, name in fields.items() if path in changes}
        parts["plan"] = replace(scenario.plan, **stated)
    if "tasks" in parts and "requirement" not in parts and scenario.requirement and new.requirement:
        parts["requirement"] = replace(scenario.requirement, tasks=new.requirement.tasks)
    sources = {os.path.realpath(file.path): file for file in new.sources}
    for file, _ in source.elsewhere.values():
        if file.sha256:  # what the command line says is no file
            sources.setdefault(os.path.realpath(file.path), file)
    told = [f"changed: {path} = {shorten(str(value), 120, placeholder=' …')}" for path, value in changes.items()]
    return replace(scenario, **parts, sources=tuple(sources.values()), notes=(*told, *new.notes))


def check_file(path: Path | str) -> Scenario | Arm | Encoder | CatalogueDocument:
    """Read any document and build what it describes."""
    source = read_source(Path(path))
    kind = _kind(source.data, source, ())
    if kind == "scenario":
        return _scenario(source)
    if kind == "arm":
        return build_arm(validated(ArmDocument, source.data, source, ()), source)[0]
    if kind == "catalogue":
        document: CatalogueDocument = validated(CatalogueDocument, source.data, source, ())
        _Loader(source).entries(document)
        return document
    return build_encoder(validated(EncoderDocument, source.data, source, ()), source)


def load_options(
    scenario: Path | str, catalogue: Path | str, changes: Mapping[str, Any] | None = None
) -> tuple[Scenario, Options]:
    """Read a scenario, with changes where there are any, and a catalogue of what its joints may be fitted with.

    Raises
    ------
    InputError
        Anything is wrong in any of the files, or a joint has no admissible entry.
    """
    ready = load_changed(load_scenario(scenario), changes or {})
    loader = _Loader(ready.sources[0])
    loader.notes = list(ready.notes)
    loader.sources.update({Path(os.path.realpath(own.path)): own for own in ready.sources})
    options = loader.options(_read(Path(catalogue), "catalogue"), ready)
    return replace(ready, sources=tuple(loader.sources.values()), notes=tuple(loader.notes)), options


class _Loader:
    """One scenario being loaded: every file it names is read once."""

    def __init__(self, source: Source) -> None:
        self.source = source
        self.sources: dict[Path, Source] = {Path(os.path.realpath(source.path)): source}
        self.notes: list[str] = []

    def scenario(self) -> Scenario:
        """Everything that is wrong in any of the files is told at once."""
        source, wrong = self.source, Faults()
        document: ScenarioDocument | None = wrong.of(validated, ScenarioDocument, source.data, source, ())
        found = wrong.of(self._arm, source.data["arm"]) if "arm" in source.data else None
        encoders = self._encoders(source.data.get("joints"), wrong)
        if document is None or found is None:
            raise wrong.error()
        arm_document, arm, tolerances, masses = found
        wrong.of(check_joints, document, arm, source)
        bus = Bus() if document.bus is None else build(Bus, document.bus, _machine(source, "bus"))
        joints = []
        for joint in arm.joints:
            entry = document.joints.get(joint.name)
            encoder, motor = (encoders.get((joint.name, key)) for key in ENCODERS)
            if entry is None or encoder is None or (motor is None and entry.motor_encoder):
                continue
            here = ("joints", joint.name)
            curve = entry.error_curve
            at = (*here, "error_curve", "file")
            if curve is not None and wrong.of(self._remember, curve.file, source, at) is None:
                continue
            joints.append(wrong.of(build_joint, entry, joint, encoder, motor, bus, source, here))
        names = [task.name for task in document.tasks]
        tasks = [wrong.of(self._task, document, number, arm, names) for number in range(len(names))]
        sampling, asked, around = document.sampling, document.requirement, document.environment
        moves = None
        if document.motion is not None:
            moves = wrong.of(build_motion, document.motion, arm, source)
            for fitted_joint in joints:
                if fitted_joint is not None:
                    wrong.of(check_limits, fitted_joint, moves, source)
        plan = SamplingPlan() if sampling is None else build(SamplingPlan, sampling, _machine(source, "sampling"))
        requirement = None if asked is None else build(Requirement, asked, _machine(source, "requirement"))
        if requirement is not None and requirement.velocity_ripple is not None and document.motion is None:
            ripple, accepted = ("requirement", "velocity_ripple"), "motion: with the speeds of the joints"
            wrong.problems.append(source.problem(ripple, "without motion", accepted))
        requirement = wrong.of(with_task_limits, requirement, document.tasks, tasks, source)
        calibration = None
        if document.calibration is not None:
            given, known = document.calibration, tuple(task for task in tasks if task is not None)
            file = None if given.poses is None else given.poses.file
            key = ("calibration", "poses", "file")
            if file is None or wrong.of(self._remember, file, source, key) is not None:
                calibration = wrong.of(build_calibration, given, arm, known, masses is not None, source)
        if wrong.problems:
            raise wrong.error()
        environment = build(Environment, around, _machine(source, "environment"), expansion=arm_document.expansion)
        fitted = tuple(joint for joint in joints if joint is not None)
        machine = Machine(arm, fitted, tolerances, masses, environment)
        self.notes += [*doubts(machine, moves), *bare_sizes(Environment, source.data.get("environment"), "environment")]
        return Scenario(
            document.name,
            machine,
            tuple(task for task in tasks if task is not None),
            plan,
            requirement,
            tuple(self.sources.values()),
            tuple(self.notes),
            moves,
            calibration,
            source.path,
        )

    def _arm(self, reference: Any) -> tuple[ArmDocument, Arm, tuple[tuple[Axis, Distribution], ...], Masses | None]:
        data, source, at = self._resolve(reference, "arm", ("arm",))
        document: ArmDocument = validated(ArmDocument, data, source, at)
        arm, tolerances, masses = build_arm(document, source, at)
        if isinstance(document.kinematics, URDFKinematics):
            self._remember(document.kinematics.file, source, (*at, "kinematics", "file"))
            if masses is not None:
                whole = sum(mass.mass for mass in masses.links.values())
                of = f"{len(masses.links)} of its {len(arm.joints)} joints carry links of {whole:.4g} kg"
                self.notes.append(f"{document.kinematics.file}: {of}")
        return document, arm, tolerances, masses

    def _encoders(self, joints: Any, wrong: Faults) -> dict[tuple[str, str], Encoder]:
        """The encoders of every joint, whatever else is wrong with it."""
        out: dict[tuple[str, str], Encoder] = {}
        for name, entry in joints.items() if isinstance(joints, dict) and len(joints) <= MOST_JOINTS else ():
            for key in ENCODERS if isinstance(entry, dict) else ():
                if key in entry and (key == "encoder" or entry[key] is not None):
                    encoder = wrong.of(self._encoder, entry[key], ("joints", name, key))
                    if encoder is not None:
                        out[name, key] = encoder
        return out

    def _task(self, document: ScenarioDocument, number: int, arm: Arm, names: list[str]) -> Task:
        task = document.tasks[number]
        if names.index(task.name) < number:
            raise self.source.error(("tasks", number, "name"), f"two tasks named {task.name!r}", "each name once")
        if isinstance(task, PathDocument) and task.file is not None:
            self._remember(task.file, self.source, ("tasks", number, "file"))
        return build_task(task, arm, self.source, ("tasks", number))

    def options(self, source: Source, ready: Scenario) -> Options:
        """Every admissible way to fit every joint with an entry of a catalogue."""
        document: CatalogueDocument = validated(CatalogueDocument, source.data, source, ())
        scenario: ScenarioDocument = validated(ScenarioDocument, self.source.data, self.source, ())
        arm = ready.machine.arm
        here = _Loader(source)  # references count from the catalogue
        encoders = here.entries(document, arm)
        self.sources.update(here.sources)
        self.notes += here.notes
        options, notes = offered(document, encoders, scenario, ready, source)
        self.notes += notes
        if ready.motion is not None:
            self.notes += without_speed_noise([(f"encoder {encoder.name!r}", encoder) for encoder in encoders])
        return options

    def entries(self, document: CatalogueDocument, arm: Arm | None = None) -> list[Encoder]:
        """The encoders of a catalogue, every fault told at once; joints are known where there is an arm."""
        source, wrong = self.source, Faults()
        encoders: list[Encoder] = []
        for number, entry in enumerate(document.encoders):
            encoder = wrong.of(self._encoder, entry.encoder, ("encoders", number, "encoder"))
            if encoder is not None:
                if encoder.name in [known.name for known in encoders]:
                    found = f"two encoders named {encoder.name!r}"
                    wrong.problems.append(source.problem(("encoders", number), found, "each name once"))
                encoders.append(encoder)
        classes = [entry.name for entry in document.mountings]
        for number, name in enumerate(classes):
            if name in classes[:number]:
                found = f"two mountings named {name!r}"
                wrong.problems.append(source.problem(("mountings", number, "name"), found, "each name once"))
        wrong.problems += limit_problems(document, [encoder.name for encoder in encoders], arm, source)
        if wrong.problems:
            raise wrong.error()
        return encoders

    def _follow(self, name: str, source: Source, at: KeyPath) -> tuple[Path, Path]:
        """The path of a file that is named at a key, and where it leads; a link out of its folder is noted."""
        path = source.beside(at, name)
        resolved = Path(os.path.realpath(path))
        folder = Path(os.path.realpath(source.beside(at, "")))
        if Path(os.path.normpath(folder / name)) != resolved:
            note = f"{path} is a link and leads to {resolved}"
            if note not in self.notes:
                self.notes.append(note)
        return path, resolved

    def _remember(self, name: str, source: Source, at: KeyPath) -> Source:
        """A file that is no document, named at a key: its hash goes into the manifest."""
        file, resolved = self._follow(name, source, at)
        self.sources[resolved] = source_of(file, read_named(file, source, at, LARGEST))
        return self.sources[resolved]

    def _encoder(self, reference: Any, at: KeyPath) -> Encoder:
        data, source, place = self._resolve(reference, "encoder", at)
        document = validated(EncoderDocument, data, source, place)
        if document.error_curves is not None:
            self._remember(document.error_curves.file, source, (*place, "error_curves", "file"))
        return build_encoder(document, source, place)

    def _resolve(self, reference: Any, kind: str, at: KeyPath) -> tuple[Any, Source, KeyPath]:
        """Data of a reference: a path relative to the file that names it, or the document standing in place."""
        if isinstance(reference, dict):
            _kind(reference, self.source, at, kind)
            return reference, self.source, at
        if not isinstance(reference, str) or not reference:
            accepted = f"a path to a file of kind {kind}, or the document itself"
            raise self.source.error(at, f"{reference!r} is not a reference", accepted)
        file, name = parted(reference, self.source.beside(at, ""))
        if name is not None and kind == "encoder":
            return self._entry(file, name, at)
        source = self._file(reference, kind, at)
        return source.data, source, ()

    def _entry(self, file: str, name: str, at: KeyPath) -> tuple[Any, Source, KeyPath]:
        """An encoder of a catalogue."""
        source = self._file(file, "catalogue", at)
        found = entry_of(source, name)
        if found is None:
            raise self.source.error(at, f"no encoder named {name!r} in {source.path}", "the name of one that it holds")
        return found[1], source, ("encoders", found[0], "encoder")

    def _file(self, reference: str, kind: str, at: KeyPath) -> Source:
        """A document in a file, read once."""
        path, resolved = self._follow(reference, self.source, at)
        if resolved not in self.sources:
            self.sources[resolved] = _read(path, kind, read_named(path, self.source, at))
        source = self.sources[resolved]
        _kind(source.data, source, (), kind)
        return source


def _machine(source: Source, key: str) -> Place:
    """Where a part of a scenario stands that belongs to no joint."""
    return Place(source, (key,), "rotation", "of the machine")


def _read(path: Path, kind: str, raw: bytes | None = None) -> Source:
    source = read_source(path, raw)
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
    if not isinstance(kind, str) or kind not in ([expected] if expected else KINDS):
        raise source.error((*at, "kind"), f"{kind!r}", accepted)
    return str(kind)
