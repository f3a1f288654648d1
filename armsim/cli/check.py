"""armsim check"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from armsim.cli.options import Set, changes_of
from armsim.cli.printing import print_frame, print_line, print_machine, print_note, print_table, printing
from armsim.errors import InputError, Problem

if TYPE_CHECKING:
    from armsim.model.encoder import Encoder
    from armsim.results import JointBudget
    from armsim.scenario import Scenario

BELOW = ("resolution at the joint [bit]", "lever arm", "accuracy part", "repeatability part", "worst case")
"""Columns of the joints that the table of each joint tells in its own words."""


def check(
    files: Annotated[list[Path], typer.Argument(help="Documents, or folders of results.")],
    json: Annotated[bool, typer.Option("--json", help="Print everything as JSON.")] = False,
    set_: Set = None,
) -> None:
    """Validate documents, print the error budget of every joint, check that results are complete. Writes no file."""
    from armsim.documents import check_file

    changes = changes_of(set_)
    problems: list[Problem] = []
    good: list[tuple[Path, Any]] = []
    for file in files:
        try:
            if _is_folder(file):
                good.append((file, _check_result(file)))
            else:
                good.append((file, _changed(check_file(file), changes)))
        except InputError as error:
            problems += error.problems
    with printing():
        _print_documents(good, json and not problems)
    if problems:
        raise InputError(*problems)


def _changed(document: Any, changes: dict[str, Any]) -> Any:
    """Apply changes to a scenario.

    Raises
    ------
    InputError
        The document is no scenario, or a path does not exist.
    """
    from armsim.documents.load import load_changed
    from armsim.scenario import Scenario

    if isinstance(document, Scenario):
        return load_changed(document, changes)
    if changes:
        actual = f"{', '.join(changes)}: not for this document"
        raise InputError(Problem("command line", 0, 0, "--set", actual, "a scenario, whose values it changes"))
    return document


def _is_folder(path: Path) -> bool:
    """Whether a path is a folder, or may be one whose replacement was interrupted."""
    return path.is_dir() or (not path.suffix and not path.exists())


def _check_result(folder: Path) -> str:
    """Check the folder of a result; return the message for a good one.

    Raises
    ------
    InputError
        The folder holds no result, or its files were changed.
    """
    from armsim.report.output_folder import damage, restored

    if not restored(folder):
        actual = "file or result folder not found" if not folder.exists() else "is not the folder of a result"
        raise InputError(Problem(str(folder), 0, 0, "", actual, "a document, or the folder of a result"))
    wrong = damage(folder)
    if wrong:
        raise InputError(*(Problem(str(folder), 0, 0, "", text, "the files of the run") for text in wrong))
    return "the result is whole, every file as it was written"


def _print_documents(good: list[tuple[Path, Any]], json: bool) -> None:
    from armsim.cli.check_record import encoder_record, scenario_record
    from armsim.documents.load import remarks_of
    from armsim.model.encoder import Encoder
    from armsim.scenario import Scenario

    printed: dict[str, Any] = {}
    for file, document in good:
        if isinstance(document, Scenario):
            for note in document.notes:
                print_note(f"note: {note}")
            if json:
                printed[str(file)] = scenario_record(document)
                continue
            from armsim.cli.command import show
            from armsim.cli.link_tolerance_table import print_links
            from armsim.model.assumptions import assumptions
            from armsim.report.assumed_values import assumed_frame
            from armsim.report.joint_tables import joints_frame
            from armsim.report.operation_tables import operation_frame
            from armsim.report.ripple_tables import motion_frame
            from armsim.report.two_sensor_tables import two_sensors_frame
            from armsim.sampling.joint_budgets import joint_budgets
            from armsim.sampling.operation_limits import limits_of
            from armsim.sampling.sensor_pairs import two_sensors
            from armsim.sampling.speed_ripple import motions
            from armsim.tasks.named_poses import fastest

            machine = document.machine
            speeds = fastest(machine.arm, document.tasks)
            budgets = joint_budgets(machine, document.plan.seed, speeds)
            print_line(
                f"{file}: scenario {document.name!r} is valid; sensors cost {document.machine.price:g} cost units"
            )
            prices = [joint.price for joint in machine.joints]
            frame = joints_frame(budgets, prices, "all joints (terms of each below)")
            print_frame(frame.without(*BELOW))  # on lines of eighty characters
            _print_budgets(budgets)
            print_links(machine)
            assumed = assumptions(machine)
            show([assumed_frame(assumed)] if assumed else [])
            motion, limits = motions(machine, document.motion, document.plan.seed), limits_of(machine, document.plan)
            show([motion_frame(motion)] if motion else [])
            show([operation_frame(limits)] if limits else [])
            pairs = two_sensors(machine, document.plan.seed, speeds)
            show([two_sensors_frame(pairs)] if pairs else [])
            _print_poses(document)
        elif isinstance(document, str):
            if json:
                printed[str(file)] = {"kind": "result", "result": "whole"}
            else:
                print_line(f"{file}: {document}")
        elif isinstance(document, Encoder):
            if json:
                printed[str(file)] = encoder_record(document)
            else:
                _print_encoder(file, document)
        else:
            kind = type(document).__name__.lower().removesuffix("document")
            if json:
                printed[str(file)] = {"kind": kind, "name": document.name}
            else:
                title = kind if document.name is None else f"{kind} {document.name!r}"
                print_line(f"{file}: {title} is valid")
                for remark in remarks_of(file):
                    print_note(f"note: {remark}")
    if json:
        print_machine(printed)


def _print_encoder(file: Path, encoder: Encoder) -> None:
    """Print how the data sheet was read, and the errors that it makes."""
    from armsim.report.sheet_reading import SPEED, absent_causes, errors, numbers

    read, terms, absent = numbers(encoder), errors(encoder), absent_causes(encoder)
    print_line(f"{file}: encoder {encoder.name!r} is valid; {encoder.price:g} cost units")
    print_table("how the data sheet was read", ("key", "read as", "from"), read)
    header = ("cause", "life", "shape", "rms", "limit", "from")
    place = "at the shaft" if encoder.rotary else "on a metre of travel"
    title = f"errors {place}, before mounting; speed-dependent errors at {SPEED[encoder.rotary][0]}"
    print_table(title, header, terms, right=(3, 4))
    if absent:
        print_line(f"not stated, taken as zero: {', '.join(absent)}")


def _print_poses(scenario: Scenario) -> None:
    """Print tool position, orientation and joint values of every named pose."""
    import numpy as np

    from armsim.cli.check_record import named_poses

    rotary = np.array([joint.revolute for joint in scenario.machine.arm.joints])
    rows: dict[str, list[tuple[str, ...]]] = {}
    for task, pose in named_poses(scenario):
        position, reason = _listed(1e3 * np.array(pose["position"])), pose.get("not_reached")
        if reason is None:
            q = np.array(pose["joints"])
            turns_and_joints = (_listed(np.degrees(pose["turns"])), _listed(np.where(rotary, np.degrees(q), 1e3 * q)))
        else:
            turns_and_joints = ("", f"cannot be reached: {reason}")
        rows.setdefault(task, []).append((pose["name"], position, *turns_and_joints))
    header = ("pose", "x, y, z [mm]", "roll, pitch, yaw [deg]", "joints [deg, mm]")
    for task, listed in rows.items():
        print_table(f"{task}: tool positions of the named poses", header, listed)


def _listed(values: Iterable[float]) -> str:
    """Numbers rounded to 0.01, without negative zero."""
    return ", ".join(f"{round(float(value), 2) + 0.0:g}" for value in values)


def _print_budgets(budgets: dict[str, JointBudget]) -> None:
    """Print the terms of every joint with their totals, and the error motions of its axis."""
    from armsim.formatting import percent, show, show_joint, significant
    from armsim.report.joint_tables import error_motions_frame, terms_frame

    for name, budget in budgets.items():
        lever = f"{show(budget.lever_arm)}/rad" if budget.unit == "rad" else "1 m/m"
        print_line(
            f"{name}: {budget.encoder}, {budget.placement}; {significant(budget.resolution_bits, 4)} bit, "
            f"step {show_joint(budget.step, budget.unit)} at the joint, "
            f"{show(budget.step * budget.lever_arm)} at the tool (lever arm {lever})"
        )
        if budget.contrast < 0.9995:
            more = percent(1 / budget.contrast - 1, 2)
            print_line(f"head placement leaves a signal contrast of {percent(budget.contrast)}: {more} more noise")
        print_frame(terms_frame(budget, totals=True), apart=(len(budget.terms),))
        for frame in error_motions_frame(budget):
            print_frame(replace(frame, title=f"{name}: error motions of its axis"))
