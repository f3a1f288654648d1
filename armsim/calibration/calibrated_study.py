"""Study after the calibration that its scenario states."""

from __future__ import annotations

from typing import TypeVar

from armsim.calibration.pose_selection import planned_measurement
from armsim.model.calibration_plan import Calibration
from armsim.run_options import Progress
from armsim.study import Study

AnyStudy = TypeVar("AnyStudy", bound=Study)


def calibration_of(study: Study) -> Calibration:
    """Calibration that the scenario of a study states.

    Raises
    ------
    InputError
        The scenario has no calibration.
    """
    if study.scenario.calibration is None:
        accepted = "calibration: with instrument, poses, visits, identify"
        raise study.scenario.fault("calibration", "no calibration", accepted)
    return study.scenario.calibration


def calibrated_study(study: AnyStudy, progress: Progress = lambda what, count, total: None) -> AnyStudy:
    """Study of the same scenario after every arm has been calibrated, to first order of the identified parameters.

    Measurement poses and weights of the readings are chosen for the present machine of the study. They remain the same
    if its encoders are exchanged later.

    Parameters
    ----------
    study : Study
    progress : callable
        Called with what is computed, the count so far and the total.

    Returns
    -------
    Study
        Of the same class.

    Raises
    ------
    InputError
        The scenario has no calibration, or none of its poses is in sight of the instrument.
    RunError
        A task has no pose that the arm can reach.
    """
    calibration, scenario = calibration_of(study), study.scenario
    measurement = planned_measurement(scenario, calibration, study.find(progress))
    return study.with_scenario(machine=measurement.calibrated(scenario.machine))
