"""Result records of `calibrate`, `verify` and `curve`, from which JSON and its schema follow. SI units.

A field whose key in JSON differs from its name states that key as its alias.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from pydantic import Field


@dataclass(frozen=True)
class LawRecord:
    """Distribution of the amplitude of an order over the population, fitted at the measured angles.

    ``p50``, ``p95``: quantiles over the sensors; ``percentile``: share of sensors with a smaller amplitude than the
    measured one; ``causes``: of the order and of its aliases; ``contradicts``: whether it is significantly too large.
    """

    p50: float
    p95: float
    percentile: Annotated[float, Field(alias="place")]
    causes: tuple[str, ...]
    contradicts: bool


@dataclass(frozen=True)
class OrderRecord:
    """Order of a curve.

    ``amplitude``: amplitude corrected for the noise, with its standard uncertainty along the wave, its 95 % interval
    and its cosine and sine coefficients; ``aliases``: orders of the data sheet that coincide with it at the measured
    angles; ``false_alarm``: probability of a false alarm for an order found in the residual, null for a requested
    order.
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
Uncertainties = tuple[float | None, float | None, float | None]


@dataclass(frozen=True)
class PoseRecord:
    """Measured pose.

    AP and RP of the arm with their intervals, null at a pose that was visited once. ``accuracy_population``,
    ``repeatability_population``: their 5, 50 and 95 % quantiles over arms simulated and measured the same way;
    ``accuracy_percentile``, ``repeatability_percentile``: share of those arms with a smaller value. ``p_value``,
    ``significant``: p-value of the mean displacement, and whether it is significant over all poses.
    ``leave_one_out_ratio``: squared error of the prediction of the pose from all other poses, divided by its expected
    value.
    """

    name: str
    visits: int
    accuracy: float
    accuracy_interval: Interval | None
    repeatability: float | None
    repeatability_interval: Interval | None
    accuracy_population: Vector
    repeatability_population: Vector
    accuracy_percentile: Annotated[float, Field(alias="accuracy_place")]
    repeatability_percentile: Annotated[float, Field(alias="repeatability_place")]
    p_value: Annotated[float, Field(alias="chance")]
    significant: Annotated[bool, Field(alias="stands_out")]
    leave_one_out_ratio: Annotated[float, Field(alias="left_out")]


@dataclass(frozen=True)
class DistanceRecord:
    """AD and RD of the arm between two poses named by the task; AD with its interval.

    ``session`` is empty if all readings belong to one session.
    """

    poses: tuple[str, str]
    accuracy: float
    accuracy_interval: Interval
    repeatability: float
    session: str = ""


@dataclass(frozen=True)
class DirectionRecord:
    """vAP of the arm at a pose approached from several directions, with its interval.

    ``population``: 5, 50 and 95 % quantiles of the population, approached along x, y and z; ``percentile``: share of
    the population with a smaller value.
    """

    pose: str
    directions: tuple[str, ...]
    variation: float
    interval: Interval
    population: Vector
    percentile: Annotated[float, Field(alias="place")]


@dataclass(frozen=True)
class CauseRecord:
    """Cause at a joint or link after the measurement.

    ``deviations``: estimate in standard deviations of the cause; ``resolved_share``: share of its variance that the
    measurement resolves; ``p_value``, ``significant``: p-value of the estimate in the population, and whether it is
    significant over all causes.
    """

    owner: str
    cause: str
    name: str
    deviations: float
    resolved_share: Annotated[float, Field(alias="known")]
    p_value: Annotated[float, Field(alias="chance")]
    significant: Annotated[bool, Field(alias="stands_out")]


@dataclass(frozen=True)
class ExpectedRecord:
    """Predicted displacement of a measured arm at a pose, its size and standard uncertainty, and the standard deviation
    over the population. [m]"""

    name: str
    displacement: Vector
    size: float
    uncertainty: Annotated[float, Field(alias="left")]
    prior_std: Annotated[float, Field(alias="prior")]


@dataclass(frozen=True)
class RegistrationRecord:
    """Frame and target of a session, fitted to the nominal arm.

    ``angle``: rotation angle between instrument and base [rad]; ``origin``: origin of the instrument in the base frame
    [m]; ``rpy``: its orientation there, rotations about fixed x, y, z [rad]; ``target``: position of the target on the
    tool [m]; ``rms_residual``: rms distance of the readings from the fit [m]; ``scale``: relative excess of the scale
    of the instrument, zero if it is not fitted. ``session`` is empty if all readings belong to one session.
    """

    session: str
    angle: Annotated[float, Field(alias="turn")]
    rpy: Vector
    origin: Vector
    target: Vector
    rms_residual: Annotated[float, Field(alias="left")]
    scale: float


