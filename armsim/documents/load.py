"""Load documents: follow references, check everything, build model objects."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from textwrap import shorten
from types import MappingProxyType
from typing import Any

from armsim.documents.arm_document import ArmDocument, ArmParts, URDFKinematics, build_arm
from armsim.documents.build_tasks import build_task, with_task_limits
from armsim.documents.calibration_document import build_calibration
from armsim.documents.catalogue_document import CatalogueDocument, CatalogueEntry, find_entry, split_reference
from armsim.documents.catalogue_options import build_options, name_problems
from armsim.documents.couplings import check_solvable
from armsim.documents.csv_columns import LARGEST_TABLE, measurement_source
from armsim.documents.encoder_document import EncoderDocument, build_encoder
from armsim.documents.from_spec import Context, build
from armsim.documents.inheritance import DerivedFiles, resolve_base
from armsim.documents.joint_document import build_joint, check_masses
from armsim.documents.kinds import document_kind, read_kind
from armsim.documents.lint import bare_size_notes, lint_machine, speed_noise_notes
from armsim.documents.messages import Faults, validate
from armsim.documents.motion_document import build_motion, check_speed_limits
from armsim.documents.overrides import apply_changes
from armsim.documents.scenario_document import ScenarioDocument, SpecificationDocument, check_joints
from armsim.documents.shared_settings import SPECIFICATION_KEYS, with_shared_settings
from armsim.documents.source import read_named_file, read_source
from armsim.documents.task_documents import PathDocument
from armsim.documents.urdf import MOST_JOINTS
from armsim.field_spec import declared_fields
from armsim.model.arm import Arm
from armsim.model.encoder import Encoder
from armsim.model.joint import Bus
from armsim.model.joint_options import Options
from armsim.model.machine import Environment, Machine
from armsim.requirement.requirement import Requirement
from armsim.sampling_plan import SamplingPlan
from armsim.scenario import CHANGED, Scenario
from armsim.sources import KeyPath, Source
from armsim.tasks import Task

ENCODER_KEYS = ("encoder", "motor_encoder")
SCENARIO_PARTS = {
    "joints": "machine", "groups": "machine", "arm": "machine", "environment": "machine", "bus": "machine",
    "requirement": "requirement", "motion": "motion", "calibration": "calibration",
    "tasks": "tasks", "sampling": "plan", "name": "name",
}  # fmt: skip
"""Part of a scenario that each key of its document determines."""


def load_scenario(path: Path | str) -> Scenario:
    """Read a scenario and all files that it refers to.

    Raises
    ------
    InputError
        A fault in any of the files.
    """
    return _load(Path(path))


def _load(path: Path, raw: bytes | None = None, derived_files: DerivedFiles = ()) -> Scenario:
    return _scenario(read_kind(path, "scenario", raw), derived_files)


def _scenario(source: Source, derived_files: DerivedFiles = ()) -> Scenario:
    """Build a scenario from its source; if it has a ``base``, load that and apply the changes."""
    if "base" in source.data:
        return resolve_base(source, derived_files, _load, load_changed)
    return _Loader(source).scenario()


def load_changed(
    scenario: Scenario, changes: Mapping[str, Any], stated_in: Source | None = None, documents: Sequence[Source] = ()
) -> Scenario:
    """Apply changes to the documents of a scenario that was read from a file.

    Parts that no change affects (tasks, plan, requirement, machine) are taken over from the scenario, and files that
    were already read are not read again.

    Parameters
    ----------
    scenario : Scenario
    changes : mapping of path to value
        As in `documents.overrides`.
    stated_in : Source, optional
        Scenario file that states the changes; None if they do not come from a file.
    documents : sequence of Source
        Further documents that have already been read.

    Raises
    ------
    InputError
        A key path that does not exist in the scenario, or a fault in the changed scenario.
    """
    if not changes:
        return scenario
    stated_in = stated_in or Source(Path("change"), {}, {}, "", folder=scenario.folder)
    read_documents = {Path(os.path.realpath(file.path)): file for file in (*documents, *scenario.sources) if file.data}
    source = apply_changes(scenario.sources[0], changes, scenario.machine.arm.groups, stated_in, read_documents)
    changed_scenario = _Loader(source, read_documents).scenario()
    keys = {path.split(".")[0] for path in changes}
    specification_keys = SPECIFICATION_KEYS if "specification" in keys else ()
    affected_parts = {SCENARIO_PARTS[key] for key in (*keys, *specification_keys) if key in SCENARIO_PARTS}
    parts = {part: getattr(changed_scenario, part) for part in affected_parts}
    if "plan" in parts and "sampling" not in changes:  # sampling options of the command line that are not changed stay
        fields = {f"sampling.{field.yaml}": field.name for field in declared_fields(SamplingPlan)}
        plan_values = {name: getattr(changed_scenario.plan, name) for path, name in fields.items() if path in changes}
        parts["plan"] = replace(scenario.plan, **plan_values)
    if "tasks" in parts and "requirement" not in parts and scenario.requirement and changed_scenario.requirement:
        parts["requirement"] = replace(scenario.requirement, tasks=changed_scenario.requirement.tasks)
    sources = {os.path.realpath(file.path): file for file in changed_scenario.sources}
    for file in filter(lambda file: file.sha256, source.merged_sources):  # values of the command line have no file
        sources.setdefault(os.path.realpath(file.path), file)
    change_notes = [
        f"{CHANGED}{path}" if isinstance(value, dict | list) else f"{CHANGED}{path} = {shorten(str(value), 120)}"
        for path, value in changes.items()
    ]
    return replace(scenario, **parts, sources=tuple(sources.values()), notes=(*change_notes, *changed_scenario.notes))


def check_file(path: Path | str) -> Scenario | Arm | Encoder | CatalogueDocument | SpecificationDocument:
    """Read a document of any kind; return the object it describes, or a checked catalogue or specification."""
    source = read_source(Path(path))
    kind = document_kind(source.data, source, ())
    if kind == "scenario":
        return _scenario(source)
    if kind == "arm":
        return build_arm(validate(ArmDocument, source.data, source, ()), source)[0]
    if kind == "specification":
        return validate(SpecificationDocument, source.data, source, ())  # type: ignore[no-any-return]
    if kind == "catalogue":
        document: CatalogueDocument = validate(CatalogueDocument, source.data, source, ())
        _Loader(source).entries(document)
        return document
    return build_encoder(validate(EncoderDocument, source.data, source, ()), source)


def load_encoders(path: Path | str) -> tuple[Source, list[Encoder]]:
    """Read a catalogue, and the encoders of its entries.

    Raises
    ------
    InputError
        A fault in the catalogue or in a file that it names.
    """
    source = read_kind(Path(path), "catalogue")
    return source, _Loader(source).entries(validate(CatalogueDocument, source.data, source, ()))


def reading_remarks(path: Path | str) -> tuple[str, ...]:
    """Warnings from reading a table, or a document that refers to one."""
    return read_source(Path(path)).remarks


def load_options(
    scenario: Path | str, catalogue: Path | str, changes: Mapping[str, Any] | None = None, arms: int | None = None
) -> tuple[Scenario, Options]:
    """Read a scenario, with optional changes, and the options of a catalogue for its joints.

    ``arms`` is the number of arms for which encoders are bought, by default that stated in the catalogue.

    Raises
    ------
    InputError
        A fault in any of the files, or a joint without an admissible entry.
    """
    return options_for(load_changed(load_scenario(scenario), changes or {}), catalogue, arms)


def options_for(scenario: Scenario, catalogue: Path | str, arms: int | None = None) -> tuple[Scenario, Options]:
    """Read the options of a catalogue for the joints of a scenario; parameters and errors as in `load_options`."""
    loader = _Loader(scenario.sources[0])
    loader.notes = list(scenario.notes)
    loader.sources.update({Path(os.path.realpath(source.path)): source for source in scenario.sources})
    options = loader.options(read_kind(Path(catalogue), "catalogue"), scenario)
    if arms is not None:
        options = replace(options, purchase=replace(options.purchase, arms=arms))
    return replace(scenario, sources=tuple(loader.sources.values()), notes=tuple(loader.notes)), options


class _Loader:
    """Loads one scenario or catalogue: reads every file once, and none of the ``documents`` again."""

    def __init__(self, source: Source, documents: Mapping[Path, Source] = MappingProxyType({})) -> None:
        shared, files = (
            with_shared_settings(source) if source.data.get("kind") == "scenario" else (source, source.merged_sources)
        )
        self.source = shared
        self.sources: dict[Path, Source] = {Path(os.path.realpath(file.path)): file for file in (shared, *files)}
        self.notes: list[str] = []
        self.documents = documents

    def scenario(self) -> Scenario:
        """Build the scenario; the faults of all files are reported together."""
        source, faults = self.source, Faults()
        document: ScenarioDocument | None = faults.collect(validate, ScenarioDocument, source.data, source, ())
        arm_parts = faults.collect(self._arm, source.data["arm"]) if "arm" in source.data else None
        encoders = self._encoders(source.data.get("joints"), faults)
        if document is None or arm_parts is None:
            raise faults.error()
        arm_document, (arm, tolerances, masses, identification) = arm_parts
        faults.collect(check_joints, document, arm, source)
        bus = Bus() if document.bus is None else build(Bus, document.bus, _machine_context(source, "bus"))
        joints = []
        for number, joint in enumerate(arm.joints):
            entry = document.joints.get(joint.name)
            encoder, motor = (encoders.get((joint.name, key)) for key in ENCODER_KEYS)
            if entry is None or encoder is None or (motor is None and entry.motor_encoder):
                continue
            joint_path = ("joints", joint.name)
            curve = entry.error_curve
            curve_path = (*joint_path, "error_curve", "file")
            if curve is not None and faults.collect(self._record_data_file, curve.file, source, curve_path) is None:
                continue
            joints.append(faults.collect(build_joint, entry, arm, number, encoder, motor, bus, source, joint_path))
        names = [task.name for task in document.tasks]
        tasks = [faults.collect(self._task, document, number, arm, names) for number in range(len(names))]
        motion = None
        if document.motion is not None:
            motion = faults.collect(build_motion, document.motion, arm, source)
            for fitted_joint in filter(None, joints):
                faults.collect(check_speed_limits, fitted_joint, motion, source)
        plan, requirement = SamplingPlan(), None
        if document.sampling is not None:
            plan = build(SamplingPlan, document.sampling, _machine_context(source, "sampling"))
        if document.requirement is not None:
            requirement = build(Requirement, document.requirement, _machine_context(source, "requirement"))
        if requirement is not None and requirement.velocity_ripple is not None and document.motion is None:
            ripple, accepted = ("requirement", "velocity_ripple"), "motion: with the speeds of the joints"
            faults.problems.append(source.problem(ripple, "without motion", accepted))
        requirement = faults.collect(with_task_limits, requirement, document.tasks, tasks, source)
        calibration = None
        if document.calibration is not None:
            calibration_document, task_list = document.calibration, tuple(task for task in tasks if task is not None)
            file = None if calibration_document.poses is None else calibration_document.poses.file
            key = ("calibration", "poses", "file")
            if file is None or faults.collect(self._record_data_file, file, source, key) is not None:
                calibration = faults.collect(
                    build_calibration, calibration_document, arm, task_list, masses is not None, source
                )
        if faults.problems:
            raise faults.error()
        context = _machine_context(source, "environment")
        environment = build(Environment, document.environment, context, expansion=arm_document.expansion)
        complete_joints = tuple(joint for joint in joints if joint is not None)
        machine = Machine(arm, complete_joints, tolerances, masses, environment, (), None, identification)
        if machine.drive_matrix is not None:
            check_solvable(machine.drive_matrix, source, ("arm",))
        check_masses(complete_joints, masses, source)
        self.notes += dict.fromkeys(remark for file in self.sources.values() for remark in file.remarks)
        self.notes += [*lint_machine(machine, motion), *bare_size_notes(source.data)]
        return Scenario(
            document.name,
            machine,
            tuple(task for task in tasks if task is not None),
            plan,
            requirement,
            tuple(self.sources.values()),
            tuple(self.notes),
            motion,
            calibration,
            source.path,
        )

    def _arm(self, reference: Any) -> tuple[ArmDocument, ArmParts]:
        data, source, key_path = self._resolve(reference, "arm", ("arm",))
        document: ArmDocument = validate(ArmDocument, data, source, key_path)
        parts = build_arm(document, source, key_path)
        arm, _, masses, _ = parts
        if isinstance(document.kinematics, URDFKinematics):
            self._record_data_file(document.kinematics.file, source, (*key_path, "kinematics", "file"))
            if masses is not None:
                total_mass = sum(mass.mass for mass in masses.links.values())
                summary = f"{len(masses.links)} of its {len(arm.joints)} joints carry links of {total_mass:.4g} kg"
                self.notes.append(f"{document.kinematics.file}: {summary}")
        return document, parts

    def _encoders(self, joints: Any, faults: Faults) -> dict[tuple[str, str], Encoder]:
        """Encoders of all joints, read even if other keys are invalid, so that all faults are reported together."""
        encoders: dict[tuple[str, str], Encoder] = {}
        for name, entry in joints.items() if isinstance(joints, dict) and len(joints) <= MOST_JOINTS else ():
            for key in ENCODER_KEYS if isinstance(entry, dict) else ():
                if key in entry and (key == "encoder" or entry[key] is not None):
                    encoder = faults.collect(self._encoder, entry[key], ("joints", name, key))
                    if encoder is not None:
                        encoders[name, key] = encoder
        return encoders

    def _task(self, document: ScenarioDocument, number: int, arm: Arm, names: list[str]) -> Task:
        task = document.tasks[number]
        if names.index(task.name) < number:
            raise self.source.error(("tasks", number, "name"), f"two tasks named {task.name!r}", "each name once")
        if isinstance(task, PathDocument) and task.file is not None:
            self._record_data_file(task.file, self.source, ("tasks", number, "file"))
        return build_task(task, arm, self.source, ("tasks", number))

    def options(self, source: Source, scenario: Scenario) -> Options:
        """Admissible options of every joint from a catalogue."""
        document: CatalogueDocument = validate(CatalogueDocument, source.data, source, ())
        scenario_document: ScenarioDocument = validate(ScenarioDocument, self.source.data, self.source, ())
        arm = scenario.machine.arm
        catalogue_loader = _Loader(source)  # references are relative to the catalogue file
        encoders = catalogue_loader.entries(document, arm)
        self.sources.update(catalogue_loader.sources)
        self.notes += [*source.remarks, *catalogue_loader.notes]
        options, notes = build_options(document, encoders, scenario_document, scenario, source)
        self.notes += notes
        if scenario.motion is not None:
            self.notes += speed_noise_notes([(f"encoder {encoder.name!r}", encoder) for encoder in encoders])
        return options

    def entries(self, document: CatalogueDocument, arm: Arm | None = None) -> list[Encoder]:
        """Encoders of a catalogue, with all faults reported together; names of joints are checked against an arm."""
        source, faults = self.source, Faults()
        encoders: list[Encoder] = []
        for number, entry in enumerate(document.encoders):
            encoder = faults.collect(self._encoder, entry.encoder, ("encoders", number, "encoder"))
            if encoder is not None:
                if encoder.name in [other.name for other in encoders]:
                    finding = f"two encoders named {encoder.name!r}"
                    faults.problems.append(source.problem(("encoders", number), finding, "each name once"))
                encoders.append(encoder)
        faults.problems += name_problems(document, [encoder.name for encoder in encoders], arm, source)
        if faults.problems:
            raise faults.error()
        return encoders

    def _resolve_file(self, name: str, source: Source, key_path: KeyPath) -> tuple[Path, Path]:
        """Path of a file named at a key, and its resolved path; a symbolic link is reported in the notes."""
        path = source.resolve_path(key_path, name)
        resolved = Path(os.path.realpath(path))
        folder = Path(os.path.realpath(source.resolve_path(key_path, "")))
        if Path(os.path.normpath(folder / name)) != resolved:
            note = f"{path} is a link and leads to {resolved}"
            if note not in self.notes:
                self.notes.append(note)
        return path, resolved

    def _record_data_file(self, name: str, source: Source, key_path: KeyPath) -> Source:
        """Record a data file (CSV, URDF), so that its hash is written to the manifest of the results."""
        file, resolved = self._resolve_file(name, source, key_path)
        self.sources[resolved] = measurement_source(file, read_named_file(file, source, key_path, LARGEST_TABLE))
        return self.sources[resolved]

    def _encoder(self, reference: Any, key_path: KeyPath) -> Encoder:
        catalogue_entry = self.source.origin(key_path)
        name = None
        if isinstance(reference, str) and reference:
            file, name = split_reference(reference, self.source.resolve_path(key_path, ""))
        if name is None:
            data, source, path = self._resolve(reference, "encoder", key_path)
        else:
            entry = self._entry(file, name, key_path)
            catalogue_entry = entry.catalogue, entry.key_path
            data, source, path = entry.encoder, *entry.encoder_location
        document = validate(EncoderDocument, data, source, path)
        if document.error_curves is not None:
            self._record_data_file(document.error_curves.file, source, (*path, "error_curves", "file"))
        return build_encoder(document, source, path, catalogue_entry)

    def _resolve(self, reference: Any, kind: str, key_path: KeyPath) -> tuple[Any, Source, KeyPath]:
        """Content of a reference (path relative to the stating file, or inline document), its source and key path."""
        if isinstance(reference, dict):
            document_kind(reference, self.source, key_path, kind)
            return reference, self.source, key_path
        if not isinstance(reference, str) or not reference:
            accepted = f"a path to a file of kind {kind}, or the document itself"
            raise self.source.error(key_path, f"{reference!r} is not a reference", accepted)
        source = self._file(reference, kind, self.source, key_path)
        return source.data, source, ()

    def _entry(self, file: str, name: str, key_path: KeyPath) -> CatalogueEntry:
        """Encoder of a catalogue, by name."""
        source = self._file(file, "catalogue", self.source, key_path)
        entry = find_entry(source, name, lambda file, catalogue, path: self._file(file, "encoder", catalogue, path))
        if entry is None:
            finding = f"no encoder named {name!r} in {source.path}"
            raise self.source.error(key_path, finding, "the name of one that it holds")
        return entry

    def _file(self, reference: str, kind: str, named_by: Source, key_path: KeyPath) -> Source:
        """Read a document from a file, once."""
        path, resolved = self._resolve_file(reference, named_by, key_path)
        if resolved not in self.sources:
            document = self.documents.get(resolved)
            self.sources[resolved] = document or read_kind(path, kind, read_named_file(path, named_by, key_path))
            self.sources |= {Path(os.path.realpath(file.path)): file for file in self.sources[resolved].merged_sources}
        source = self.sources[resolved]
        document_kind(source.data, source, (), kind)
        return source


def _machine_context(source: Source, key: str) -> Context:
    """Context for messages about a key that belongs to the machine and not to a joint."""
    return Context(source, (key,), "rotation", "of the machine")
