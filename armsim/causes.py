"""Causes of error: each is one object, declared once, which declarations, physics and every analysis share.

A cause of a single effect may be declared next to its physics function. Results hold the names of causes; `names_in`
separates names that `combine_causes` has joined.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Life = Literal["unit", "visit"]
"""Life of a cause: drawn once per built arm, or drawn again at every visit."""
QUALITY_BY_LIFE: dict[str, str] = {"unit": "accuracy", "visit": "repeatability"}
"""Quality of an arm that causes of each life decide."""
SEPARATOR = " and "


@dataclass(frozen=True)
class Cause:
    """A cause of error.

    Parameters
    ----------
    name : str
        Name as engineers use it, shown in results; shares are summed by it.
    life : str
        ``unit`` if it stays with a built arm, ``visit`` if it changes at every visit; a quantity may state another
        life.
    through : tuple of Cause
        Causes under one of which its error is reported, if it has no term of its own.
    every_reading : bool
        Whether it scatters from reading to reading, equally at all speeds, so that it adds noise to a speed computed
        from positions. Other causes of visit life are constant while a joint moves, except those of timing, whose
        errors grow with the speed and are shown separately.
    by_direction : bool
        Whether the direction of approach decides it.
    family : str
        Name under which lists combine it with similar causes; empty if it is listed alone.
    parts : tuple of Cause
        Causes that one quantity decides together.
    """

    name: str
    life: Life = "unit"
    through: tuple[Cause, ...] = ()
    every_reading: bool = False
    by_direction: bool = False
    family: str = ""
    parts: tuple[Cause, ...] = ()

    def __str__(self) -> str:
        return self.name

    @property
    def reported_as(self) -> tuple[Cause, ...]:
        """Causes under which the error of this cause may be reported."""
        return self.through or (self,)

    @property
    def heading(self) -> str:
        """Name in a list of causes: of its family, if any."""
        return self.family or self.name


def combine_causes(*causes: Cause) -> Cause:
    """One cause that combines several decided by one quantity; a single cause is returned as it is."""
    if len(causes) == 1:
        return causes[0]
    by_direction = any(cause.by_direction for cause in causes)
    return Cause(
        SEPARATOR.join(cause.name for cause in causes), causes[0].life, by_direction=by_direction, parts=causes
    )


def names_in(name: str) -> tuple[str, ...]:
    """Names of the causes combined in a name of a result: the inverse of `combine_causes`."""
    return tuple(name.split(SEPARATOR))


def link_parameter(parameter: str) -> Cause:
    """Cause for the deviation of a link parameter."""
    return Cause(f"link {parameter}", family="link parameter")


ECCENTRICITY = Cause("eccentricity")
SHAFT_RUNOUT = Cause("shaft run-out")
NONREPEATABLE_RUNOUT = Cause("non-repeatable run-out", "visit")
ELLIPTICITY = Cause("ellipticity")
DISC_TILT = Cause("disc tilt")
COUPLING_MISALIGNMENT = Cause("coupling misalignment")
HEAD_TANGENTIAL = Cause("head tangential")
HEAD_SKEW = Cause("head skew")
SECOND_TRACK = Cause("second track")
MASTERING = Cause("mastering")
HOMING = Cause("homing")
JOINT_ZERO = Cause("zero of a joint")

SIGNAL_OFFSET = Cause("signal offset")
AMPLITUDE_MISMATCH = Cause("amplitude mismatch")
PHASE_ERROR = Cause("phase error")
THIRD_HARMONIC = Cause("third harmonic")
SUB_DIVISIONAL_ERROR = Cause("sub-divisional error")
SIGNAL_NOISE = Cause("signal noise", "visit", every_reading=True)
STATED_NOISE = Cause("stated noise", "visit", every_reading=True)
HEAD_RADIAL = Cause("head radial", "visit", through=(SIGNAL_NOISE, STATED_NOISE))
HEAD_TILT = Cause("head tilt", "visit", through=(SIGNAL_NOISE, STATED_NOISE))
AIR_GAP = Cause("air gap", "visit", through=(SIGNAL_NOISE, STATED_NOISE))

QUANTISATION = Cause("quantisation", "visit", every_reading=True)
GRADUATION_ERROR = Cause("graduation error")
STATED_ACCURACY = Cause("stated accuracy")
STATED_REPEATABILITY = Cause("stated repeatability", "visit")
STATED_MISALIGNMENT = Cause("stated misalignment")
SLOPE_ERROR = Cause("slope error")
ABBE_OFFSET = Cause("Abbe offset")
MEASURED_CURVE = Cause("measured curve")

GEAR_KINEMATIC_ERROR = Cause("gear kinematic error")
LOST_MOTION = Cause("lost motion", "visit", by_direction=True)
HYSTERESIS = Cause("hysteresis", "visit", by_direction=True)
WIND_UP = Cause("wind-up")
LEAD_ERROR = Cause("lead error")
BENDING = Cause("bending")
BENDING_TOLERANCE = Cause("tolerance of the bending stiffness", through=(BENDING,))
PAYLOAD_MASS = Cause("payload mass")
PAYLOAD_CENTRE = Cause("payload centre")
STIFFNESS_TOLERANCE = Cause("stiffness tolerance", through=(WIND_UP,))

SYNCHRONOUS_ERROR_MOTIONS = {
    "tilt": Cause("tilt error motion"),
    "radial": Cause("radial error motion"),
    "axial": Cause("axial error motion"),
    "straightness": Cause("straightness error motion"),
    "roll": Cause("roll error motion"),
}
ASYNCHRONOUS_ERROR_MOTIONS = {
    kind: Cause(f"asynchronous {cause}", "visit") for kind, cause in SYNCHRONOUS_ERROR_MOTIONS.items()
}

LATENCY = Cause("latency")
TIMING_JITTER = Cause("timing jitter", "visit")
BUS_CYCLE = Cause("bus cycle", "visit")
SAMPLING_SKEW = Cause("sampling skew")

TEMPERATURE = Cause("temperature")
JOINT_TEMPERATURE = Cause("temperature of a joint")
LINK_GROWTH = Cause("growth of the links", through=(TEMPERATURE, JOINT_TEMPERATURE))
SCALE_GROWTH = Cause("growth of the scale", through=(TEMPERATURE, JOINT_TEMPERATURE))
SCREW_GROWTH = Cause("growth of the screw", through=(TEMPERATURE, JOINT_TEMPERATURE))
BRACKET_GROWTH = Cause("growth of the bracket of the head", through=(TEMPERATURE, JOINT_TEMPERATURE))
ZERO_DRIFT = Cause("drift of the zero", through=(TEMPERATURE, JOINT_TEMPERATURE))
SIGNAL_OFFSET_DRIFT = Cause("signal offset drift", through=(TEMPERATURE, JOINT_TEMPERATURE))

CALIBRATION = Cause("calibration")

SENSOR_CAUSES = frozenset(
    cause.name
    for cause in (
        ECCENTRICITY, SHAFT_RUNOUT, NONREPEATABLE_RUNOUT, ELLIPTICITY, DISC_TILT, COUPLING_MISALIGNMENT,
        HEAD_TANGENTIAL, HEAD_SKEW, SECOND_TRACK, HOMING, SIGNAL_OFFSET, AMPLITUDE_MISMATCH, PHASE_ERROR,
        THIRD_HARMONIC, SUB_DIVISIONAL_ERROR, SIGNAL_NOISE, STATED_NOISE, HEAD_RADIAL, HEAD_TILT, AIR_GAP, QUANTISATION,
        GRADUATION_ERROR, STATED_ACCURACY, STATED_REPEATABILITY, STATED_MISALIGNMENT, SLOPE_ERROR, ABBE_OFFSET,
        MEASURED_CURVE, LATENCY, TIMING_JITTER, BUS_CYCLE, SAMPLING_SKEW,
    )
)  # fmt: skip
"""Names of the causes that lie in a sensor, its mounting and its readout, and that another sensor would change."""


def lies_in_sensor(name: str) -> bool:
    """Whether a cause, by its name in a result, lies in a sensor, its mounting or its readout alone."""
    return all(cause in SENSOR_CAUSES for cause in names_in(name))
