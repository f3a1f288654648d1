"""armsim compare"""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from armsim.cli.options import MEMORY, Json, Memory, Paper, PaperSize, Seed, Units, Visits, Workers, bytes_of, called
from armsim.cli.printing import print_machine, print_table, printing, say, shown_run, stoppable, tell
from armsim.sampling.run_options import RunOptions

if TYPE_CHECKING:
    from armsim.decide import Comparison


def compare(
    scenarios: Annotated[list[Path], typer.Argument(help="Scenario files; the first is what others are held against.")],
    out: Annotated[Path | None, typer.Option(help="Folder; results/NAME-compared where not given.")] = None,
    seed: Seed = None,
    units: Units = None,
    visits: Visits = None,
    workers: Workers = None,
    memory: Memory = MEMORY,
    paper: PaperSize = Paper.a4,
    json: Json = False,
) -> None:
    """Hold designs against the first: same poses, same random numbers, differences with 95 % intervals."""
    from armsim.report import decision_sentences
    from armsim.report.comparison import write_comparison
    from armsim.report.output_folder import check_destination
    from armsim.study import Study

    run_options = RunOptions(workers, bytes_of(memory))
    studies = [Study.load(scenario) for scenario in scenarios]
    studies[0] = studies[0].with_plan(units, visits, seed)
    folder = out or Path("results") / f"{called(scenarios[0])}-compared"
    inputs = [source.path for study in studies for source in study.scenario.sources]
    check_destination(folder, inputs, scenarios[0] if out is None else None)
    from armsim.decide import compare as held_against

    with stoppable() as written:
        with shown_run(run_options) as run_options:
            comparison = held_against(studies, run_options)
            plan = studies[0].scenario.plan
            names = " ".join(shlex.quote(str(scenario)) for scenario in scenarios)
            command = f"armsim compare {names} --seed {plan.seed} --units {plan.units} --visits {plan.visits}"
            designs = [study.scenario for study in studies]
            write_comparison(folder, comparison, designs, command, paper.value, run_options.progress, written.append)
        with printing(folder):
            if json:
                print_machine(comparison.to_dict())
            else:
                _print(comparison)
        warnings = [text for result in comparison.results for text in result.warnings]
        for warning in dict.fromkeys([*decision_sentences.other_requirements(comparison), *warnings]):
            say(f"note: {warning}")
        say(f"report: {folder / 'report.html'}")


def _print(comparison: Comparison) -> None:
    from armsim.report import decision_sentences

    rows = decision_sentences.summary_rows(comparison)
    print_table(
        "differences to the first design, with 95 % intervals", list(rows[0]), [list(row.values()) for row in rows]
    )
    for difference in comparison.differences:
        tell(decision_sentences.difference(difference, comparison.quantile) + ".")
        if difference.flips:
            some = ", ".join(difference.flips[:4])
            more = f" and {len(difference.flips) - 4} more" if len(difference.flips) > 4 else ""
            tell(f"  the order flips at {some}{more}")
