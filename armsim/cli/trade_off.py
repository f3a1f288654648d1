"""armsim trade-off"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from armsim.cli.options import (
    MEMORY,
    Calibrated,
    Catalogue,
    Json,
    Memory,
    Out,
    Seed,
    Set,
    Units,
    Visits,
    Workers,
    bytes_of,
    changes_of,
)
from armsim.cli.printing import print_machine, print_table, printing, say, shown_run, stoppable, tell
from armsim.sampling.run_options import RunOptions

if TYPE_CHECKING:
    from armsim.decide import TradeOff


def trade_off(
    scenario: Annotated[Path, typer.Argument(help="Scenario file with a requirement.")],
    catalogue: Catalogue,
    out: Out = None,
    seed: Seed = None,
    units: Units = None,
    visits: Visits = None,
    workers: Workers = None,
    memory: Memory = MEMORY,
    set_: Set = None,
    after: Calibrated = False,
    json: Json = False,
) -> None:
    """Price against error: every design for which, by first order, nothing cheaper errs less."""
    from armsim.decide import trade_off as curve_of
    from armsim.documents.load import load_options
    from armsim.report.comparison import write_trade_off
    from armsim.report.output_folder import check_destination
    from armsim.study import Study

    run_options = RunOptions(workers, bytes_of(memory))
    ready, options = load_options(scenario, catalogue, changes_of(set_))
    study = Study(ready).with_plan(units, visits, seed)
    if after:
        from armsim.calibration.calibrated_study import calibrated

        study = calibrated(study)
    if out is not None:
        check_destination(out, [source.path for source in ready.sources])
    with shown_run(run_options) as run_options:
        curve = curve_of(study, options, run_options)
    with stoppable() as landed:
        if out is not None:
            write_trade_off(out, curve, landed.append)
        with printing(out):
            if json:
                print_machine(curve.to_dict())
            else:
                _print(curve)
        if out is not None:
            say(f"trade-off: {out}")


def _print(curve: TradeOff) -> None:
    from armsim.formatting import percent, show
    from armsim.report.decision_sentences import cheapest_in_words

    groups = list(dict.fromkeys(group for point in curve.points for group in point.spending))
    headers = ("price", "first order", "sampled", "at", *(f"spent on {group}" for group in groups), "does not keep")
    rows = []
    for point in curve.points:
        spent = [f"{point.spending.get(group, 0.0):g}" for group in groups]
        sizes = show(point.predicted), show(point.sampled)
        rows.append((f"{point.price:g}", *sizes, point.pose, *spent, ", ".join(point.failed) or "nothing"))
    title = f"{curve.scenario}: designs for which, by first order, nothing cheaper errs less"
    print_table(f"{title}; {percent(curve.coverage)} of errors lie within", headers, rows)
    asked = f"{percent(curve.coverage)} of errors within {show(curve.position)}"
    tell(f"as it is: {show(curve.current)} with sensors for {curve.current_price:g}; required {asked}")
    tell(cheapest_in_words(curve))
