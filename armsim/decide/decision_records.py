"""Parts of what the deciding functions answer. SI units."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from armsim.requirement import Judgement, Verdict
from armsim.results.poses import Interval

Kind = Literal["joint ideal", "cause halved", "cause at a joint halved", "one bit finer"]
Uncertain = Literal["price", "gear tolerances", "temperature rise"]
Scheme = Literal["equal angles", "equal contributions", "least cost"]


@dataclass(frozen=True)
class Deciding:
    """Criterion that binds a design, and the task at which it does."""

    task: str
    judgement: Judgement


@dataclass(frozen=True)
class Fitted:
    """Encoder, mounting and placement of a joint.

    ``price`` is that of all; ``encoder_price`` that of the encoder where the quantity decides it, ``one_off`` the share
    of the joint in what its type costs once. [cost units]
    """

    joint: str
    encoder: str
    mounting: str
    placement: str
    price: float
    encoder_price: float | None = None
    one_off: float = 0.0


@dataclass(frozen=True)
class Rejected:
    """A cheaper design that does not hold, and where it fails.

    ``misses``: criteria that its estimates miss, the worst first. ``undecided``: sampled once more from a fresh seed it
    holds, or misses within its 95 % interval; None where it was not sampled again.
    """

    price: float
    design: tuple[Fitted, ...]
    reasons: tuple[str, ...]
    undecided: bool | None = None
    misses: tuple[Deciding, ...] = ()


@dataclass(frozen=True)
class Equal:
    """Another design that meets the requirement too, of the price of the answer or little more.

    Parameters
    ----------
    design : tuple of Fitted
    at_coverage : float
        Quantile at the worst pose of all tasks. [m]
    price : float
        [cost units]
    mass : float
        Of all encoders, as far as it is stated. [kg]
    types : int
        Different encoders.
    state : Verdict
        Of the requirement; the estimates meet it, but the sample may not resolve it.
    """

    design: tuple[Fitted, ...]
    at_coverage: float
    price: float = 0.0
    mass: float = 0.0
    types: int = 0
    state: Verdict = "none stated"


@dataclass(frozen=True)
class Confirmation:
    """The answer on a population that the search has not seen.

    ``at_coverage`` is the quantile at the worst pose of all tasks, with its 95 % interval [m]; ``state`` is that of
    all tasks together; ``units_to_resolve`` the arms that would resolve what this population does not.
    """

    seed: int
    state: Verdict
    at_coverage: float
    interval: Interval | None
    worst_pose: str
    units_to_resolve: int | None = None


@dataclass(frozen=True)
class Attempt:
    """A search for an answer that its sample resolves.

    Parameters
    ----------
    units : int
        Arms of a design.
    sampled : int
        Designs sampled.
    state : Verdict
        Of the answer.
    """

    units: int
    sampled: int
    state: Verdict


@dataclass(frozen=True)
class Perturbed:
    """Answer of the search where something that is not known is otherwise.

    Parameters
    ----------
    what : str
        Changed condition: a price, the tolerances of all gears, or the temperature rise, which is at its end.
    encoder : str
        Type of encoder with another price; empty where it is all of them, or no price.
    factor : float, optional
        Price or tolerance over that of the documents; None for a temperature rise.
    unchanged : bool
        Whether the choice meets the requirement then, and nothing cheaper was found to.
    price : float
        Of the choice then. [cost units]
    design : tuple of Fitted, optional
        Cheapest design then, which is the choice where that is unchanged; None where none was found to meet the
        requirement.
    design_price : float, optional
        [cost units]
    deciding : Deciding
        Of that design; of the choice where there is none.
    proved : bool
        Whether every cheaper design was examined.
    """

    what: Uncertain
    encoder: str
    factor: float | None
    unchanged: bool
    price: float
    design: tuple[Fitted, ...] | None
    design_price: float | None
    deciding: Deciding
    proved: bool


@dataclass(frozen=True)
class Refit:
    """Cheapest design that meets the requirement with few joints of the scenario's own design fitted otherwise.

    Parameters
    ----------
    most : int
        Largest number of joints that may be fitted otherwise; 0 for the scenario's own design, whatever it meets.
    joints : tuple of str
        Joints that are.
    design : tuple of Fitted, optional
        None where none was found.
    price : float, optional
        [cost units]
    holds : bool
        Whether its estimates meet the requirement.
    state : Verdict
        Of the requirement, by the intervals of the estimates; ``not met`` where no design was found.
    deciding : Deciding, optional
    proved : bool
        Whether every cheaper one was examined.
    """

    most: int
    joints: tuple[str, ...]
    design: tuple[Fitted, ...] | None
    price: float | None
    holds: bool
    state: Verdict
    deciding: Deciding | None
    proved: bool


@dataclass(frozen=True)
class Proof:
    """Reasons that exclude the cheaper designs.

    Parameters
    ----------
    sampled : int
        Cheaper designs that were sampled on the population of the scenario and fail there.
    bounded : int
        Cheaper designs that exceed a limit by the distribution of their visits; each excludes those near it.
    complete : bool
        Every cheaper design is one of the two: the price is proved, for these samples.
    repeatability : bool
        Every cheaper design that the judgement on the errors leaves open is one of the two.
    margin : float
        Factor on the mean square by which the limits on the errors were wider than the requirement.
    beside : bool
        Every design at the price of the answer was evaluated, not only those with the least error by first order.
    failed : mapping of criterion to number
        Sampled cheaper designs that fail each criterion; a design may fail several.
    bounded_by : tuple of str
        Figures of the visits that exceed their limits, such as RP.
    """

    sampled: int
    bounded: int
    complete: bool
    repeatability: bool
    margin: float
    beside: bool = True
    failed: dict[str, int] = field(default_factory=dict)
    bounded_by: tuple[str, ...] = ()


@dataclass(frozen=True)
class Point:
    """A Pareto-optimal design by first order, or the cheapest that meets the requirement.

    Parameters
    ----------
    price : float
    predicted, sampled : float
        Largest quantile at the coverage over all poses, by the program and by Monte Carlo. [m]
    pose : str
        Pose of the largest sampled quantile.
    design : tuple of Fitted
    spending : mapping of group of joints to price
    failed : tuple of str
        Criteria that it does not keep at the poses that decide; at all poses, if it costs less than the cheapest that
        meets the requirement.
    """

    price: float
    predicted: float
    sampled: float
    pose: str
    design: tuple[Fitted, ...]
    spending: dict[str, float]
    failed: tuple[str, ...]
