"""Results of measurements as plain records, from which JSON and its schema follow. SI units."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class LawRecord:
    """The amplitude of an order in the population, as the measured angles show it: what half and 95 % of the sensors
    keep to, where the measured one lies (as share below), the causes that make it (those of orders that look like it
    too), and whether it is too large for that."""

    p50: float
    p95: float
    place: float
    causes: tuple[str, ...]
    contradicts: bool


@dataclass(frozen=True)
class OrderRecord:
    """An order of a curve: amplitude, the noise's share of it removed, with its standard uncertainty along the wave and
    its 95 % interval, and its two coefficients; orders of the data sheet that it cannot be told from at the angles
    measured; the chance of a false alarm where it was found in the residual, null where it was requested."""

    order: int
    amplitude: float
    uncertainty: float
    interval: tuple[float, float]
    cosine: float
    sine: float
    aliases: tuple[float, ...]
    false_alarm: float | None
    law: LawRecord | None


Interval = tuple[float, float]
Vector = tuple[float, float, float]


@dataclass(frozen=True)
class PoseRecord:
    """A measured pose: AP and RP of the arm with their intervals, null where it was visited once, what 5, 50 and 95 %
    of simulated arms keep to, their places among arms simulated and measured the same way (share that is smaller), the
    chance of a mean displacement as far off, whether that is too small over all poses, and the mean square of its
    displacement when left out, over that expected (1 is as foretold)."""

    name: str
    visits: int
    accuracy: float
    accuracy_interval: Interval | None
    repeatability: float | None
    repeatability_interval: Interval | None
    accuracy_population: Vector
    repeatability_population: Vector
    accuracy_place: float
    repeatability_place: float
    chance: float
    stands_out: bool
    left_out: float


@dataclass(frozen=True)
class DistanceRecord:
    """AD and RD of the arm between two poses that the task names; AD with its interval."""

    poses: tuple[str, str]
    accuracy: float
    accuracy_interval: Interval
    repeatability: float


@dataclass(frozen=True)
class DirectionRecord:
    """vAP of the arm at a pose that it was brought to from several directions, with its interval; what 5, 50 and 95 %
    of the population keep to, coming along x, y and z, and the share of it that is smaller."""

    pose: str
    directions: tuple[str, ...]
    variation: float
    interval: Interval
    population: Vector
    place: float


@dataclass(frozen=True)
class CauseRecord:
    """A cause at a joint (or link) after the measurement: by how many of its standard deviations it moved, the
    share of its variance that the measurement tells, the chance of an estimate as far off in an arm of the population,
    and whether that is too small over all causes."""

    owner: str
    cause: str
    name: str
    deviations: float
    known: float
    chance: float
    stands_out: bool


@dataclass(frozen=True)
class ExpectedRecord:
    """Predicted error of a measured arm at a pose: displacement, its size, standard deviation of the prediction, and
    that of the population."""

    name: str
    displacement: Vector
    size: float
    left: float
    prior: float


@dataclass(frozen=True)
class RegistrationRecord:
    """Frame and target of a session, fitted to the nominal arm: by how much the instrument is turned against the base
    [rad], its origin in the base frame, the place of the target on the tool, rms distance that is left [m]; by how much
    the scale of the instrument is too large, where it is fitted; the session is empty where all readings are of one."""

    session: str
    turn: float
    origin: Vector
    target: Vector
    left: float
    scale: float


@dataclass(frozen=True)
class OutlierRecord:
    """Outlying reading: file, line and pose, its distance from the prediction by all others, the standard
    deviation of that distance, the distance of Mahalanobis, and the chance that any reading of an arm of the population
    is as far off. ``orientation``: its orientation is wrong, and distances are angles. [rad]"""

    file: str
    line: int
    pose: str
    distance: float
    expected: float
    deviations: float
    chance: float
    orientation: bool = False


@dataclass(frozen=True)
class ArmRecord:
    """A measured arm. ``simulated``: arms measured the same way, by which chances and places are known. ``chance``: of
    an arm of the population as far off over all poses; ``scatter_chance``: of one whose visits scatter as much;
    ``level``: at which either is too small, as are all single poses, causes and readings together.
    ``coarse_instrument``: it scatters more than the visits of the arm are predicted to. Everything but ``outliers`` is
    of the readings without them; ``crowded``: too many readings stand out for them to be called wrong."""

    name: str
    simulated: int
    chance: float
    scatter_chance: float
    level: float
    compatible: bool
    poses: tuple[PoseRecord, ...]
    distances: tuple[DistanceRecord, ...]
    directions: tuple[DirectionRecord, ...]
    causes: tuple[CauseRecord, ...]
    expected: tuple[ExpectedRecord, ...]
    coarse_instrument: bool
    registrations: tuple[RegistrationRecord, ...] = ()
    outliers: tuple[OutlierRecord, ...] = ()
    crowded: bool = False


@dataclass(frozen=True)
class ScaleRecord:
    """Causes over several arms: the spread that they show over the one that is stated, with its 95 % interval, the
    chance of an estimate as far from 1 were it as stated, and whether that is too small over all causes. Of several,
    which the measurement does not tell apart, the factor is that of all together."""

    causes: tuple[str, ...]
    scale: float
    interval: Interval
    chance: float
    stands_out: bool


@dataclass(frozen=True)
class ParameterRecord:
    """An identified parameter: its standard deviation in the population, the standard uncertainty of its estimate by
    formula and the part of it that instrument and visits make, and what the error was over the population. ``unit`` is
    m, rad, m/N or rad/(N m)."""

    name: str
    group: str
    unit: str
    spread: float
    uncertainty: float
    by_measurement: float
    over_population: float
    bias: float


@dataclass(frozen=True)
class ConfoundedRecord:
    """A parameter that the poses do not tell apart: from what, and how much of that stands for one of it; from nothing
    where they tell nothing of it."""

    name: str
    alike: tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class MeasuredPoseRecord:
    """A pose to be measured, in the order of short moves: where the target then is, and the time from the pose before,
    by the slowest joint; null of the first, and where the scenario states no speeds. [s]"""

    name: str
    joints: tuple[float, ...]
    position: Vector
    move: float | None


@dataclass(frozen=True)
class CurvePointRecord:
    """Error left with so many poses, rms over the poses of the tasks of what a built arm keeps, by first order: with
    chosen poses, and what 5 and 95 % of arms have; with poses at random, median of sets, and 5 and 95 % of them."""

    poses: int
    chosen: float
    chosen_arms: Interval
    random: float
    random_sets: Interval


@dataclass(frozen=True)
class StepRecord:
    """Error left when groups of parameters up to this one are identified, as in `CurvePointRecord`; none at first."""

    group: str
    parameters: int
    left: float


@dataclass(frozen=True)
class CauseLeftRecord:
    """A cause before and after: its part of the rms over the poses of all tasks, by first order."""

    cause: str
    before: float
    after: float


@dataclass(frozen=True)
class IdentifiedValueRecord:
    """A parameter of a measured arm with its standard uncertainty, and its standard deviation in the population."""

    name: str
    group: str
    unit: str
    value: float
    uncertainty: float
    spread: float


@dataclass(frozen=True)
class FitRecord:
    """The residuals of an identified arm against their expectation: chi-square of the means of the poses and of the
    visits about them, each with its degrees of freedom and the chance of an arm of the population that fits no better;
    readings that are wrong by all others; whether too many stand out for that; whether any of it is too unlikely."""

    chi_square: float
    freedom: int
    chance: float
    scatter_chi_square: float
    scatter_freedom: int
    scatter_chance: float
    outliers: tuple[OutlierRecord, ...]
    crowded: bool
    contradicts: bool


@dataclass(frozen=True)
class HoldOutRecord:
    """Rms distance of measured points, at poses left out, from the arm that the other poses identify, with its 95 %
    interval, and the number of blocks of poses, each left out once."""

    residual: float
    interval: Interval
    blocks: int


@dataclass(frozen=True)
class IdentifiedArmRecord:
    """A measured arm. ``residual`` and ``expected``: rms distance of the measured points from the identified arm, and
    that of arms of the population; ``held_out``: at poses that were not measured, null where they are too few.
    ``removed``: rms over the poses of the tasks of what the correction takes away; ``left``: what then remains in such
    arms, as in `CurvePointRecord`. Everything but the outliers is without them."""

    name: str
    poses: int
    values: tuple[IdentifiedValueRecord, ...]
    residual: float
    expected: float
    removed: float
    left: float
    fit: FitRecord
    held_out: HoldOutRecord | None
