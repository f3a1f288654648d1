"""Records in the results of selection, trade-off, what-if and allocation. SI units."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Annotated, Literal

from pydantic import Field

from armsim.model.joint_options import placement_in_words
from armsim.requirement import Judgement, Verdict
from armsim.results.poses import Interval

ChangeKind = Literal["joint ideal", "cause halved", "cause at a joint halved", "one bit finer"]
AssumptionName = Literal["price", "gear tolerances", "temperature rise"]
Scheme = Literal["equal angles", "equal contributions", "least cost"]


@dataclass(frozen=True)
class DecidingCriterion:
    """Criterion closest to its limit, or missed by most, and its task."""

    task: str
    judgement: Judgement


@dataclass(frozen=True)
class FittedMotorEncoder:
    """Encoder chosen for the motor of a joint that has a second one on its output; prices as of `FittedEncoder`."""

    encoder: str
    encoder_price: float | None = None
    one_off: float = 0.0


@dataclass(frozen=True)
class FittedEncoder:
    """Encoder, mounting and placement of a joint.

    Prices in cost units. ``price`` is that of encoders, mounting and placement. ``encoder_price`` is that of the
    encoder alone, if it depends on the quantity. ``one_off`` is the share of this joint in the one-time costs of the
    encoder type. ``motor``: the encoder on the motor where one is chosen beside that on the output.
    """

    joint: str
    encoder: str
    mounting: str
    placement: str
    price: float
    encoder_price: float | None = None
    one_off: float = 0.0
    motor: FittedMotorEncoder | None = None

    @property
    def sensors(self) -> tuple[FittedEncoder | FittedMotorEncoder, ...]:
        """The chosen encoders of the joint, each with its type and its share of one-time costs."""
        return (self,) if self.motor is None else (self, self.motor)

    @property
    def placement_in_words(self) -> str:
        """Placement, with the type of the encoder that is chosen for the motor beside that on the output."""
        return placement_in_words(self.placement, "" if self.motor is None else self.motor.encoder)

    @property
    def in_words(self) -> str:
        """Encoder, mounting and placement, such as "disc 50, careful, output"."""
        return f"{self.encoder}, {self.mounting}, {self.placement_in_words}"


@dataclass(frozen=True)
class RejectedDesign:
    """A cheaper design that fails the requirement, with the reasons.

    ``misses``: criteria that its estimates miss, the worst first. ``undecided``: whether it passes, or its 95 %
    interval includes the limit, when sampled again with another seed; None if it was not sampled again.
    """

    price: float
    design: tuple[FittedEncoder, ...]
    reasons: tuple[str, ...]
    undecided: bool | None = None
    misses: tuple[DecidingCriterion, ...] = ()


@dataclass(frozen=True)
class Alternative:
    """Another design that meets the requirement, at the price of the answer or slightly above it.

    Parameters
    ----------
    design : tuple of FittedEncoder
    at_coverage : float
        Quantile of the error at the coverage, at the worst sampled pose of all tasks. [m]
    price : float
        [cost units]
    mass : float
        Total mass of the encoders whose data sheets state one. [kg]
    types : int
        Number of encoder types.
    state : Verdict
        State of the requirement: the estimates meet it, but the intervals of the sample may not resolve it.
    sampled_poses : int, optional
        Number of poses, those with the largest predicted errors, at which its errors were sampled; None if at all.
    """

    design: tuple[FittedEncoder, ...]
    at_coverage: float
    price: float = 0.0
    mass: float = 0.0
    types: int = 0
    state: Verdict = "none stated"
    sampled_poses: int | None = None


@dataclass(frozen=True)
class Confirmation:
    """The answer sampled again on an independent population.

    ``at_coverage`` is the quantile of the error at the worst pose of all tasks, with its 95 % interval [m]. ``state``
    is that of all tasks together. ``units_to_resolve`` is the number of arms that would resolve what this population
    does not.
    """

    seed: int
    state: Verdict
    at_coverage: float
    interval: Interval | None
    worst_pose: str
    units_to_resolve: int | None = None


@dataclass(frozen=True)
class Attempt:
    """One search of a series with growing samples, which ends when the sample resolves the answer.

    Parameters
    ----------
    units : int
        Simulated arms per design.
    sampled : int
        Number of designs sampled.
    state : Verdict
        State of the answer.
    """

    units: int
    sampled: int
    state: Verdict


@dataclass(frozen=True)
class ChangedAssumption:
    """Answer of the search with one assumption changed.

    Parameters
    ----------
    what : str
        Changed assumption: a price, the tolerances of all gears, or the temperature rise, set to its limit.
    encoder : str
        Encoder type whose price is changed; empty if all prices or no price are changed.
    factor : float, optional
        Factor on the stated price or tolerance; None for the temperature rise.
    unchanged : bool
        Whether the original answer still meets the requirement and no cheaper design was found.
    price : float
        Price of the original answer under the changed assumption. [cost units]
    design : tuple of FittedEncoder, optional
        Cheapest design under the changed assumption; None if none was found that meets the requirement.
    design_price : float, optional
        Its price. [cost units]
    deciding : DecidingCriterion
        Criterion that decides for that design, or for the original answer if there is no such design.
    proved : bool
        Whether every cheaper design was examined.
    """

    what: AssumptionName
    encoder: str
    factor: float | None
    unchanged: bool
    price: float
    design: tuple[FittedEncoder, ...] | None
    design_price: float | None
    deciding: DecidingCriterion
    proved: bool


@dataclass(frozen=True)
class Refit:
    """Cheapest design that meets the requirement if only a few joints get another encoder.

    Parameters
    ----------
    most_changes : int
        Largest number of joints that may change, ``most`` in JSON; 0 for the design of the scenario as it is.
    joints : tuple of str
        Joints that change.
    design : tuple of FittedEncoder, optional
        The design; None if none was found.
    price : float, optional
        [cost units]
    holds : bool
        Whether its estimates meet the requirement.
    state : Verdict
        State of the requirement, by the intervals; ``not met`` if no design was found.
    deciding : DecidingCriterion, optional
    proved : bool
        Whether every cheaper design within that number of changes was examined.
    """

    most_changes: Annotated[int, Field(alias="most")]
    joints: tuple[str, ...]
    design: tuple[FittedEncoder, ...] | None
    price: float | None
    holds: bool
    state: Verdict
    deciding: DecidingCriterion | None
    proved: bool


@dataclass(frozen=True)
class Proof:
    """Reasons that exclude the cheaper designs.

    Parameters
    ----------
    sampled : int
        Number of cheaper designs that were sampled and fail.
    bounded : int
        Number of cheaper designs whose scatter over the visits was shown to exceed a limit without sampling; each
        excludes similar ones.
    complete : bool
        Whether every cheaper design was sampled or bounded: the price is then proved, for these samples.
    repeatability : bool
        Whether every cheaper design with small enough predicted errors was sampled or bounded, so that none of them
        remains unexamined for its repeatability.
    margin : float
        Share by which the limits of the mean square error in the program were wider than required. [1]
    same_price_complete : bool
        Whether every design at the price of the answer was sampled, not only those with the smallest first-order
        errors; ``beside`` in JSON.
    failed : mapping of criterion to number
        Number of sampled cheaper designs that fail each criterion; a design may fail several.
    bounded_by : tuple of str
        Symbols of the repeatabilities that exceed their limits, such as RP.
    """

    sampled: int
    bounded: int
    complete: bool
    repeatability: bool
    margin: float
    same_price_complete: Annotated[bool, Field(alias="beside")] = True
    failed: dict[str, int] = field(default_factory=dict)
    bounded_by: tuple[str, ...] = ()


@dataclass(frozen=True)
class CurvePoint:
    """A point of the curve of price against error: a Pareto-optimal design, or the cheapest that passes.

    Parameters
    ----------
    price : float
        [cost units]
    predicted, sampled : float
        Largest quantile at the coverage over all poses, by first order and by Monte Carlo. [m]
    pose : str
        Pose of the largest sampled quantile.
    design : tuple of FittedEncoder
    spending : mapping of group of joints to price
        [cost units]
    failed : tuple of str
        Criteria that it fails, at the poses with the largest errors, or at all poses if it costs less than the cheapest
        that passes.
    """

    price: float
    predicted: float
    sampled: float
    pose: str
    design: tuple[FittedEncoder, ...]
    spending: dict[str, float]
    failed: tuple[str, ...]
