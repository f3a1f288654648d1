"""Result records of `calibrate`, `verify` and `curve`, from which JSON and its schema follow. SI units."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class LawRecord:
    """Distribution of the amplitude of an order over the population, fitted at the measured angles.

    ``p50``, ``p95``: quantiles over the sensors; ``place``: share of sensors with a smaller amplitude than the measured
    one; ``causes``: causes of the order and of its aliases; ``contradicts``: whether the measured one is significantly
    too large.
    """

    p50: float
    p95: float
    place: float
    causes: tuple[str, ...]
    contradicts: bool


@dataclass(frozen=True)
class OrderRecord:
    """Order of a curve.

    ``amplitude``: amplitude without the contribution of the noise, with its standard uncertainty along the wave, its
    95 % interval and its two coefficients; ``aliases``: orders of the data sheet that coincide with it at the measured
    angles; ``false_alarm``: probability of a false alarm of an order found in the residual, null of a requested one.
    """

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
    """Measured pose.

    AP and RP of the arm with their intervals, null where it was visited once; their 5, 50 and 95 % quantiles over arms
    simulated and measured the same way, and the share of those arms with a smaller value; ``chance``: p-value of the
    mean displacement, and whether it is significant over all poses; mean square of the prediction error of the pose by
    all others, over its expected value.
    """

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
    """AD and RD of the arm between two poses named by the task; AD with its interval.

    ``session`` is empty where all readings are of one session.
    """

    poses: tuple[str, str]
    accuracy: float
    accuracy_interval: Interval
    repeatability: float
    session: str = ""


@dataclass(frozen=True)
class DirectionRecord:
    """vAP of the arm at a pose approached from several directions, with its interval.

    ``population``: 5, 50 and 95 % quantiles of the population, approached along x, y and z; ``place``: share of the
    population with a smaller value.
    """

    pose: str
    directions: tuple[str, ...]
    variation: float
    interval: Interval
    population: Vector
    place: float


@dataclass(frozen=True)
class CauseRecord:
    """Cause at a joint or link after the measurement.

    ``deviations``: estimate in standard deviations of the cause; ``known``: share of its variance that the measurement
    resolves; ``chance``: p-value of the estimate in the population; ``stands_out``: whether it is significant over all
    causes.
    """

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
    """Frame and target of a session, fitted to the nominal arm.

    ``turn``: rotation angle between instrument and base [rad]; ``origin``: origin of the instrument in the base frame
    [m]; ``rpy``: its orientation there, rotations about fixed x, y, z [rad]; ``target``: position of the target on the
    tool [m]; ``left``: rms residual [m]; ``scale``: relative excess of the scale of the instrument, where it is fitted.
    ``session`` is empty where all readings are of one session.
    """

    session: str
    turn: float
    rpy: Vector
    origin: Vector
    target: Vector
    left: float
    scale: float


Uncertainties = tuple[float | None, float | None, float | None]


@dataclass(frozen=True)
class SessionFrameRecord:
    """Frame and target of a session, identified together with the arm.

    ``origin``, ``rpy``: position [m] and orientation [rad] of the instrument in the base frame, the latter by rotations
    about fixed x, y, z; ``target``: position of the target on the tool [m]; ``scale``: relative excess of the scale of
    the instrument. Each with its standard uncertainty, that of ``rpy`` about x, y, z of the base: null where it is not
    identified, or the poses do not distinguish it. ``session`` is empty where all readings are of one session.
    """

    session: str
    origin: Vector
    origin_uncertainty: Uncertainties
    rpy: Vector
    rpy_uncertainty: Uncertainties
    target: Vector
    target_uncertainty: Uncertainties
    scale: float
    scale_uncertainty: float | None


@dataclass(frozen=True)
class OutlierRecord:
    """Outlying reading: file, line and pose.

    ``distance``: distance from the prediction by all other readings; ``expected``: its standard deviation;
    ``deviations``: Mahalanobis distance; ``chance``: p-value, over all readings of an arm of the population;
    ``orientation``: whether the orientation is wrong, so that distances are angles. [rad]
    """

    file: str
    line: int
    pose: str
    distance: float
    expected: float
    deviations: float
    chance: float
    orientation: bool = False


@dataclass(frozen=True)
class ScatterRecord:
    """Causes of visit life at a joint, several where the poses do not distinguish them: by what factor they scatter
    more than stated, the chance of an arm of the population whose readings show as much, and whether that is too small
    over all of them, the scatter as a whole being too large."""

    owner: str
    causes: tuple[str, ...]
    factor: float
    chance: float
    stands_out: bool


@dataclass(frozen=True)
class ArmRecord:
    """Measured arm.

    ``simulated``: number of arms simulated and measured the same way, which give p-values and places; ``chance``:
    p-value of the means over all poses; ``scatter_chance``: p-value of the scatter of the visits; ``level``: level of
    significance of each of these, and of all poses, causes and readings together; ``coarse_instrument``: whether the
    instrument scatters more than the predicted visits. All but ``outliers`` is computed without the outlying readings;
    ``crowded``: whether too many readings are significant for any to be called wrong. ``renewed``: where the arm is not
    as predicted, the factors by which its spreads were estimated larger than stated, which enter ``expected``;
    ``birge``: ratio of Birge, the factor on the remaining uncertainty beside them.
    """

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
    scatter: tuple[ScatterRecord, ...] = ()
    renewed: tuple[tuple[str, float], ...] = ()
    birge: float = 1.0


@dataclass(frozen=True)
class ScaleRecord:
    """Causes over several arms.

    ``scale``: estimated over stated spread, with its 95 % interval; ``chance``: p-value of the hypothesis that the
    spread is as stated; ``stands_out``: whether it is significant over all causes. Causes that are not separately
    identifiable share one factor.
    """

    causes: tuple[str, ...]
    scale: float
    interval: Interval
    chance: float
    stands_out: bool


@dataclass(frozen=True)
class ParameterRecord:
    """Identified parameter.

    ``spread``: standard deviation in the population; ``uncertainty``: standard uncertainty of the estimate by formula;
    ``by_measurement``: part of it by instrument and visits; ``over_population``: rms error of the estimate over the
    population; ``unit``: m, rad, m/N or rad/(N m).
    """

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
    """Parameter that is not separately identifiable.

    ``alike``: parameters with which it is confounded, and the amount of each that equals one unit of it; empty where
    the poses do not depend on it.
    """

    name: str
    alike: tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class MeasuredPoseRecord:
    """Pose to be measured, in the order of short moves.

    ``position``: position of the target [m]; ``move``: duration of the move from the previous pose by the slowest joint
    [s], null for the first pose and where the scenario states no speeds.
    """

    name: str
    joints: tuple[float, ...]
    position: Vector
    move: float | None


@dataclass(frozen=True)
class CurvePointRecord:
    """Residual error with a number of poses: rms over the poses of the tasks, by first order.

    ``chosen``: with selected poses, and the 5 and 95 % quantiles over arms; ``random``: median over sets of random
    poses, and the 5 and 95 % quantiles over sets.
    """

    poses: int
    chosen: float
    chosen_arms: Interval
    random: float
    random_sets: Interval


@dataclass(frozen=True)
class StepRecord:
    """Residual error when groups of parameters up to this one are identified; the first record identifies none."""

    group: str
    parameters: int
    left: float


@dataclass(frozen=True)
class CauseLeftRecord:
    """Contribution of a cause to the rms over the poses of all tasks before and after calibration, by first order."""

    cause: str
    before: float
    after: float


@dataclass(frozen=True)
class IdentifiedValueRecord:
    """Parameter of a measured arm with its standard uncertainty, and its standard deviation in the population."""

    name: str
    group: str
    unit: str
    value: float
    uncertainty: float
    spread: float


@dataclass(frozen=True)
class FitRecord:
    """Residuals of an identified arm against their expectation.

    Chi-square of the pose means and of the visits about them, each with its degrees of freedom and p-value
    (``chance``); outlying readings; whether too many are significant for any to be called wrong; whether the readings
    contradict the model.
    """

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
    ``removed``: rms of the correction over the poses of the tasks; ``left``: residual error then expected of such
    arms, as in `CurvePointRecord`. ``sessions``: frames and targets, where any is identified. Everything but the
    outliers is without them."""

    name: str
    poses: int
    values: tuple[IdentifiedValueRecord, ...]
    residual: float
    expected: float
    removed: float
    left: float
    fit: FitRecord
    held_out: HoldOutRecord | None
    sessions: tuple[SessionFrameRecord, ...] = ()
