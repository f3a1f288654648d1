"""The document of a measured arm with its identified parameters."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from textwrap import wrap

from armsim.decide.calibration_study import Calibrated
from armsim.documents.arm_source import arm_source
from armsim.documents.write_arm import ArmFile
from armsim.documents.write_urdf import with_origins
from armsim.errormodel.shapes import Proportional, Wave
from armsim.errors import InputError, Problem
from armsim.report.calibration_review import contradictions, residuals, size_text
from armsim.scenario import Scenario

WIDTH = 116


def urdf_file_next_to(scenario: Scenario, file: Path) -> Path | None:
    """Name of the URDF file that is written next to an arm file; None for rows of link parameters."""
    return None if arm_source(scenario).urdf is None else file.with_suffix(".urdf")


def arm_files(calibrated: Calibrated, file: Path) -> dict[Path, str]:
    """Texts of the files of the measured arm: the URDF file where there is one, and the arm file.

    Raises
    ------
    InputError
        Not one arm was measured.
    """
    if len(calibrated.arms) != 1:
        names = ", ".join(arm.name for arm in calibrated.arms[:6])
        raise InputError(Problem("command line", 0, 0, "--write", f"{len(calibrated.arms)} arms: {names}", "one arm"))
    scenario, identification = calibrated.before.scenario, calibrated.identifications[0]
    source, urdf = arm_source(scenario), urdf_file_next_to(scenario, file)
    lines = [line for text in _header(calibrated) for line in (*wrap(text, WIDTH), "")]
    arm = scenario.machine.arm
    written = ArmFile(
        calibrated.arms[0].name, source.data, arm, identification, lines[:-1], "" if urdf is None else urdf.name
    )
    out = {file: written.text()}
    if urdf is not None and source.urdf is not None:
        out = {urdf: with_origins(source.urdf.read_text(encoding="utf-8-sig"), arm, written.displacements), **out}
    return out


def _header(calibrated: Calibrated) -> Iterator[str]:
    arm = calibrated.arms[0]
    yield (
        f"{arm.name}, identified by armsim calibrate at {arm.poses} poses ({calibrated.before.scenario.name}). "
        "Values are corrected; beside each what it was, by how much it moved, and the standard uncertainty of that."
    )
    yield f"{arm.name}: {residuals(arm)}."
    for text in contradictions(calibrated):
        yield f"{text}."
    if calibrated.confounded:
        treatment = "known by the population alone" if calibrated.prior else "left as they were"
        names = "; ".join(
            f"{row.name} (from {', '.join(name for name, _ in row.combination) or 'nothing that these poses show'})"
            for row in calibrated.confounded
        )
        yield f"Not distinguished by these poses, {treatment}: {names}."
    compliances = [row for row in arm.values if row.group == "stiffness"]
    for row in compliances:
        yield (
            f"{row.name}: {size_text(row.unit, row.value)} \N{PLUS-MINUS SIGN} {size_text(row.unit, row.uncertainty)} "
            "of attained minus commanded position per load of gravity on the joint."
        )
    shapes = [type(parameter.shape) for parameter in calibrated.identifications[0].parameters]
    if Wave in shapes:
        yield (
            "Waves: attained minus commanded position of a joint, cosine and sine of so many periods per turn (or of a "
            "period), for the compensation in its controller."
        )
    if {Wave, Proportional} & set(shapes):
        yield "Results of this file are those of an arm whose controller compensates its waves and compliances."
