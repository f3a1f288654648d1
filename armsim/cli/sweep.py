"""armsim run --sweep"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

from armsim.cli.printing import print_machine, print_table, printing, say, shown_run, stoppable

if TYPE_CHECKING:
    from armsim.decide.sweep import Sweep
    from armsim.requirement import Verdict
    from armsim.sampling.run_options import RunOptions
    from armsim.study import Study


def sweep_of(study: Study, text: str, out: Path, scenario: Path, options: RunOptions, json: bool) -> Verdict:
    """Sweep a value, PATH=FROM..TO:COUNT, write and print what is found; the worst verdict of all values."""
    from armsim.decide.sweep import ACCEPTED, sweep, values_of
    from armsim.errors import InputError, Problem
    from armsim.report.comparison import write_sweep
    from armsim.report.output_folder import check_destination
    from armsim.requirement import combined

    path, sign, values = text.partition("=")
    if not sign or not path.strip():
        raise InputError(Problem("command line", 0, 0, "--sweep", repr(text[:60]), f"PATH={ACCEPTED}"))
    check_destination(out, [source.path for source in study.scenario.sources], scenario)
    with stoppable() as landed:
        with shown_run(options) as run_options:
            answers = sweep(study, path.strip(), values_of(values), run_options)
            write_sweep(out, answers, landed.append)
        with printing(out):
            if json:
                print_machine(answers.to_dict())
            else:
                _print(answers)
        for warning in study.scenario.notes:
            say(f"note: {warning}")
        say(f"sweep: {out}")
    sys.stdout.flush()
    return combined(row for point in answers.record.points for task in point.tasks for row in task.judgements)


def _print(answers: Sweep) -> None:
    from armsim.requirement import share_digits

    points = [(point.value, task) for point in answers.record.points for task in point.tasks]
    rows, headers = [], ["value", "task", "worst pose"]
    shared = share_digits([task.judgements for _, task in points])
    headers += [column.header for column in shared[0]] if shared else []
    for (value, task), judgements in zip(points, shared, strict=True):
        rows.append((value, task.name, task.worst_pose, *(column.cell for column in judgements), task.state))
    print_table(f"{answers.record.scenario}: {answers.record.path}", (*headers, "requirement"), rows)
