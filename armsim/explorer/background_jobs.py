"""Background jobs of the page: each a function of its input and of run options that report progress."""

from __future__ import annotations

import io
import tempfile
import zipfile
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from armsim.decide import compare, select, sensitivities, sweep, what_if
from armsim.decide.resolving import search_until_resolved
from armsim.decide.sweep import Sweep, values_of
from armsim.decide.sweep_map import SweepMap, sweep_map
from armsim.documents.load import options_for
from armsim.documents.write_overrides import yaml_line
from armsim.explorer.session import Session
from armsim.explorer.snapshot import JobInput
from armsim.run_options import RunOptions

if TYPE_CHECKING:
    from armsim.decide import Comparison, Selection, Sensitivities, WhatIfs
    from armsim.decide.calibration_study import Calibrated
    from armsim.results import Result
    from armsim.study import Study


@dataclass(frozen=True, eq=False)
class Package:
    """A file to be downloaded."""

    name: str
    content: bytes


def cheapest(job_input: JobInput, options: RunOptions) -> Selection:
    """Find the cheapest encoders of the catalogue that meet the requirement; the design states the present sensors."""
    assert job_input.catalogue is not None  # the page asks only with a catalogue
    return select(job_input.study, options_for(job_input.study.scenario, job_input.catalogue)[1], options)


def cheapest_resolved(job_input: JobInput, options: RunOptions) -> Selection:
    """Find them as `cheapest`, with more arms until it is resolved that they meet it or not, within bounds."""
    assert job_input.catalogue is not None  # the page asks only with a catalogue
    return search_until_resolved(
        job_input.study, options_for(job_input.study.scenario, job_input.catalogue)[1], options
    )[0]


def what_ifs(job_input: JobInput, options: RunOptions) -> WhatIfs:
    """Evaluate what-if changes of the design."""
    return what_if(job_input.study, options)


def sweep_number(path: str, text: str, job_input: JobInput, options: RunOptions) -> Sweep:
    """Sweep a number of the design over values."""
    return sweep(job_input.study, path, values_of(text), options)


def sweep_two(path: str, text: str, other: str, other_text: str, job_input: JobInput, options: RunOptions) -> SweepMap:
    """Sweep two numbers of the design over values."""
    return sweep_map(job_input.study, (path, other), (values_of(text), values_of(other_text)), options)


def sensitivity(joint: str, job_input: JobInput, options: RunOptions) -> Sensitivities:
    """Vary every number of a joint of the design; of all where it is empty."""
    return sensitivities(job_input.study, options, joint)


def calibration(job_input: JobInput, options: RunOptions) -> Calibrated:
    """Run the calibration of the design."""
    from armsim.decide.calibration_study import calibrate

    return calibrate(job_input.study, options)


def whole_result(job_input: JobInput, options: RunOptions) -> Result:
    """Result of the design, from its samples where they are complete."""
    return _result(job_input.study, job_input, options)


def _result(study: Study, job_input: JobInput, options: RunOptions) -> Result:
    snapshot = job_input.snapshot
    if snapshot is not None and snapshot.complete and snapshot.answer.samples is not None:
        return study.result_of(job_input.poses, snapshot.answer.samples, options)
    return study.evaluate(job_input.poses, options)[0]


def compare_pins(job_input: JobInput, options: RunOptions) -> Comparison:
    """Compare pinned designs with the first of them."""
    return compare([pin.step.study.with_scenario(name=pin.name) for pin in job_input.pinned], options)


def review(job_input: JobInput, options: RunOptions) -> Package:
    """Write the folder of a run of the design as a ZIP file; its title names the design.

    The run equals that of the command in its manifest to the bit: other files read by the page have no effect.
    """
    from armsim.report.pictures import Extras
    from armsim.report.run_folder import write_run_folder

    design, request = job_input.step.design, job_input.request
    changes = dict(design.changes)
    if job_input.name != "as read":
        changes["name"] = f"{job_input.as_read.scenario.name}: {job_input.name}"
        request = replace(request, changes=(*request.changes, f"name={yaml_line(changes['name'])}"))
    study = job_input.as_read.change(changes)
    result = _result(study, job_input, options)
    with tempfile.TemporaryDirectory(prefix="armsim-") as temporary:
        folder = Path(temporary) / "review"
        extras = Extras(notes=(f"Note of the designer: {job_input.note}",) if job_input.note else ())
        write_run_folder(folder, result, study.scenario, request.command, options.progress, extras, request=request)
        buffer = io.BytesIO()
        with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as packed:
            for file in sorted(folder.rglob("*")):
                if file.is_file():
                    packed.write(file, file.relative_to(folder.parent))
    return Package(f"{Path(request.scenario).stem}-review.zip", buffer.getvalue())


def read_again(session: Session, job_input: JobInput, options: RunOptions) -> None:
    """Read all files of the session again."""
    session.read_again(options.progress)
