"""What of the population is a parameter: every coefficient once."""

from __future__ import annotations

import math

import numpy as np
import pytest
from test_calibrate import _ideal, _plain_arm

from armsim.calibration.estimate_correction import MeasurementPlan
from armsim.errormodel.distributions import Distribution
from armsim.errormodel.terms import Axis, Role
from armsim.model.calibration_plan import Calibration, Identified, Instrument, MeasuredPoses
from armsim.model.machine import Machine
from armsim.tasks import Cloud


@pytest.mark.parametrize("prior", [False, True])
def test_the_zero_of_a_joint_and_the_angle_of_its_link_share_one_coefficient(prior: bool) -> None:
    """Zeros of 1 mrad and angles of 0.5 mrad add up (root of the sum of squares) in the one parameter that tells them,
    by either name; with enough good readings nothing is left uncertain of it."""
    arm = _plain_arm()
    tolerances = tuple((Axis(name, "theta", Role.LINK), Distribution("normal", 0.5e-3)) for name in arm.names)
    machine = Machine(arm, tuple(_ideal(name, 1e-3) for name in arm.names), tolerances)
    joints = Cloud("poses", 40).find(arm).configurations.joints
    calibration = Calibration(Instrument((1e-6,) * 3), MeasuredPoses(), 1, Identified(True, True), prior)
    estimate = MeasurementPlan(calibration, joints).estimate(machine)
    spread = {p.name: s for p, s in zip(estimate.parameters, estimate.spread.tolist(), strict=True)}
    error = {p.name: v**0.5 for p, v in zip(estimate.parameters, np.diag(estimate.covariance).tolist(), strict=True)}
    for name in arm.names:
        assert spread[f"zero of {name}"] == pytest.approx(math.hypot(1e-3, 0.5e-3), rel=1e-3)
        assert error[f"zero of {name}"] < 2e-5
