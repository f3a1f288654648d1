"""Measurement of a calibration at chosen poses, and the correction that the controller applies after it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from armsim.arrays import Array
from armsim.calibration.estimate import Estimate, estimate_of
from armsim.calibration.identifiable import parameters_of
from armsim.calibration.linear_population import LinearPopulation
from armsim.calibration.measured_machine import ONE_SESSION, Layout, as_measured
from armsim.calibration.population_at_poses import PopulationAtPoses
from armsim.calibration.reading_conditions import Conditions
from armsim.calibration.reading_noise import InstrumentNoise, covariance_roots_of
from armsim.errormodel.draws import TableDraw
from armsim.model.calibration_plan import Calibration, Instrument
from armsim.model.configurations import Configurations
from armsim.model.correction import Correction, Observation
from armsim.model.machine import Machine


@dataclass(frozen=True, eq=False)
class MeasurementPlan:
    """A calibration with the poses at which it measures.

    Parameters
    ----------
    calibration : Calibration
    joints : (M, joints) [rad or m]
    counts : tuple of int, optional
        Visits of every pose, if they are not those of the calibration.
    conditions : Conditions, optional
        Conditions of the readings, if they differ between groups of readings.
    covariance_roots : tuple of (readings or 1, 3, 3), optional [m]
        Square roots of the covariance of the readings per pose, if it is not that of the instrument.
    """

    calibration: Calibration
    joints: Array
    counts: tuple[int, ...] | None = None
    conditions: Conditions | None = None
    covariance_roots: tuple[Array, ...] | None = None

    @property
    def visits(self) -> list[int]:
        """Visits per pose."""
        return [self.calibration.visits] * len(self.joints) if self.counts is None else list(self.counts)

    @property
    def layout(self) -> Layout:
        """Sessions, and whether orientations were read."""
        return ONE_SESSION if self.conditions is None else self.conditions.layout

    @property
    def oriented(self) -> NDArray[np.bool_]:
        """Mask of the poses that hold orientations, shape (M,)."""
        return np.zeros(len(self.joints), bool) if self.conditions is None else self.conditions.oriented

    @property
    def without_temperature(self) -> MeasurementPlan:
        """Same measurement at unknown temperature, as for arms that were not measured."""
        return self if self.conditions is None else replace(self, conditions=self.conditions.without_temperature)

    def seen_by(self, machine: Machine) -> Machine:
        """The machine as the instrument sees it."""
        return as_measured(machine, self.calibration.instrument, self.layout)

    def noise(self, machine: Machine) -> InstrumentNoise:
        """Noise of the readings per pose: as the file states it, or as the instrument does."""
        if self.covariance_roots is not None:
            return self.covariance_roots
        return spread_at(self.calibration.instrument, self.seen_by(machine).arm.postures(self.joints, []).tool)

    def estimate(self, machine: Machine) -> Estimate:
        """Linear estimate for a machine without any correction."""
        return estimate_of(self.population(machine), self.calibration.prior)

    def population(self, machine: Machine) -> PopulationAtPoses:
        """Population of a machine and its parameters at the measured poses, as the instrument sees them."""
        instrument = self.calibration.instrument
        parameters = parameters_of(machine, instrument, self.calibration.identify, self.layout)
        read = self.joints, self.visits, self.noise(machine), self.conditions
        return PopulationAtPoses.of(self.seen_by(machine), parameters, *read)

    def calibrated(self, machine: Machine) -> Machine:
        """The machine after its calibration, to first order of the identified parameters."""
        return replace(machine, correction=correction_of(machine, self, self.estimate(machine)))


def spread_at(instrument: Instrument, targets: Array, instrument_position: Array | None = None) -> Array:
    """Standard deviation of a reading along x, y, z: a constant plus a term in proportion to the distance.

    Parameters
    ----------
    instrument : Instrument
    targets : (M, 4, 4) [m]
        Frames of the target in the base frame.
    instrument_position : (3,), optional [m]
        Position of the instrument in the base frame; by default the stated one.

    Returns
    -------
    (M, 3) [m]
        Along the axes of the base frame.
    """
    distance = np.linalg.norm(
        targets[:, :3, 3] - (np.array(instrument.position) if instrument_position is None else instrument_position),
        axis=1,
    )
    return np.asarray(np.array(instrument.std) + instrument.std_per_distance * distance[:, None])


def correction_of(
    machine: Machine, measurement: MeasurementPlan, estimate: Estimate, exact: tuple[int, Array] | None = None
) -> Correction:
    """Correction that the controller of a machine applies after an estimate.

    Parameters
    ----------
    machine : Machine
    measurement : MeasurementPlan
    estimate : Estimate
        Estimate whose gain is used for every machine.
    exact : (seed, (units, K)), optional
        Seed of a population, and the parameters that its units have identified: used in place of the linear estimate.

    Returns
    -------
    Correction
    """
    rows = estimate.controller_numbers
    noise = tuple(covariance_roots_of(measurement.noise(machine), len(measurement.joints)))
    fixed_gain_estimate = FixedGainEstimate(
        measurement.without_temperature, noise, estimate.gain[rows], estimate.intercept[rows]
    )
    table = None if exact is None else TableDraw(exact[0], np.ascontiguousarray(exact[1][:, rows].T))
    return Correction(estimate.corrected, fixed_gain_estimate.observe, table)


@dataclass(frozen=True, eq=False)
class FixedGainEstimate:
    """Estimate with fixed weights of the readings, for any machine that is measured at the same poses.

    Parameters
    ----------
    measurement : MeasurementPlan
    noise : tuple of (readings or 1, 3, 3) [m]
        Square roots of the covariance of the instrument readings per pose.
    gain : (K, 3 M)
        From displacements to parameters.
    intercept : (K,)
        Estimate where nothing is displaced.
    """

    measurement: MeasurementPlan
    noise: tuple[Array, ...]
    gain: Array
    intercept: Array

    def observe(self, machine: Machine, with_instrument: bool) -> Observation:
        """Estimate as a function of the coefficients of a machine.

        Parameters
        ----------
        machine : Machine
        with_instrument : bool
            Whether to include the noise of the instrument and the unknown frame and target; not for a part of a
            machine.

        Returns
        -------
        Observation
        """
        measurement, names = self.measurement, {term.name for term in machine.terms}
        linear = LinearPopulation.of(measurement.seen_by(machine), measurement.joints, measurement.conditions)
        noise: InstrumentNoise = self.noise if with_instrument else 0.0
        covariance = self.gain @ linear.noise(measurement.visits, noise) @ self.gain.T
        response: dict[str, Array] = {}
        for term, term_slice in linear.terms_with_slices():
            estimate_per_coefficient = self.gain @ linear.gain[:, term_slice]
            if term.name in names:
                response[term.name] = estimate_per_coefficient
            elif with_instrument:  # errors of the pose of the instrument and of the target
                covariance = covariance + estimate_per_coefficient @ term.covariance @ estimate_per_coefficient.T
        mean = self.gain @ linear.visit_mean
        return Observation(response, mean + self.intercept if with_instrument else mean, covariance)


def correction_isotropy(machine: Machine, configurations: Configurations) -> Array:
    """Ratio of the smallest to the largest singular value of the position Jacobian of the joints.

    At a pose with ratio zero, the joints cannot correct the tool point in every direction.

    Parameters
    ----------
    machine : Machine
    configurations : Configurations

    Returns
    -------
    (poses,)
    """
    columns = machine.arm.postures(configurations.joints).column
    values = np.linalg.svd(columns.swapaxes(1, 2), compute_uv=False)
    if values.shape[1] < 3:
        return np.zeros(len(values))
    return np.asarray(values[:, 2] / values[:, 0])
