"""armsim select"""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from armsim.cli.options import (
    MEMORY,
    Calibrated,
    Catalogue,
    Json,
    Memory,
    Paper,
    PaperSize,
    Seed,
    Set,
    Units,
    Visits,
    Workers,
    bytes_of,
    changes_of,
    check_new_file,
    write_new,
)
from armsim.cli.printing import exit_of, print_machine, print_table, printing, say, shown_run, stoppable, tell
from armsim.sampling.run_options import RunOptions

if TYPE_CHECKING:
    from armsim.decide import Selection
    from armsim.requirement.requirement import Requirement
    from armsim.scenario import Scenario


AFTER = (
    "every design is taken as calibrated: measured and identified as the scenario says, readings weighed as for the "
    "sensors that it names"
)


def select(
    scenario: Annotated[Path, typer.Argument(help="Scenario file with a requirement.")],
    catalogue: Catalogue,
    write: Annotated[Path | None, typer.Option(help="Scenario file to write with what was chosen.")] = None,
    out: Annotated[Path | None, typer.Option(help="Folder for the review of the decision.")] = None,
    paper: PaperSize = Paper.a4,
    seed: Seed = None,
    units: Units = None,
    visits: Visits = None,
    workers: Workers = None,
    memory: Memory = MEMORY,
    set_: Set = None,
    after: Calibrated = False,
    json: Json = False,
) -> None:
    """The cheapest set of encoders that meets the requirement, with its proof; exit 1 if none does."""
    from armsim.decide import select as choose
    from armsim.documents.load import load_options
    from armsim.study import Study

    run_options = RunOptions(workers, bytes_of(memory))
    if write is not None:
        check_new_file(write, "--write")
    ready, options = load_options(scenario, catalogue, changes_of(set_))
    if out is not None:
        from armsim.report.output_folder import check_destination

        check_destination(out, [source.path for source in ready.sources])
    study = Study(ready).with_plan(units, visits, seed)
    if after:
        from armsim.calibration.calibrated_study import calibrated

        study = calibrated(study)
    with stoppable() as landed:
        with shown_run(run_options) as run_options:
            decision = None
            if out is None:
                found = choose(study, options, run_options)
            else:
                from armsim.decide.decision import decide

                decision = decide(study, options, run_options)
                found = decision.selection
            if decision is not None and out is not None:
                from armsim.report.decision_review import write_decision

                again = _command(scenario, catalogue, seed, units, visits, set_, paper, after)
                design = None if found.design is None else _chosen(found, ready, scenario, catalogue, set_, out)
                write_decision(out, decision, ready, again, design, paper.value, run_options.progress, landed.append)
        written = None
        if write is not None and found.design is not None:
            write_new(write, _chosen(found, ready, scenario, catalogue, set_, write.absolute().parent))
            written = write
            landed.append(write)
        with printing(written or out):
            if json:
                print_machine(found.to_dict())
            else:
                assert ready.requirement is not None  # held by select
                _print(found, ready.requirement)
        for text in (*ready.notes, *((AFTER,) if after else ())):
            say(f"note: {text}")
        if written is not None:
            say(f"scenario: {written}")
        if out is not None:
            say(f"decision: {out / 'report.html'}")
    if exit_of(found.state):
        raise typer.Exit(exit_of(found.state))


def _chosen(
    found: Selection, ready: Scenario, scenario: Path, catalogue: Path, changes: list[str] | None, to: Path
) -> str:
    """The text of the chosen design, to stand in a folder."""
    from armsim.documents.references import counted_from
    from armsim.documents.write_overrides import as_changes

    assert found.design is not None  # held by the caller
    folder = to.absolute()
    name = f"{ready.name}, cheapest of {catalogue.stem}"
    before = counted_from(changes_of(changes), ready.folder, folder)
    text = as_changes(scenario, ready.machine, ready.sources, catalogue, found.design, name, folder, before)
    return f"# {found.price:g} cost units\n{text}"


def _command(
    scenario: Path, catalogue: Path, seed: int | None, units: int | None, visits: int | None,
    changes: list[str] | None, paper: Paper, after: bool,
) -> str:  # fmt: skip
    """What to type to decide again."""
    words = ["armsim", "select", str(scenario), "--catalogue", str(catalogue)]
    for option, value in (("--seed", seed), ("--units", units), ("--visits", visits)):
        words += [] if value is None else [option, str(value)]
    for change in changes or ():
        words += ["--set", change]
    words += [] if paper is Paper.a4 else ["--paper", paper.value]
    words += ["--calibrated"] if after else []
    return shlex.join(words)


def _print(found: Selection, requirement: Requirement) -> None:
    from armsim.formatting import show
    from armsim.report.decision_sentences import answer, in_words

    title = "the cheapest choice" if found.design is not None else "the choice that comes closest"
    rows = [(row.joint, row.encoder, row.mounting, row.placement, f"{row.price:g}") for row in found.closest]
    print_table(title, ("joint", "encoder", "mounting", "placement", "price"), rows)
    tell(answer(found, requirement) + ".")
    if found.equals:
        same = [(show(own.at_coverage), in_words(own.design)) for own in found.equals]
        title = f"other choices that meet the requirement for {found.price:g}"
        print_table(title, ("error", "choice"), same, right=(0,))
    if found.refuted:
        failed = []
        for refuted in found.refuted:
            failed.append((f"{refuted.price:g}", in_words(refuted.design), "; ".join(refuted.reasons)))
        print_table("cheaper choices, sampled, and where they fail", ("price", "choice", "fails"), failed)
