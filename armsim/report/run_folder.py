"""Result folder of a run."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

from armsim.report.helpers import Helpers
from armsim.report.pdf import Paper
from armsim.report.pictures import NO_EXTRAS, Extras
from armsim.report.reproduce import RunRequest, file_sha256
from armsim.report.review import NO_HELPERS, write_review
from armsim.report.run_review import run_review
from armsim.results import Result
from armsim.scenario import Scenario


def write_run_folder(
    out: Path,
    result: Result,
    scenario: Scenario,
    command: str,
    progress: Callable[[str, int, int], None] = lambda what, completed, total: None,
    extras: Extras = NO_EXTRAS,
    paper: Paper = "a4",
    helpers: Helpers = NO_HELPERS,
    on_written: Callable[[Path], None] = lambda run_folder: None,
    request: RunRequest | None = None,
    slides: bool = False,
) -> None:
    """Write the folder of a run; parameters as in `write_review`.

    ``extras`` are further analyses of the run; ``request`` is the command in parts, stored in the manifest so that the
    run can be repeated.
    """

    def requested(run_folder: Path) -> Mapping[str, Any]:
        if request is None:
            return {}
        return {"asked": asdict(request), "results_sha256": file_sha256(run_folder / "results.json")}

    review = replace(run_review(result, scenario.sources, extras), scenario_file=scenario.file)
    write_review(out, review, command, paper, progress, on_written, helpers, slides, requested)