@dataclass(frozen=True)
class SessionFrameRecord:
    """Frame and target of a session, identified together with the arm.

    ``origin``, ``rpy``: position [m] and orientation [rad] of the instrument in the base frame, the latter by rotations
    about fixed x, y, z; ``target``: position of the target on the tool [m]; ``scale``: relative excess of the scale of
    the instrument. Each has its standard uncertainty, that of ``rpy`` about x, y, z of the base; null if the value is
    not identified, or the poses do not distinguish it. ``session`` is empty if all readings belong to one session.
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

    ``distance``: distance from the prediction by all other readings [m]; ``expected_distance``: its standard deviation;
    ``deviations``: Mahalanobis distance; ``p_value``: p-value over all readings of an arm; ``orientation``: whether the
    orientation is outlying, so that distances are angles. [rad]
    """

    file: str
    line: int
    pose: str
    distance: float
    expected_distance: Annotated[float, Field(alias="expected")]
    deviations: float
    p_value: Annotated[float, Field(alias="chance")]
    orientation: bool = False


@dataclass(frozen=True)
class ScatterRecord:
    """Scatter over the visits by causes at a joint that the poses do not distinguish: factor on the stated standard
    deviation, its p-value, and whether it is significant over all causes, the scatter as a whole being so too."""

    owner: str
    causes: tuple[str, ...]
    factor: float
    p_value: Annotated[float, Field(alias="chance")]
    significant: Annotated[bool, Field(alias="stands_out")]


@dataclass(frozen=True)
class ArmRecord:
    """Measured arm.

    ``simulated``: number of arms simulated and measured the same way, from which p-values and percentiles follow;
    ``p_value``, ``scatter_p_value``: p-values of the means over all poses, and of the scatter of the visits; ``level``:
    level of significance of each of these, and of all poses, causes and readings together; ``coarse_instrument``:
    whether the instrument scatters more than the predicted visits. Everything except ``outliers`` is computed without
    the outlying readings; ``too_many_outliers``: whether too many readings are significant for any to be called wrong.
    If the arm is not as predicted, ``rescaled_spreads`` are the factors by which its spreads were estimated larger than
    stated, and ``birge_ratio`` the further factor on the remaining uncertainty; both enter ``expected``.
    """

    name: str
    simulated: int
    p_value: Annotated[float, Field(alias="chance")]
    scatter_p_value: Annotated[float, Field(alias="scatter_chance")]
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
    too_many_outliers: Annotated[bool, Field(alias="crowded")] = False
    scatter: tuple[ScatterRecord, ...] = ()
    rescaled_spreads: Annotated[tuple[tuple[str, float], ...], Field(alias="renewed")] = ()
    birge_ratio: Annotated[float, Field(alias="birge")] = 1.0


@dataclass(frozen=True)
class ScaleRecord:
    """Spread of causes over several arms.

    ``scale``: ratio of estimated to stated spread, with its 95 % interval; ``p_value``: p-value of the hypothesis that
    the spread is as stated; ``significant``: whether it is significant over all causes. Causes that are not separately
    identifiable share one factor.
    """

    causes: tuple[str, ...]
    scale: float
    interval: Interval
    p_value: Annotated[float, Field(alias="chance")]
    significant: Annotated[bool, Field(alias="stands_out")]


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

    ``combination``: parameters with which it is confounded, and the amount of each that has the same effect as one unit
    of it; empty if the readings do not depend on it.
    """

    name: str
    combination: Annotated[tuple[tuple[str, float], ...], Field(alias="alike")]


@dataclass(frozen=True)
class MeasuredPoseRecord:
    """Pose to be measured, in the order of a short route.

    ``position``: position of the target [m]; ``move``: duration of the move from the previous pose by the slowest joint
    [s], null for the first pose and if the scenario states no speeds.
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
    """Residual error if all groups of parameters up to this one are identified."""

    group: str
    parameters: int
    residual: Annotated[float, Field(alias="left")]


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
    """Goodness of fit of an identified arm: chi-square of the pose means and of the visits about them, outlying
    readings, whether too many are significant for any to be called wrong, whether the readings contradict the model."""

    chi_square: float
    degrees_of_freedom: Annotated[int, Field(alias="freedom")]
    p_value: Annotated[float, Field(alias="chance")]
    scatter_chi_square: float
    scatter_degrees_of_freedom: Annotated[int, Field(alias="scatter_freedom")]
    scatter_p_value: Annotated[float, Field(alias="scatter_chance")]
    outliers: tuple[OutlierRecord, ...]
    too_many_outliers: Annotated[bool, Field(alias="crowded")]
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
    """Identified parameters of a measured arm, and its residuals. [m]

    ``residual``, ``expected``: rms distance of the measured points from the identified arm, and its expected value for
    arms of the population; ``held_out``: the same at poses that were not measured, null if the poses are too few.
    ``correction_rms``: rms of the correction over the poses of the tasks; ``expected_residual`` : expected residual
    error after it, as in `CurvePointRecord`. ``sessions``: frames and targets, if any is identified. Everything except
    the outliers is computed without the outlying readings.
    """

    name: str
    poses: int
    values: tuple[IdentifiedValueRecord, ...]
    residual: float
    expected: float
    correction_rms: Annotated[float, Field(alias="removed")]
    expected_residual: Annotated[float, Field(alias="left")]
    fit: FitRecord
    held_out: HoldOutRecord | None
    sessions: tuple[SessionFrameRecord, ...] = ()
