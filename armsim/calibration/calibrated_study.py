"""A study as it is after the calibration of its scenario."""

from __future__ import annotations

from typing import TypeVar

from armsim.calibration.pose_selection import chosen_for
from armsim.model.calibration_plan import Calibration
from armsim.sampling.run_options import Progress
from armsim.study import Study

AnyStudy = TypeVar("AnyStudy", bound=Study)


def asked_of(study: Study) -> Calibration:
    """The calibration of a scenario.

    Raises
    ------
    InputError
        The scenario has no calibration.
    """
    if study.scenario.calibration is None:
        accepted = "calibration: with instrument, poses, visits, identify"
        raise study.scenario.fault("calibration", "no calibration", accepted)
    return study.scenario.calibration


def calibrated(study: AnyStudy, progress: Progress = lambda what, count, total: None) -> AnyStudy:
    """The same study with every arm calibrated, to first order of what is identified.

    Where it is measured, and how readings are weighed, is settled by its machine as it stands; whatever its joints are
    then fitted with is measured and identified that way.

    Raises
    ------
    InputError
        The scenario has no calibration, or none of its poses is in sight of the instrument.
    RunError
        A task has no pose that the arm can reach.
    """
    calibration, scenario = asked_of(study), study.scenario
    measurement = chosen_for(scenario, calibration, study.find(progress))
    return study.with_scenario(machine=measurement.calibrated(scenario.machine))
