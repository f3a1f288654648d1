"""armsim run --sweep"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from armsim.cli.command import Changes, Output, Reply, Sampling, files_of, reply, typed
from armsim.cli.options import results_name

if TYPE_CHECKING:
    from armsim.sampling.run_options import Note, Progress
    from armsim.study import Study


def sweep_of(scenario: Path, study: Study, text: str, output: Output, sampling: Sampling, changes: Changes) -> None:
    """Sweep a value, PATH=FROM..TO:COUNT; the exit code is that of the worst verdict of all values."""
    from armsim.decide.sweep import ACCEPTED, sweep, values_of
    from armsim.errors import InputError, Problem

    path, sign, values = text.partition("=")
    if not sign or not path.strip():
        raise InputError(Problem("command line", 0, 0, "--sweep", repr(text[:60]), f"PATH={ACCEPTED}"))

    def work(progress: Progress, note: Note) -> Reply:
        from armsim.report.sweep_review import sweep_frame, sweep_review, sweep_state

        swept = sweep(study, path.strip(), values_of(values), sampling.options(progress, note))
        review = sweep_review(swept)
        return Reply(swept.to_dict, (sweep_frame(swept), review.answer), review.notes, sweep_state(swept), review)

    again = typed("run", [scenario], study.scenario.plan, "--sweep", text, *changes.words)
    reply(output, work, again, files_of(study), Path("results") / f"{results_name(scenario)}-sweep", scenario)
