"""armsim run --sweep"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

from armsim.cli.printing import print_machine, print_table, printing, say, shown_progress, stoppable
from armsim.processors import processors

if TYPE_CHECKING:
    from armsim.decide.sweep import Sweep
    from armsim.study import Study


def sweep_of(study: Study, text: str, out: Path, own: Path, workers: int | None, allowed: int, json: bool) -> bool:
    """Sweep a value, PATH=FROM..TO:COUNT, write and print what is found; whether the requirement holds everywhere."""
    from armsim.decide.sweep import ACCEPTED, sweep, values_of
    from armsim.errors import InputError, Problem
    from armsim.report.comparison import write_sweep
    from armsim.report.output_folder import check_destination

    path, sign, values = text.partition("=")
    if not sign or not path.strip():
        raise InputError(Problem("command line", 0, 0, "--sweep", repr(text[:60]), f"PATH={ACCEPTED}"))
    check_destination(out, [source.path for source in study.scenario.sources], own)
    with stoppable() as landed:
        with shown_progress() as (progress, note):
            found = sweep(study, path.strip(), values_of(values), workers or processors(), progress, allowed, note)
            write_sweep(out, found, landed.append)
        with printing(out):
            if json:
                print_machine(found.to_dict())
            else:
                _print(found)
        for warning in study.scenario.notes:
            say(f"note: {warning}")
        say(f"sweep: {out}")
    sys.stdout.flush()
    return all(own.met is not False for point in found.record.points for own in point.tasks)


def _print(found: Sweep) -> None:
    from armsim.formatting import percent, show, show_interval

    rows = []
    for point in found.record.points:
        for own in point.tasks:
            passed = "–" if own.yield_ is None else percent(own.yield_)
            met = "none" if own.met is None else ("met" if own.met else "not met")
            doubt = "" if own.sure is not False else ", undecided"
            scatter = "–" if own.repeatability_p95 is None else show(own.repeatability_p95)
            told = show_interval(own.p95, own.p95_interval), scatter, passed, f"{met}{doubt}"
            rows.append((point.value, own.name, *told))
    headers = ("value", "task", "95 % of errors within", "RP, 95 % of units", "yield", "requirement")
    print_table(f"{found.record.scenario}: {found.record.path}", headers, rows)
