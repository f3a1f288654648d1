"""Display of studies and results in a notebook: named figures, and tables."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
from html import escape
from inspect import signature
from pathlib import Path
from typing import TYPE_CHECKING, Any

from armsim import figures
from armsim.criteria import required_in_words
from armsim.decide import Comparison
from armsim.figures.style import Drawing
from armsim.report import decision_sentences
from armsim.report.comparison_review import design_frames
from armsim.report.frame import Frame, words
from armsim.report.joint_tables import joints_frame
from armsim.report.verdict import headline, largest_causes, task_frame
from armsim.results import MapQuantity, Result, TaskResult
from armsim.study import Study
from armsim.tasks import kind_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@dataclass(frozen=True)
class Plots:
    """Figures of a result. Each takes the name of a task, or the first that fits.

    With ``ax`` a figure is drawn on those matplotlib axes, without its hover texts and the note below it, and the axes
    are returned; else a figure of its own is.

    Parameters
    ----------
    result : Result

    Raises
    ------
    ValueError
        There is no such task, or none that fits.
    """

    result: Result

    def map(self, task: str | None = None, measure: MapQuantity = "error", ax: Axes | None = None) -> Drawing | Axes:
        """Map of a slice; layers of a volume, which have no single axes."""
        task_result = self._task(task, lambda candidate: candidate.grid is not None, "with cells")
        if not task_result.is_map:
            if ax is not None:
                raise ValueError(f"task {task_result.name!r} has layers, each with axes of its own: leave out ax")
            return figures.layers(self.result, task_result, measure)
        return axes_or_drawing(ax, figures.error_map(self.result, task_result, measure, axes=ax))

    def poses(self, task: str | None = None, ax: Axes | None = None) -> Drawing | Axes:
        """Errors of the poses of a list, the worst on top."""
        named = self._task(task, lambda candidate: kind_of(candidate.kind).has_named_poses, "with named poses")
        return axes_or_drawing(ax, figures.pose_errors(self.result, named, axes=ax))

    def budget(self, task: str | None = None, ax: Axes | None = None) -> Drawing | Axes:
        """Shares of joints and causes in the mean square error."""
        return axes_or_drawing(ax, figures.error_budget(self.result, self._task(task), axes=ax))

    def arms(self, task: str | None = None, ax: Axes | None = None) -> Drawing | Axes:
        """Histogram of the built arms by their largest error."""
        return axes_or_drawing(ax, figures.arms(self.result, self._task(task), axes=ax))

    def yield_curve(self, task: str | None = None, ax: Axes | None = None) -> Drawing | Axes:
        """Yield against the required position."""
        return axes_or_drawing(ax, figures.yield_curve(self.result, self._task(task), axes=ax))

    def joint(self, name: str, ax: Axes | None = None) -> Drawing | Axes:
        """Error of a joint over its travel."""
        if name not in self.result.joints:
            raise ValueError(f"no joint {name!r}; there are {', '.join(self.result.joints)}")
        if ax is None:
            return figures.joint_errors(self.result, [(name,)])
        figures.joint_error(self.result, name, ax)
        return ax

    def path(self, task: str | None = None) -> Drawing:
        """Error along a path, above what the joints do."""
        return figures.path_error(
            self.result, self._task(task, lambda candidate: candidate.follows_path, "along a path")
        )

    def population(self, task: str | None = None) -> Drawing:
        """AP and RP over the built units at the worst pose."""
        return figures.population(self.result, self._task(task))

    def arm_and_sensors(self) -> Drawing:
        """Sketch of the arm with the sensor of every joint."""
        return figures.arm(self.result)

    def _task(
        self, name: str | None, fits: Callable[[TaskResult], bool] = lambda task: True, what: str = ""
    ) -> TaskResult:
        fitting = [task for task in self.result.tasks if fits(task) and name in (None, task.name)]
        if not fitting:
            description = " ".join(filter(None, (what, "" if name is None else f"named {name!r}")))
            available = ", ".join(f"{task.name!r} ({task.kind})" for task in self.result.tasks)
            raise ValueError(f"no task {description}; there are {available}")
        return fitting[0]


def axes_or_drawing(ax: Axes | None, drawing: Drawing) -> Drawing | Axes:
    """The given axes, or a figure of its own if there are none."""
    return drawing if ax is None else ax


@dataclass(frozen=True)
class DisplayedResult(Result):
    """`Result` with figures, and tables for a notebook."""

    @staticmethod
    def from_result(result: Result) -> DisplayedResult:
        """A result for display."""
        return DisplayedResult(**{field.name: getattr(result, field.name) for field in fields(Result)})

    @staticmethod
    def read(path: Path | str) -> DisplayedResult:
        """Read a results.json.

        Raises
        ------
        OSError, pydantic.ValidationError
            The file cannot be read, or is not a result.
        """
        return DisplayedResult.from_result(Result.from_json(Path(path).read_bytes()))

    @property
    def plot(self) -> Plots:
        """Figures of the result by name: ``result.plot.map("side view")``."""
        return Plots(self)

    def _repr_html_(self) -> str:
        head = (
            f"<b>{escape(self.scenario)}</b>: {escape(headline(self))} {self.units} arms × {self.visits} visits; "
            f"sensors {self.price:g} cost units"
        )
        frame = task_frame(self)
        causes = [largest_causes(task.summary.causes) for task in self.tasks]
        tasks = Frame((*frame.columns, words("largest parts of the mean square error", causes)))
        return f"<p>{head}</p>{html_frame(tasks)}{html_frame(joints_frame(self.joints))}"


class DisplayedStudy(Study):
    """`Study` whose results can be displayed."""

    def run(self, *arguments: Any, **named: Any) -> DisplayedResult:
        return DisplayedResult.from_result(super().run(*arguments, **named))

    def _repr_html_(self) -> str:
        scenario, plan = self.scenario, self.scenario.plan
        requirement = scenario.requirement
        requirement_text = "none stated" if requirement is None else required_in_words(requirement)
        rows = {
            "arm": f"{scenario.machine.arm.name}, {len(scenario.machine.joints)} joints",
            "sensors": f"{scenario.machine.price:g} cost units",
            "requirement": requirement_text,
            "tasks": ", ".join(f"{task.name} ({task.kind})" for task in scenario.tasks),
            "sampling": f"{plan.units} built arms × {plan.visits} visits, seed {plan.seed}",
        }
        return html_frame(Frame((words(scenario.name, rows), words("", rows.values()))))


@dataclass(frozen=True, eq=False)
class DisplayedComparison(Comparison):
    """`Comparison` with sentences for a notebook."""

    @staticmethod
    def from_comparison(comparison: Comparison) -> DisplayedComparison:
        """A comparison for display."""
        return DisplayedComparison(**{entry.name: getattr(comparison, entry.name) for entry in fields(Comparison)})

    @property
    def sentences(self) -> list[str]:
        """Sentences on what each design gains over the first at each task, and its price."""
        return [f"{decision_sentences.difference(row)}." for row in self.differences]

    def _repr_html_(self) -> str:
        tables = "".join(html_frame(frame) for _, frame in design_frames(self))
        return tables + "".join(f"<p>{escape(text)}</p>" for text in self.sentences)


# people who ask for help see the parameters of `Study.run`
DisplayedStudy.run.__signature__ = signature(Study.run)  # type: ignore[attr-defined]
DisplayedStudy.run.__doc__ = Study.run.__doc__


def html_frame(frame: Frame) -> str:
    """HTML table of a frame."""
    title = f"<p>{escape(frame.title)}</p>" if frame.title else ""
    head = "".join(f"<th>{escape(name)}</th>" for name in frame.headers)
    body = "".join("<tr>" + "".join(f"<td>{escape(cell.text)}</td>" for cell in row) + "</tr>" for row in frame.rows)
    return f"{title}<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"
