"""Longer pieces of work of the page: each a function of a desk that tells its progress and returns what came of it."""

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
from armsim.explorer.session import Desk, Pinned
from armsim.report.reproduce import RunRequest
from armsim.sampling.run_options import Progress, RunOptions

if TYPE_CHECKING:
    from armsim.decide import Comparison, Selection, WhatIfs


@dataclass(frozen=True, eq=False)
class Package:
    """A file to be handed over."""

    name: str
    content: bytes


def _options(desk: Desk, progress: Progress) -> RunOptions:
    return replace(desk.run_options, progress=progress)


def cheapest(desk: Desk, progress: Progress) -> Selection:
    """The cheapest choice of the catalogue that meets the requirement."""
    assert desk.options is not None  # the page asks only with a catalogue
    return select(desk.current, desk.options, _options(desk, progress))


def worth(desk: Desk, progress: Progress) -> WhatIfs:
    """What it is worth to change one thing after the other."""
    return what_if(desk.current, _options(desk, progress))


def swept(desk: Desk, path: str, text: str, progress: Progress) -> Sweep:
    """The tasks judged at values of a number."""
    return sweep(desk.current, path, values_of(text), _options(desk, progress))


def compared(desk: Desk, pins: tuple[Pinned, ...], progress: Progress) -> Comparison:
    """Pinned designs against the first of them."""
    studies = [desk.study_of(pin.design).with_scenario(name=pin.name) for pin in pins]
    return compare(studies, _options(desk, progress))


def review(desk: Desk, progress: Progress) -> Package:
    """The folder of a run of the design that stands, packed."""
    from armsim.report.run_folder import write_run_folder

    study, shown = desk.current, desk.answer
    if shown is not None and shown.whole and shown.answer.samples is not None:
        result = study.result_of(desk.found, shown.answer.samples)
    else:
        result = study.evaluate(desk.found, _options(desk, progress))[0]
    with tempfile.TemporaryDirectory(prefix="armsim-") as place:
        folder = Path(place) / "review"
        write_run_folder(folder, result, study.scenario, command(desk), progress)
        buffer = io.BytesIO()
        with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as packed:
            for file in sorted(folder.rglob("*")):
                if file.is_file():
                    packed.write(file, file.relative_to(folder.parent))
    return Package(f"{scenario_of(desk).stem}-review.zip", buffer.getvalue())


def scenario_of(desk: Desk) -> Path:
    """The file that the page was opened with."""
    file = desk.study.scenario.file
    assert file is not None  # a desk is of a scenario that was read
    return file


def command(desk: Desk) -> str:
    """What to type to get what is shown."""
    scenario, plan = str(scenario_of(desk)), desk.study.scenario.plan
    changes = tuple(f"{path}={yaml_line(value)}" for path, value in desk.changes.items())
    if desk.saved is not None and desk.saved_key == desk.design.key:
        scenario, changes = str(desk.saved), ()
    return RunRequest(scenario, plan.seed, plan.units, plan.visits, changes=changes).command


def save(desk: Desk, name: str, replace: bool = False) -> Path:
    """Write the design beside its scenario, as a change of it, so that every comment of the original is kept.

    Raises
    ------
    InputError
        No plain name of a file, the file of something that was read, or one that is there and is not to be replaced.
    """
    base = scenario_of(desk)
    folder = base.absolute().parent

    def fault(wrong: str, accepted: str) -> InputError:
        return InputError(Problem(name[:80], 0, 0, "", wrong, accepted))

    plain = Path(name).name == name and name not in ("", ".", "..") and not set(name) & set('\\/:*?"<>|\0\n\r')
    if not plain or not name.endswith(".yaml") or len(name) > 100:
        raise fault("no plain name of a YAML file", "a name such as my-design.yaml, beside the scenario")
    to = folder / name
    read = {source.path.absolute() for source in desk.current.scenario.sources}
    if to.is_symlink() or to in read or to.resolve() in {path.resolve() for path in read}:
        raise fault("a file that the design is made from", "another name")
    if to.exists() and not replace:
        raise fault("there already", "another name, or to replace it")
    title = f"{desk.study.scenario.name}, as explored"
    changes = rebase_files(desk.changes, desk.study.scenario.folder.absolute(), folder)
    to.write_text(changes_text(title, base.absolute(), folder, changes), encoding="utf-8")
    desk.mark_saved(to)
    return to
