"""Error budgets of the sensors of an arm, by every scheme of allocation."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

from pydantic import computed_field

from armsim.criteria import VELOCITY_RIPPLE, required_criteria, required_of_joints
from armsim.decide.decision_records import Scheme
from armsim.decide.utilisations import limits_errors
from armsim.requirement import Judgement
from armsim.requirement.requirement import Requirement
from armsim.results.json_records import Finite, NotInRecord, record_as_dict

UTILISATION_TOLERANCE = 0.005
"""Difference of the sampled utilisation from 1 at which the iteration of `allocate` ends."""


@dataclass(frozen=True)
class Budget:
    """Error budget of every joint by one scheme.

    Parameters
    ----------
    scheme : str
    std : mapping of joint to standard deviation [rad or m]
        Infinite, null in JSON, if the joint does not move the tool point at any pose.
    bits : mapping of joint to bits per turn
        Resolution of an ideal encoder with that standard deviation, for rotary joints.
    verified : float
        Quantile at the coverage, sampled with these budgets, at the pose where it is largest relative to its limit. [m]
    verified_interval : (low, high), optional [m]
    pose : str
        That pose.
    confirmed : float
        The same quantile on a population that is independent of the iteration. [m]
    confirmed_interval : (low, high), optional [m]
    cost : float
        Cost by the price law, relative to the cheapest scheme.
    gap : float, optional
        For ``least cost``: cost divided by the lower bound from its Lagrange dual, minus 1.
    """

    scheme: Scheme
    std: dict[str, Finite]
    bits: dict[str, float]
    verified: float
    verified_interval: tuple[float, float] | None
    pose: str
    cost: float
    gap: float | None
    confirmed: float
    confirmed_interval: tuple[float, float] | None
    judgements: tuple[Judgement, ...]
    """Judgement of every limited criterion at the task with its largest utilisation, sampled with these budgets."""

    @property
    def unmet(self) -> tuple[Judgement, ...]:
        """Criteria that these budgets miss by more than the tolerance of the iteration."""
        return tuple(judgement for judgement in self.judgements if judgement.utilisation > 1 + UTILISATION_TOLERANCE)


@dataclass(frozen=True)
class Allocation:
    """Result of `armsim allocate`: budgets by every scheme.

    ``fixed`` is the quantile at the coverage of the errors that do not come from the sensors, at ``fixed_pose``, where
    it is largest relative to its limit [m]. ``exponent`` is that of the price law: an error s costs s^-exponent.
    ``reasons`` state why no sensors meet the requirement; then there are no budgets.
    """

    position: float
    coverage: float
    fixed: float
    fixed_pose: str
    exponent: float
    rotary: NotInRecord[dict[str, bool]]
    budgets: tuple[Budget, ...]
    reasons: tuple[str, ...]
    requirement: NotInRecord[Requirement]
    format: Literal["armsim-allocation/1"] = "armsim-allocation/1"

    @computed_field  # type: ignore[prop-decorator]
    @property
    def not_allocated(self) -> tuple[str, ...]:
        """Required criteria that the budgets do not take into account, such as those on the scatter of the visits."""
        names = [
            criterion.name
            for criterion in required_criteria(self.requirement)
            if not limits_errors(criterion) and not (criterion.figure is None and criterion.needs_no_visits)
        ]
        return (*names, VELOCITY_RIPPLE) if required_of_joints(self.requirement) else tuple(names)

    @computed_field  # type: ignore[prop-decorator]
    @property
    def met(self) -> bool:
        """Whether sensors without error would meet the requirement, and sensors with the budgets of one scheme do."""
        return not self.reasons and any(not budget.unmet for budget in self.budgets)

    def to_dict(self) -> dict[str, Any]:
        """Dictionary for JSON, in SI units."""
        return record_as_dict(self)


def equivalent_bits(std: float) -> float:
    """Bits per turn of an ideal encoder with a standard deviation of step / sqrt(12), JCGM 100:2008 F.2.2.1."""
    return math.log2(2 * math.pi / (std * math.sqrt(12.0)))
