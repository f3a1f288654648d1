"""armsim select"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from armsim.cli.command import (
    Changes,
    Output,
    Reply,
    Sampling,
    calibrated_study,
    command_words,
    files_of,
    grouped,
    option,
    reply,
)
from armsim.cli.options import Arms, Calibrated, Catalogue, Paper, check_new_file, write_new

if TYPE_CHECKING:
    from armsim.decide import Selection
    from armsim.report.review import Review
    from armsim.run_options import Note, Progress
    from armsim.scenario import Scenario


AFTER = (
    "every design is evaluated after calibration, as the calibration: block states; readings are weighted as for "
    "the sensors in the scenario"
)


@grouped
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
    """The cheapest set of encoders that meets the requirement, with its proof; exit 1 if none does, 4 if the sample
    does not resolve whether the answer, or where none was found the closest set, does.
    """
    from armsim.documents.load import load_options

    sampling.check()
    if write is not None:
        check_new_file(write, "--write")
    ready, options = load_options(scenario, catalogue, changes.values, arms)
    study = calibrated_study(sampling.study_of(ready), calibrated)
    chosen: list[str] = []

    def work(progress: Progress, note: Note) -> Reply:
        from armsim.decide.decision import decide, select_with_robustness
        from armsim.report.decision_review import decision_review, selection_printout

        arguments = study, options, sampling.options(progress, note)
        review: Review | None = None
        if output.out is None:
            selection = select_with_robustness(*arguments, resolve)
        else:
            decision = decide(*arguments, resolve)
            selection = decision.selection
            review = decision_review(decision, ready, _text(selection, ready, scenario, catalogue, changes, output.out))
        if write is not None:
            chosen.extend(
                filter(None, [_text(selection, ready, scenario, catalogue, changes, write.absolute().parent)])
            )
        notes = (*ready.notes, *((AFTER,) if calibrated else ()))
        return Reply(selection.to_dict, selection_printout(selection), notes, selection.state, review)

    def then() -> Path | None:
        for text in chosen:
            assert write is not None
            write_new(write, text)
        return write if chosen else None

    words = ["--catalogue", catalogue, *changes.words]
    words += [] if output.paper is Paper.a4 else ["--paper", output.paper.value]
    words += ["--calibrated"] if calibrated else []
    words += ["--resolve"] if resolve else []
    words += option("--arms", arms)
    reply(output, work, command_words("select", [scenario], study.scenario.plan, *words), files_of(study), then=then)


def _text(
    selection: Selection, ready: Scenario, scenario: Path, catalogue: Path, changes: Changes, to: Path
) -> str | None:
    """YAML text of the chosen design for a folder; None where nothing meets the requirement."""
    from armsim.documents.references import rebase_files
    from armsim.documents.write_overrides import selection_text

    if selection.design is None:
        return None
    folder = to.absolute()
    name = f"{ready.name}, cheapest of {catalogue.stem}"
    before = rebase_files(changes.values, ready.folder, folder)
    text = selection_text(scenario, ready.machine, ready.sources, catalogue, selection.design, name, folder, before)
    return f"# {selection.price:g} cost units\n{text}"
