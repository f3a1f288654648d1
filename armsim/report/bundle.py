"""The folder of a run. Written beside its place and moved there whole, so that nothing half-written is ever seen."""

from __future__ import annotations

import json
import os
import platform
import shutil
import tempfile
import warnings
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from matplotlib.figure import Figure

from armsim import figures
from armsim.documents import Scenario
from armsim.errors import InputError, Problem
from armsim.report.page import write_page
from armsim.report.tables import write_tables
from armsim.results import Result, TaskResult

MARK = "results.json"
CONTENTS = {MARK, "manifest.json", "report.html", "tables", "figures"}
"""What a run leaves behind; a folder that holds anything else is not replaced."""
PACKAGES = ("numpy", "scipy", "numba", "roboticstoolbox-python", "spatialmath-python", "matplotlib", "pydantic", "pint")


def check_destination(out: Path, contents: set[str] = CONTENTS) -> None:
    """Refuse to replace a folder that is not an earlier result.

    Raises
    ------
    InputError
        The folder holds something else, or cannot be made.
    """

    def fault(found: str, accepted: str) -> InputError:
        return InputError(Problem(str(out), 0, 0, "--out", found, accepted))

    if out.exists() and not out.is_dir():
        raise fault("is a file", "a folder")
    if out.is_dir():
        strangers = sorted({entry.name for entry in out.iterdir()} - contents)
        if strangers:
            raise fault(f"holds other things than a result: {', '.join(strangers[:3])}",
                        "a new folder, an empty one, or an earlier result alone")  # fmt: skip
    parent = out.absolute().parent
    while not parent.exists():
        parent = parent.parent
    try:
        os.rmdir(tempfile.mkdtemp(prefix=".armsim-", dir=parent))
    except OSError as error:
        raise fault(f"{parent}: {error.strerror}", "a place where a folder can be made") from error


