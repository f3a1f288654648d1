"""Background jobs of the page: each a function of the session that reports progress and returns a result."""

from __future__ import annotations

import io
import tempfile
import zipfile
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from armsim.decide import compare, select, sweep, what_if
from armsim.decide.sweep import Sweep, values_of
from armsim.documents.references import rebase_files
from armsim.documents.write_overrides import changes_text, yaml_line
from armsim.errors import InputError, Problem
from armsim.explorer.session import Pinned, Session
from armsim.report.reproduce import RunRequest
from armsim.sampling.run_options import Progress, RunOptions

if TYPE_CHECKING:
    from armsim.decide import Comparison, Selection, WhatIfs


@dataclass(frozen=True, eq=False)
class Package:
    """A file to be downloaded."""

    name: str
    content: bytes


def _options(session: Session, progress: Progress) -> RunOptions:
    return replace(session.run_options, progress=progress)


def cheapest(session: Session, progress: Progress) -> Selection:
    """Find the cheapest encoders of the catalogue that meet the requirement."""
    assert session.options is not None  # the page asks only with a catalogue
    return select(session.current, session.options, _options(session, progress))


def what_ifs(session: Session, progress: Progress) -> WhatIfs:
    """Evaluate what-if changes of the current design."""
    return what_if(session.current, _options(session, progress))


def sweep_number(session: Session, path: str, text: str, progress: Progress) -> Sweep:
    """Sweep a number of the current design over values."""
    return sweep(session.current, path, values_of(text), _options(session, progress))


def compare_pins(session: Session, pins: tuple[Pinned, ...], progress: Progress) -> Comparison:
    """Compare pinned designs with the first of them."""
    studies = [session.study_of(pin.design).with_scenario(name=pin.name) for pin in pins]
    return compare(studies, _options(session, progress))


def review(session: Session, progress: Progress) -> Package:
    """Write the folder of a run of the current design as a ZIP file."""
    from armsim.report.run_folder import write_run_folder

    study, snapshot = session.current, session.snapshot
    if snapshot is not None and snapshot.complete and snapshot.answer.samples is not None:
        result = study.result_of(session.poses, snapshot.answer.samples)
    else:
        result = study.evaluate(session.poses, _options(session, progress))[0]
    with tempfile.TemporaryDirectory(prefix="armsim-") as place:
        folder = Path(place) / "review"
        write_run_folder(folder, result, study.scenario, command(session), progress)
        buffer = io.BytesIO()
        with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as packed:
            for file in sorted(folder.rglob("*")):
                if file.is_file():
                    packed.write(file, file.relative_to(folder.parent))
    return Package(f"{scenario_of(session).stem}-review.zip", buffer.getvalue())


def scenario_of(session: Session) -> Path:
    """Path of the scenario that the page was opened with."""
    file = session.study.scenario.file
    assert file is not None  # a session always has a scenario from a file
    return file


def command(session: Session) -> str:
    """Command line that reproduces the current design and plan."""
    scenario, plan = str(scenario_of(session)), session.study.scenario.plan
    changes = tuple(f"{path}={yaml_line(value)}" for path, value in session.changes.items())
    if session.saved is not None and session.saved_key == session.design.key:
        scenario, changes = str(session.saved), ()
    return RunRequest(scenario, plan.seed, plan.units, plan.visits, changes=changes).command


def save(session: Session, name: str, replace: bool = False) -> Path:
    """Write the current design beside its scenario, as a document of changes that leaves the original as it is.

    Raises
    ------
    InputError
        The name is no plain YAML file name, names an input of the design, or an existing file without ``replace``.
    """
    base = scenario_of(session)
    folder = base.absolute().parent

    def fault(wrong: str, accepted: str) -> InputError:
        return InputError(Problem(name[:80], 0, 0, "", wrong, accepted))

    plain = Path(name).name == name and name not in ("", ".", "..") and not set(name) & set('\\/:*?"<>|\0\n\r')
    if not plain or not name.endswith(".yaml") or len(name) > 100:
        raise fault("not a valid YAML file name", "a name such as my-design.yaml, beside the scenario")
    to = folder / name
    read = {source.path.absolute() for source in session.current.scenario.sources}
    if to.is_symlink() or to in read or to.resolve() in {path.resolve() for path in read}:
        raise fault("a file that the design is made from", "another name")
    if to.exists() and not replace:
        raise fault("there already", "another name, or to replace it")
    title = f"{session.study.scenario.name}, as explored"
    changes = rebase_files(session.changes, session.study.scenario.folder.absolute(), folder)
    to.write_text(changes_text(title, base.absolute(), folder, changes), encoding="utf-8")
    session.mark_saved(to)
    return to
