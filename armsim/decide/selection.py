"""The answer of a search for a set of encoders, what it rests on, and both in words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from armsim.asked import Requirement
from armsim.assessment import Judged
from armsim.decide.search import Fitted
from armsim.formatting import percent, show_interval
from armsim.model.machine import Machine
from armsim.results import Summary
from armsim.results.poses import Interval


@dataclass(frozen=True)
class Rejected:
    """A cheaper design that does not hold, and where it fails.

    ``undecided``: sampled once more from a fresh seed it holds, or misses within its 95 % interval; None where it was
    not sampled again.
    """

    price: float
    design: tuple[Fitted, ...]
    reasons: tuple[str, ...]
    undecided: bool | None = None


@dataclass(frozen=True)
class Confirmation:
    """The answer on a population that the search has not seen.

    ``at_coverage`` is the quantile at the worst pose of all tasks, with its 95 % interval [m]; ``met`` and ``sure`` as
    of a summary, over all tasks.
    """

    seed: int
    met: bool
    sure: bool
    at_coverage: float
    interval: Interval | None
    worst_pose: str


@dataclass(frozen=True)
class Proof:
    """What excludes the cheaper designs.

    Parameters
    ----------
    sampled : int
        Cheaper designs that were sampled and fail.
    bounded : int
        Cheaper designs whose RP, by the law of their visits, exceeds the limit; each excludes those near it.
    complete : bool
        Every cheaper design is one of the two: the price is proved, for these samples.
    repeatability : bool
        Every cheaper design that the judgement on the position leaves open is one of the two.
    margin : float
        Of the judgement on the position: by how much, in mean square, limits were wider than the requirement.
    """

    sampled: int
    bounded: int
    complete: bool
    repeatability: bool
    margin: float


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

    @property
    def proved(self) -> bool:
        """Whether every cheaper design was sampled, or excluded by a bound that holds for certain."""
        return self.proof.complete

    def to_dict(self) -> dict[str, Any]:
        """For JSON."""
        return {
            "format": "armsim-selection/1",
            "met": self.design is not None,
            "price": self.price,
            "design": None if self.design is None else [row.__dict__ for row in self.design],
            "closest": [row.__dict__ for row in self.closest],
            "refuted": [{**row.__dict__, "design": [part.__dict__ for part in row.design]} for row in self.refuted],
            "sampled": self.sampled,
            "margin": self.proof.margin,
            "proved": self.proved,
            "proof": self.proof.__dict__,
            "confirmation": None if self.confirmation is None else self.confirmation.__dict__,
            "tasks": {
                task.name: {
                    "at_coverage": task.summary.at_coverage,
                    "at_coverage_interval": task.interval,
                    "worst_pose": task.summary.worst_pose,
                    "repeatability_p95": task.summary.repeatability_p95,
                    "yield": None if task.summary.yield_ is None else task.summary.yield_.value,
                    "sure": task.summary.sure,
                }
                for task in self.tasks
            },
        }


def answer(selection: Selection, requirement: Requirement) -> str:
    """The answer in words."""
    worst = max(selection.tasks, key=lambda task: task.summary.at_coverage)
    reached = show_interval(worst.summary.at_coverage, worst.interval)
    where = f"{reached} at {worst.summary.worst_pose}, {worst.name}"
    lost = [f"{task.name}: {text}" for task in selection.tasks for text in _out_of_reach(task.summary)]
    if lost:
        return f"no choice can meet the requirement, whatever the sensors: {'; '.join(lost)}; elsewhere {where}"
    if selection.design is None:
        top = worst.table[worst.worst]
        parts = {(owner, cause): x for owner, own in top.shares.items() for cause, x in own.items() if owner != "bias"}
        for owner, own in top.bias_shares.items():
            for cause, x in own.items():
                parts[owner, cause] = parts.get((owner, cause), 0.0) + x
        owner, cause = max(parts, key=lambda key: parts[key])
        fails = "; ".join(f"{task.name}: {reason}" for task in selection.tasks for reason in task.summary.reasons)
        found = "no choice meets the requirement" if selection.proved else "no choice was found to meet the requirement"
        return (
            f"{found}: the closest reaches {where}, and fails ({fails}); in its way stands {cause} of {owner}, "
            f"{percent(parts[owner, cause], 2)} of the mean square error there. {_excluded(selection.proof, 'every')}"
        )
    price, coverage = f"{selection.price:g}", percent(requirement.coverage)
    text = f"the cheapest choice costs {price}; {coverage} of errors lie within {where}"
    again = selection.confirmation
    if again is not None:
        text += (
            f", on a population that the search has not seen within {show_interval(again.at_coverage, again.interval)}"
        )
        if not again.met:
            text += ", where it misses the requirement within its interval: more units would tell"
        elif not (again.sure and all(task.summary.sure for task in selection.tasks)):
            text += "; the requirement lies within an interval of this sample: more units would tell"
    looked = [row for row in selection.refuted if row.undecided is not None]
    open_ = [row for row in looked if row.undecided]
    if open_:
        least = min(row.price for row in open_)
        text += (
            f"; of the {len(looked)} closest cheaper ones {len(open_)} miss by less than this sample can tell, the "
            f"cheapest for {least:g}"
        )
    return f"{text}. {_excluded(selection.proof, 'every cheaper')}"


def _out_of_reach(summary: Summary) -> list[str]:
    return [reason for part, reason in zip(summary.failed, summary.reasons, strict=True) if part == "reach"]


def _excluded(proof: Proof, which: str) -> str:
    """What the exclusion of other designs rests on."""
    reasons = [f"{proof.sampled} were sampled and fail"]
    if proof.bounded:
        near = "" if proof.complete else ", and with them all that are near"
        reasons.append(f"{proof.bounded} exceed the RP by the law of their visits{near}")
    if proof.complete:
        return f"Proved for these samples: {which} choice was looked at ({', '.join(reasons)})"
    judged = (
        "the rest is judged: no better at any joint and pose than one that failed, or beyond the limits of first "
        f"order by more than {percent(proof.margin)} of the mean square error"
    )
    rp = "" if proof.repeatability else "; not all choices of small visits could be looked at"
    return f"Not proved: {', '.join(reasons)}; {judged}{rp}. The program was solved to a gap of 0"