def write_bundle(
    out: Path,
    result: Result,
    scenario: Scenario,
    command: str,
    progress: Callable[[str, int, int], None] = lambda what, done, total: None,
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
    """
    out = out.absolute()
    out.parent.mkdir(parents=True, exist_ok=True)
    partial = Path(tempfile.mkdtemp(prefix=f".{out.name}.partial-", dir=out.parent))
    try:
        partial.chmod(0o755)
        progress("tables", 0, 1)
        with (partial / MARK).open("wb") as file:
            file.writelines(result.pieces())
        write_tables(partial / "tables", result)
        progress("tables", 1, 1)
        drawn = list(_figures(result))
        (partial / "figures").mkdir()
        with warnings.catch_warnings():
            warnings.filterwarnings("ignore", message="Glyph")  # a script without a font: the names stand in the tables
            for number, (name, figure, _) in enumerate(drawn):
                progress("figures", number, len(drawn))
                save_figure(partial / "figures" / name, figure)
        progress("figures", len(drawn), len(drawn))
        manifest = _manifest(result, scenario, command)
        (partial / "manifest.json").write_text(
            json.dumps(manifest, indent=1, ensure_ascii=False) + "\n", encoding="utf-8"
        )
        pictures = [(name, caption, partial / "figures" / f"{name}.svg") for name, _, caption in drawn]
        write_page(partial / "report.html", result, pictures, manifest)
        move_into_place(partial, out)
    finally:
        shutil.rmtree(partial, ignore_errors=True)


def save_figure(path: Path, figure: Figure) -> None:
    """Save as SVG and PNG; both are cut to what is drawn, so that no long title is lost."""
    figure.savefig(path.with_name(f"{path.name}.svg"), metadata={"Date": None}, bbox_inches="tight")
    figure.set_layout_engine("none")  # laid out once: both pictures are the same
    figure.savefig(path.with_name(f"{path.name}.png"), bbox_inches="tight")


def move_into_place(partial: Path, out: Path) -> None:
    """Put a folder in the place of another, or of none, in one move."""
    if out.exists():
        earlier = Path(tempfile.mkdtemp(prefix=f".{out.name}.earlier-", dir=out.parent))
        out.rename(earlier / "result")
        try:
            partial.rename(out)
        except BaseException:
            (earlier / "result").rename(out)
            raise
        finally:
            shutil.rmtree(earlier, ignore_errors=True)
    else:
        partial.rename(out)


def _figures(result: Result) -> Iterator[tuple[str, Figure, str]]:
    """File name, figure and one sentence on how to read it, in the order of the report."""
    for number, task in enumerate(result.tasks, start=1):
        name = f"{number}-{file_name(task.name)}"
        for kind, figure, caption in _of_kind(result, task):
            yield f"{name}-{kind}", figure, caption
        caption = "Where the error comes from: a joint's bar is its share of the mean square error of the tool point."
        yield f"{name}-budget", figures.error_budget(result, task), caption
        caption = "What differs between built arms (accuracy) and between visits of one arm (repeatability)."
        yield f"{name}-population", figures.population(result, task), caption

    for name in result.joints:
        caption = "What the joint gets wrong at every visit, and the waves of which that is made."
        yield f"joint-{file_name(name)}", figures.joint_error(result, name), caption


def _of_kind(result: Result, task: TaskResult) -> Iterator[tuple[str, Figure, str]]:
    """The figures that belong to the kind of a task."""
    if task.kind in ("slice", "volume"):
        draw = figures.error_map if task.kind == "slice" else figures.layers
        for measure in task.maps:
            if measure == "repeatability" and result.visits < 2:
                continue
            caption = {
                "error": "Every cell: the error that the stated share of arms and visits does not exceed.",
                "accuracy": "Every cell: the distance of the mean attained point from the command, 95 % of arms.",
                "repeatability": "Every cell: the repeatability that 95 % of arms keep to.",
                "orientation": "Every cell: the angle that 95 % of arms and visits do not exceed.",
            }[measure]
            yield "map" if measure == "error" else f"map-{measure}", draw(result, task, measure), caption
    if task.kind == "slice":
        yield "joint-map", figures.dominant_joint(result, task), "Every cell: the joint with the largest share there."
        if len(result.groups) > 1:
            caption = "Every cell: how much of the mean square error the first group of joints makes."
            yield "group-map", figures.group_share(result, task), caption
        caption = "Which way the error points: long ellipses err mostly along their length."
        yield "ellipses", figures.error_ellipses(result, task), caption
    if task.kind in ("cloud", "volume"):
        caption = "How many of the postures stay within an error."
        yield "distribution", figures.distribution(result, task), caption
    if task.kind == "path":
        yield "path", figures.path_error(result, task), "Band: half to 95 % of all arms and visits at each point."
    if task.kind in ("poses", "iso-poses"):
        caption = "Every pose: half of all arms and visits stay below the left end of the bar."
        yield "poses", figures.pose_errors(result, task), caption
    if task.kind != "slice":
        caption = "The arm at the worst pose, and which way the errors point."
        yield "view", figures.view(result, task), caption


def file_name(name: str) -> str:
    """A name of letters, digits and dashes."""
    slug = "".join(c if c.isascii() and c.isalnum() else "-" for c in name.lower())
    return "-".join(part for part in slug.split("-") if part)[:40] or "task"


def _manifest(result: Result, scenario: Scenario, command: str) -> dict[str, object]:
    packages = {}
    for name in PACKAGES:
        try:
            packages[name] = version(name)
        except PackageNotFoundError:
            packages[name] = "unknown"
    return {
        "format": "armsim-manifest/1",
        "armsim": result.version,
        "command": command,
        "time": datetime.now(UTC).isoformat(timespec="seconds"),
        "seed": result.seed,
        "units": result.units,
        "visits": result.visits,
        "inputs": [{"file": str(source.path), "sha256": source.sha256} for source in scenario.sources],
        "python": platform.python_version(),
        "platform": platform.platform(),
        "packages": packages,
    }
