"""Result of a search for a set of encoders, with its proof."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import Field, PlainSerializer, computed_field

from armsim.assessment import AssessedTask, overall_verdict_of
from armsim.decide.decision_records import (
    Alternative,
    Attempt,
    ChangedAssumption,
    Confirmation,
    FittedEncoder,
    Proof,
    Refit,
    RejectedDesign,
)
from armsim.decide.ledger import arms_to_resolve, deciding_judgement
from armsim.model.joint_options import Exclusion
from armsim.model.machine import Machine
from armsim.requirement import Verdict
from armsim.results.json_records import NotInRecord, record_as_dict
from armsim.results.poses import Interval


@dataclass(frozen=True)
class TaskFigures:
    """Figures of the selected design at a task."""

    at_coverage: float
    at_coverage_interval: Interval | None
    worst_pose: str
    repeatability_p95: float | None
    yield_: Annotated[float | None, Field(alias="yield")]
    state: Verdict


def _task_figures(tasks: tuple[AssessedTask, ...]) -> dict[str, TaskFigures]:
    return {
        task.name: TaskFigures(
            task.summary.at_coverage, task.interval, task.summary.worst_pose, task.summary.repeatability_p95,
            None if task.summary.yield_ is None else task.summary.yield_.value, task.summary.state,
        )
        for task in tasks
    }  # fmt: skip


@dataclass(frozen=True, eq=False)
class Selection:
    """Result of `armsim select`.

    Parameters
    ----------
    design : tuple of FittedEncoder, optional
        Selected design; None if no choice meets the requirement.
    price : float, optional
        Its price. [cost units]
    tasks : tuple of AssessedTask
        Judgements of the closest design, sampled at all poses.
    closest : tuple of FittedEncoder
        The selected design, or the design that misses its limits by least if none meets the requirement.
    refuted : tuple of RejectedDesign
        Cheaper designs that were sampled and fail, the most expensive first.
    sampled : int
        Number of designs sampled.
    proof : Proof
    confirmation : Confirmation, optional
        None if no choice meets the requirement.
    machine : Machine
        Machine of the closest design.
    equals : tuple of Alternative
        Other designs of the same price that meet the requirement, by error, mass and number of types.
    near : tuple of Alternative
        Designs that cost little more and meet it, by price; empty if they were not examined.
    near_complete : bool
        Whether every design in that range of prices was examined.
    exclusions : tuple of Exclusion
        Encoders of the catalogue that cannot be fitted, by joint and placement.
    arms : int
        Number of arms for which encoders are bought; all prices are per arm.
    robustness : tuple of ChangedAssumption
        Whether the choice remains the best if an uncertain input differs; empty if that was not examined.
    refits : tuple of Refit
        The design of the scenario, and the cheapest with one and with two changed joints.
    attempts : tuple of Attempt
        Searches with a growing number of arms, the last of which gave this result; empty for a single search.
    """

    design: tuple[FittedEncoder, ...] | None
    price: float | None
    tasks: Annotated[tuple[AssessedTask, ...], PlainSerializer(_task_figures, return_type=dict[str, TaskFigures])]
    closest: tuple[FittedEncoder, ...]
    refuted: tuple[RejectedDesign, ...]
    sampled: int
    proof: Proof
    confirmation: Confirmation | None
    machine: NotInRecord[Machine]
    equals: tuple[Alternative, ...]
    arms: int = 1
    exclusions: tuple[Exclusion, ...] = ()
    robustness: tuple[ChangedAssumption, ...] = ()
    refits: tuple[Refit, ...] = ()
    near: tuple[Alternative, ...] = ()
    near_complete: bool = True
    attempts: tuple[Attempt, ...] = ()
    format: Literal["armsim-selection/2"] = "armsim-selection/2"

    @computed_field  # type: ignore[prop-decorator]
    @property
    def margin(self) -> float:
        """Margin of the predicted errors; see `Proof`."""
        return self.proof.margin

    @computed_field  # type: ignore[prop-decorator]
    @property
    def proved(self) -> bool:
        """Whether every cheaper design was sampled, or excluded by a certain bound."""
        return self.proof.complete

    @computed_field  # type: ignore[prop-decorator]
    @property
    def state(self) -> Verdict:
        """State of the requirement for the selected design, on the population of the search and on the confirming one.

        If no design was found to meet it, the state for the closest one: ``not met`` or ``not resolved``.
        """
        searched = overall_verdict_of(self.tasks)
        if self.design is None:
            return "not resolved" if searched == "not resolved" else "not met"
        if searched == "met" and self.confirmation is not None and self.confirmation.state != "met":
            return "not resolved"  # the two populations contradict each other
        return searched

    @computed_field  # type: ignore[prop-decorator]
    @property
    def units_to_resolve(self) -> int | None:
        """Arms that would resolve the answer on both populations; None if it is resolved, or no number would."""
        if self.state != "not resolved":
            return None
        again = None if self.confirmation is None else self.confirmation.units_to_resolve
        return max(arms_to_resolve(self.tasks) or 0, again or 0) or None

    @computed_field  # type: ignore[prop-decorator]
    @property
    def shares(self) -> dict[str, float]:
        """Shares of the joints in the mean square error over the deciding task."""
        task, _ = deciding_judgement(self.tasks)
        out = {part.joint: 0.0 for part in self.closest}
        for part in task.summary.contributions:
            if part.owner in out:
                out[part.owner] += part.share
        return out

    def to_dict(self) -> dict[str, Any]:
        """Dictionary for JSON, in SI units."""
        return record_as_dict(self)
