"""Command `armsim select`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from armsim.cli.command import (
    Changes,
    CommandResult,
    Output,
    Sampling,
    calibrated_study,
    command_words,
    input_files,
    option_words,
    run_command,
    with_option_groups,
)
from armsim.cli.options import Arms, Calibrated, Catalogue, Paper, check_new_file, write_new

if TYPE_CHECKING:
    from armsim.decide import Selection
    from armsim.report.review import Review
    from armsim.run_options import Note, Progress
    from armsim.scenario import Scenario


CALIBRATED_NOTE = (
    "every design is evaluated after calibration, as the calibration: block states; readings are weighted as for "
    "the sensors in the scenario"
)


@with_option_groups
def select(
    scenario: Annotated[Path, typer.Argument(help="Scenario file with a requirement.")],
    catalogue: Catalogue,
    output: Output,
    sampling: Sampling,
    changes: Changes,
    write: Annotated[Path | None, typer.Option(help="Write the chosen design to this scenario file.")] = None,
    calibrated: Calibrated = False,
    arms: Arms = None,
    resolve: Annotated[
        bool, typer.Option("--resolve", help="Sample more arms until the answer is resolved, 32 times as many at most.")
    ] = False,
) -> None:
    """Find the cheapest encoders that meet the requirement.

    The answer comes with its proof. Exit 1 if no set meets it, 4 if the sample does not resolve whether the answer,
    or the closest set if none was found, meets it.
    """
    from armsim.documents.load import load_options

    sampling.check()
    if write is not None:
        check_new_file(write, "--write")
    base_scenario, options = load_options(scenario, catalogue, changes.values, arms)
    study = calibrated_study(sampling.study(base_scenario), calibrated)
    design_texts: list[str] = []

    def work(progress: Progress, note: Note) -> CommandResult:
        from armsim.decide.decision import decide, select_with_robustness
        from armsim.report.decision_review import decision_review, selection_printout

        arguments = study, options, sampling.options(progress, note)
        review: Review | None = None
        if output.out is None:
            selection = select_with_robustness(*arguments, resolve)
        else:
            decision = decide(*arguments, resolve)
            selection = decision.selection
            review = decision_review(
                decision,
                base_scenario,
                _design_text(selection, base_scenario, scenario, catalogue, changes, output.out),
            )
        if write is not None:
            design_texts.extend(
                filter(
                    None,
                    [_design_text(selection, base_scenario, scenario, catalogue, changes, write.absolute().parent)],
                )
            )
        notes = (*base_scenario.notes, *((CALIBRATED_NOTE,) if calibrated else ()))
        return CommandResult(selection.to_dict, selection_printout(selection), notes, selection.state, review)

    def write_design() -> Path | None:
        for text in design_texts:
            assert write is not None
            write_new(write, text)
        return write if design_texts else None

    words = ["--catalogue", catalogue, *changes.words]
    words += [] if output.paper is Paper.a4 else ["--paper", output.paper.value]
    words += ["--calibrated"] if calibrated else []
    words += ["--resolve"] if resolve else []
    words += option_words("--arms", arms)
    run_command(
        output,
        work,
        command_words("select", [scenario], study.scenario.plan, *words),
        input_files(study),
        write_document=write_design,
    )


def _design_text(
    selection: Selection,
    base_scenario: Scenario,
    scenario: Path,
    catalogue: Path,
    changes: Changes,
    parent_folder: Path,
) -> str | None:
    """YAML text of the chosen design for a folder; None where nothing meets the requirement."""
    from armsim.documents.references import rebase_files
    from armsim.documents.write_overrides import selection_text

    if selection.design is None:
        return None
    folder = parent_folder.absolute()
    name = f"{base_scenario.name}, cheapest of {catalogue.stem}"
    earlier_changes = rebase_files(changes.values, base_scenario.folder, folder)
    text = selection_text(
        scenario,
        base_scenario.machine,
        base_scenario.sources,
        catalogue,
        selection.design,
        name,
        folder,
        earlier_changes,
    )
    return f"# {selection.price:g} cost units\n{text}"
