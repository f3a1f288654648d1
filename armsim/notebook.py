"""Display of studies and results in a notebook: named figures, and tables."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
from html import escape
from inspect import signature
from pathlib import Path
from typing import Any

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


@dataclass(frozen=True)
class DisplayedResult(Result):
    """`Result` with figures for a notebook. A figure takes the name of a task, or the first fitting task."""

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

    def map(self, task: str | None = None, measure: MapQuantity = "error") -> Drawing:
        """Map of a slice, or layers of a volume.

        Raises
        ------
        ValueError
            There is no such task, or it has no cells.
        """
        result = self._find(task, lambda one: one.grid is not None, "with cells")
        return figures.error_map(self, result, measure) if result.is_map else figures.layers(self, result, measure)

    def poses(self, task: str | None = None) -> Drawing:
        """Errors of the poses of a list, the worst on top."""
        return figures.pose_errors(
            self, self._find(task, lambda one: kind_of(one.kind).has_named_poses, "with named poses")
        )

    def path(self, task: str | None = None) -> Drawing:
        """Error along a path."""
        return figures.path_error(self, self._find(task, lambda one: one.follows_path, "along a path"))

    def budget(self, task: str | None = None) -> Drawing:
        """Shares of joints and causes in the mean square error."""
        return figures.error_budget(self, self._find(task))

    def population(self, task: str | None = None) -> Drawing:
        """AP and RP over the built units at the worst pose."""
        return figures.population(self, self._find(task))

    def yield_curve(self, task: str | None = None) -> Drawing:
        """Yield against the limit of the position error."""
        return figures.yield_curve(self, self._find(task))

    def arm_and_sensors(self) -> Drawing:
        """Sketch of the arm with the sensor of every joint."""
        return figures.arm(self)

    def joint(self, name: str) -> Drawing:
        """Error of a joint over its travel."""
        if name not in self.joints:
            raise ValueError(f"no joint {name!r}; there are {', '.join(self.joints)}")
        return figures.joint_errors(self, [(name,)])

    def _find(
        self, name: str | None, fits: Callable[[TaskResult], bool] = lambda task: True, what: str = ""
    ) -> TaskResult:
        fitting = [task for task in self.tasks if fits(task) and name in (None, task.name)]
        if not fitting:
            description = " ".join(filter(None, (what, "" if name is None else f"named {name!r}")))
            available = ", ".join(f"{task.name!r} ({task.kind})" for task in self.tasks)
            raise ValueError(f"no task {description}; there are {available}")
        return fitting[0]

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
