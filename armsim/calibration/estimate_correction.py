"""The correction that an estimate puts into the controller."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from armsim.arrays import Array
from armsim.calibration.estimate import Estimate, Seen, estimate_of
from armsim.calibration.identifiable import parameters_of, with_target
from armsim.calibration.linear_population import Linear
from armsim.errormodel.draws import TableDraw
from armsim.model.calibration_plan import Calibration, Instrument
from armsim.model.configurations import Configurations
from armsim.model.correction import Correction, Observation
from armsim.model.machine import Machine


@dataclass(frozen=True, eq=False)
class Measurement:
    """A calibration with the poses at which it measures.

    Parameters
    ----------
    calibration : Calibration
    joints : (M, joints) [rad or m]
    counts : tuple of int, optional
        Visits of every pose, where they are not those of the calibration.
    """

    calibration: Calibration
    joints: Array
    counts: tuple[int, ...] | None = None

    @property
    def visits(self) -> list[int]:
        """Of every pose."""
        return [self.calibration.visits] * len(self.joints) if self.counts is None else list(self.counts)

    def spread(self, machine: Machine) -> Array:
        """Standard deviation of a reading at every pose along x, y, z, shape (M, 3). [m]"""
        instrument = self.calibration.instrument
        return spread_at(instrument, with_target(machine, instrument).arm.postures(self.joints, []).tool)

    def estimate(self, machine: Machine) -> Estimate:
        """The estimate for a machine, seen without any correction of it."""
        return estimate_of(self.seen(machine), self.calibration.prior)

    def seen(self, machine: Machine) -> Seen:
        """A machine at the measured poses, as the instrument sees it."""
        instrument = self.calibration.instrument
        parameters = parameters_of(machine, instrument, self.calibration.identify)
        return Seen.of(with_target(machine, instrument), parameters, self.joints, self.visits, self.spread(machine))

    def calibrated(self, machine: Machine) -> Machine:
        """The machine after its calibration, to first order of what is identified."""
        return replace(machine, correction=correction_of(machine, self, self.estimate(machine)))


def spread_at(instrument: Instrument, targets: Array) -> Array:
    """Standard deviation of a reading along x, y, z, shape (M, 3): so much, and so much of the distance. [m]

    ``targets``: frames of the target in the base frame, shape (M, 4, 4). [m]
    """
    distance = np.linalg.norm(targets[:, :3, 3] - np.array(instrument.at), axis=1)
    return np.asarray(np.array(instrument.std) + instrument.std_per_distance * distance[:, None])


def correction_of(
    machine: Machine, measurement: Measurement, estimate: Estimate, exact: tuple[int, Array] | None = None
) -> Correction:
    """The correction of a machine by an estimate.

    Parameters
    ----------
    machine : Machine
    measurement : Measurement
    estimate : Estimate
        Its gain is kept, whatever becomes of the machine.
    exact : (seed, (units, K)), optional
        What the units of the population of that seed have identified: taken in place of the linear estimate.
    """
    rows = estimate.controlled
    weighing = Weighing(measurement, measurement.spread(machine), estimate.gain[rows], estimate.base[rows])
    table = None if exact is None else TableDraw(exact[0], np.ascontiguousarray(exact[1][:, rows].T))
    return Correction(estimate.corrected, weighing.observe, table)


@dataclass(frozen=True, eq=False)
class Weighing:
    """How readings are weighed.

    Parameters
    ----------
    measurement : Measurement
    spread : (M, 3) [m]
        Of the instrument at every pose.
    gain : (K, 3 M)
    base : (K,)
        Estimate where nothing is displaced.
    """

    measurement: Measurement
    spread: Array
    gain: Array
    base: Array

    def observe(self, machine: Machine, with_instrument: bool) -> Observation:
        """What is made of a machine; a part of one has no share of the instrument."""
        measurement, names = self.measurement, {term.name for term in machine.terms}
        linear = Linear.of(with_target(machine, measurement.calibration.instrument), measurement.joints)
        spread = self.spread if with_instrument else np.zeros_like(self.spread)
        covariance = self.gain @ linear.noise(measurement.visits, spread) @ self.gain.T
        response: dict[str, Array] = {}
        for term, part in linear.parts():
            reach = self.gain @ linear.gain[:, part]
            if term.name in names:
                response[term.name] = reach
            elif with_instrument:  # where it stands, and its target
                covariance = covariance + reach @ term.covariance @ reach.T
        mean = self.gain @ linear.fixed
        return Observation(response, mean + self.base if with_instrument else mean, covariance)


def correctable(machine: Machine, configurations: Configurations) -> Array:
    """Smallest singular value of the position Jacobian of the joints over the largest, shape (poses,).

    Where it is zero the joints cannot bring about every correction of the tool point.
    """
    columns = machine.arm.postures(configurations.joints).column
    values = np.linalg.svd(columns.swapaxes(1, 2), compute_uv=False)
    if values.shape[1] < 3:
        return np.zeros(len(values))
    return np.asarray(values[:, 2] / values[:, 0])
