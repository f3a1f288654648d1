"""Option `--sweep` of `armsim run`: a run for each of several values of one parameter."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from armsim.cli.command import Changes, CommandResult, Output, Sampling, command_words, input_files, run_command
from armsim.cli.options import results_name

if TYPE_CHECKING:
    from armsim.run_options import Note, Progress
    from armsim.study import Study


def run_sweep(scenario: Path, study: Study, text: str, output: Output, sampling: Sampling, changes: Changes) -> None:
    """Run a study for several values of one parameter, PATH=FROM..TO:COUNT; exit by the worst verdict of all values."""
    from armsim.decide.sweep import ACCEPTED, sweep, values_of
    from armsim.errors import InputError, Problem

    path, sign, values = text.partition("=")
    if not sign or not path.strip():
        raise InputError(Problem("command line", 0, 0, "--sweep", repr(text[:60]), f"PATH={ACCEPTED}"))

    def work(progress: Progress, note: Note) -> CommandResult:
        from armsim.report.sweep_review import sweep_frame, sweep_review, sweep_state

        sweep_result = sweep(study, path.strip(), values_of(values), sampling.options(progress, note))
        review = sweep_review(sweep_result)
        return CommandResult(
            sweep_result.to_dict,
            (sweep_frame(sweep_result), review.answer),
            review.notes,
            sweep_state(sweep_result),
            review,
        )

    rerun_command = command_words("run", [scenario], study.scenario.plan, "--sweep", text, *changes.words)
    run_command(
        output, work, rerun_command, input_files(study), Path("results") / f"{results_name(scenario)}-sweep", scenario
    )
