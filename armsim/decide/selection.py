"""The answer of a search for a set of encoders, and what it rests on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from armsim.assessment import Judged, state_of_all
from armsim.decide import decision_records
from armsim.decide.decision_records import Confirmation, Equal, Fitted, Proof, Rejected
from armsim.model.machine import Machine
from armsim.requirement import Verdict
from armsim.results.json_records import plain


@dataclass(frozen=True, eq=False)
class Selection:
    """The answer.

    Parameters
    ----------
    design : tuple of Fitted, optional
        None where no choice meets the requirement.
    price : float, optional
    tasks : tuple of Judged
        Of the design sampled at all poses; where nothing holds, of that which comes closest.
    closest : tuple of Fitted
        That one.
    refuted : tuple of Rejected
        Cheaper designs that were sampled, the dearest first.
    sampled : int
        Designs sampled.
    proof : Proof
    confirmation : Confirmation, optional
        None where no choice meets the requirement.
    machine : Machine
        Of the closest.
    equals : tuple of Equal
        Other designs of the same price that meet the requirement, the smallest error first.
    """

    design: tuple[Fitted, ...] | None
    price: float | None
    tasks: tuple[Judged, ...]
    closest: tuple[Fitted, ...]
    refuted: tuple[Rejected, ...]
    sampled: int
    proof: Proof
    confirmation: Confirmation | None
    machine: Machine
    equals: tuple[Equal, ...] = ()

    @property
    def proved(self) -> bool:
        """Whether every cheaper design was sampled, or excluded by a bound that holds for certain."""
        return self.proof.complete

    @property
    def state(self) -> Verdict:
        """Whether the answer meets the requirement, on the population of the search and on the confirming one."""
        if self.design is None:
            return "not met"
        searched = state_of_all(self.tasks)
        if searched == "met" and self.confirmation is not None and self.confirmation.state != "met":
            return "not resolved"  # the two populations contradict each other
        return searched

    def to_dict(self) -> dict[str, Any]:
        """For JSON, as `decision_records.SelectionRecord`; SI units."""
        tasks = {
            task.name: decision_records.JudgedRecord(
                task.summary.at_coverage,
                task.interval,
                task.summary.worst_pose,
                task.summary.repeatability_p95,
                None if task.summary.yield_ is None else task.summary.yield_.value,
                task.summary.state,
            )
            for task in self.tasks
        }
        return plain(
            decision_records.SelectionRecord(
                self.state,
                self.price,
                self.design,
                self.closest,
                self.refuted,
                self.sampled,
                self.proof.margin,
                self.proved,
                self.proof,
                self.confirmation,
                self.equals,
                tasks,
            )
        )
