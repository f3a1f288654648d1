"""armsim allocate"""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from armsim.cli.options import MEMORY, Json, Memory, Seed, Set, Units, Visits, Workers, bytes_of, changes_of
from armsim.cli.printing import print_machine, print_table, printing, shown_run, tell
from armsim.sampling.run_options import RunOptions

if TYPE_CHECKING:
    from armsim.decide import Allocation


def allocate(
    scenario: Annotated[Path, typer.Argument(help="Scenario file with a requirement.")],
    exponent: Annotated[float, typer.Option(min=0.1, max=10, help="Price law: an error s costs s^-exponent.")] = 1.0,
    seed: Seed = None,
    units: Units = None,
    visits: Visits = None,
    workers: Workers = None,
    memory: Memory = MEMORY,
    set_: Set = None,
    json: Json = False,
) -> None:
    """From the requirement at the tool point to an error budget for the sensor of every joint; exit 1 without one."""
    from armsim.documents.load import load_changed, load_scenario
    from armsim.study import Study

    run_options = RunOptions(workers, bytes_of(memory))
    study = Study(load_changed(load_scenario(scenario), changes_of(set_))).with_plan(units, visits, seed)
    from armsim.decide import allocate as share_out

    with shown_run(run_options) as run_options:
        found = share_out(study, exponent, run_options)
    with printing():
        if json:
            print_machine(found.to_dict())
        elif found.budgets:
            _print(found)
        else:
            tell(f"requirement not met, whatever the sensors: {'; '.join(found.reasons)}")
    if not found.met:
        raise typer.Exit(1)


def _print(found: Allocation) -> None:
    from armsim.decide.allocate import equivalent_bits
    from armsim.formatting import ARCSECOND, percent, show, show_interval, significant

    tell(
        f"required {show(found.position)} at {percent(found.coverage)}; links, gears and mastering alone make "
        f"{show(found.fixed)} at {found.fixed_pose}"
    )
    rows = []
    for name, rotary in found.rotary.items():
        cells = []
        for budget in found.budgets:
            std = budget.std[name]
            if not math.isfinite(std):
                cells.append("any: does not move the tool point")
            elif rotary:
                arcsec, urad = significant(std * ARCSECOND.factor), significant(std * 1e6)
                cells.append(f"{arcsec} arcsec, {urad} urad, {equivalent_bits(std):.1f} bit")
            else:
                cells.append(show(std))
        rows.append([name, *cells])
    last = len(rows)
    for criterion in dict.fromkeys(own.criterion for budget in found.budgets for own in budget.judgements):
        judged = [next(own for own in budget.judgements if own.criterion == criterion) for budget in found.budgets]
        rows.append([judged[0].statistic, *(own.figure for own in judged)])
    rows.append(["other units", *(show_interval(b.confirmed, b.confirmed_interval) for b in found.budgets)])
    rows.append(["at", *(budget.pose for budget in found.budgets)])
    rows.append(["cost", *(f"{budget.cost:.3g}" for budget in found.budgets)])
    for budget in found.budgets:
        for judgement in budget.unmet:
            tell(f"{budget.scheme}: {judgement.reason}")
    title, header = "standard deviation left to the sensor of each joint", [budget.scheme for budget in found.budgets]
    print_table(title, ["joint", *header], rows, apart=(last,))
    gap = next(budget.gap for budget in found.budgets if budget.gap is not None)
    tell(
        f"price law: an error s costs s^-{found.exponent:g}; cost relative to the cheapest; the dual bound of least "
        f"cost leaves a gap of {max(gap, 0.0):.1g}"
    )
