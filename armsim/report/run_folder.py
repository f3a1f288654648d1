"""The folder of a run."""

from __future__ import annotations

import json
import platform
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from armsim.report.assumed_values import assumed_records
from armsim.report.csv_tables import write_tables
from armsim.report.drawing import begin, finish, rasterizing
from armsim.report.gallery import figures_of
from armsim.report.helpers import Helpers
from armsim.report.html import write_page
from armsim.report.output_folder import folder
from armsim.report.pdf import Paper, write_pdf
from armsim.report.pictures import Extras
from armsim.report.reproduce import FORMAT, RunRequest, file_sha256
from armsim.report.ripple_tables import with_motion
from armsim.report.run_review import review
from armsim.report.slides import write_slides
from armsim.report.workbook import write_workbook
from armsim.results import Result
from armsim.scenario import Scenario
from armsim.sources import Source
from armsim.version import own_version, source_digest

MARK = "results.json"
NOTHING_MORE = Extras()
ALONE = Helpers(0)
PACKAGES = (
    "numpy",
    "scipy",
    "numba",
    "roboticstoolbox-python",
    "spatialmath-python",
    "matplotlib",
    "pydantic",
    "pint",
    "typst",
)


def write_run_folder(
    out: Path,
    result: Result,
    scenario: Scenario,
    command: str,
    progress: Callable[[str, int, int], None] = lambda what, done, total: None,
    extras: Extras = NOTHING_MORE,
    paper: Paper = "a4",
    helpers: Helpers = ALONE,
    landed: Callable[[Path], None] = lambda place: None,
    asked: RunRequest | None = None,
    slides: bool = False,
) -> None:
    """Write everything a run leaves behind.

    Parameters
    ----------
    out : Path
        The folder; an earlier result there is replaced at the very end.
    result : Result
    scenario : Scenario
    command : str
        What to type to do it again.
    progress : callable
        Told what is being written, how much of it is done, how much there is.
    extras : Extras
        What was worked out beside the run itself; a workbook is written where it holds budgets.
    paper : str
        Of the PDF.
    helpers : Helpers
        Processes that draw beside this one.
    landed : callable
        Told the folder as soon as it is in its place.
    asked : RunRequest, optional
        The same in parts, so that it can be done again.
    slides : bool
        Whether to write slides too.
    """
    with folder(out, scenario.file, landed) as partial:
        begun = begin(partial / "figures", figures_of(result, extras), helpers)
        progress("tables", 0, 1)
        with (partial / MARK).open("wb") as file:
            file.writelines(result.pieces())
        write_tables(partial / "tables", result)
        progress("tables", 1, 1)
        pictures = finish(begun, progress)
        if extras.what_ifs is not None:
            write_json(partial / "what-if.json", extras.what_ifs.to_dict())
        if extras.curve is not None:
            write_json(partial / "trade-off.json", extras.curve.to_dict())
        manifest = manifest_of(result, scenario.sources, command)
        if asked is not None:
            manifest |= {"asked": asdict(asked), "results_sha256": file_sha256(partial / MARK)}
        write_json(partial / "manifest.json", manifest)
        document = with_motion(review(result, pictures, scenario.sources, manifest, extras), result, pictures)
        with rasterizing(begun, helpers):
            progress("pages", 0, 2)
            write_page(partial / "report.html", document)
            if slides:
                write_slides(partial / "slides.pptx", document)
            if extras.budgets is not None:
                write_workbook(partial / "budget.xlsx", result, extras.budgets)
            progress("pages", 1, 2)
            write_pdf(partial / "report.pdf", document, paper)
            progress("pages", 2, 2)


def write_json(path: Path, data: Mapping[str, Any]) -> None:
    """Write a machine result."""
    text = json.dumps(data, indent=1, ensure_ascii=False, allow_nan=False)
    path.write_text(text + "\n", encoding="utf-8")


def origin(sources: Sequence[Source], command: str) -> dict[str, Any]:
    """What every manifest says: version, digest of the sources, time, hashes of the inputs, the command."""
    return {
        "format": FORMAT,
        "armsim": own_version(),
        "source_digest": source_digest(),
        "command": command,
        "time": datetime.now(UTC).isoformat(timespec="seconds"),
        "inputs": [{"file": str(source.path), "sha256": source.sha256} for source in sources],
    }


def manifest_of(result: Result, sources: Sequence[Source], command: str) -> dict[str, Any]:
    """How a result was made: versions, seed, hashes of the inputs, the command that makes it again."""
    packages = {}
    for name in PACKAGES:
        try:
            packages[name] = version(name)
        except PackageNotFoundError:
            packages[name] = "unknown"
    return {
        **origin(sources, command),
        "armsim": result.version,
        "source_digest": result.source_digest,
        "seed": result.seed,
        "units": result.units,
        "visits": result.visits,
        "python": platform.python_version(),
        "platform": platform.platform(),
        "packages": packages,
        "assumptions": assumed_records(result),
    }
