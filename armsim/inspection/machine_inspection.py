"""What is known of a machine before any arm is sampled: budgets of joints and links, motion, limits of operation."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from armsim.model.assumptions import assumptions
from armsim.results.joints import Assumption, JointBudget, JointMotion, OperationLimit, TermBudget, TwoSensors
from armsim.run_options import CheckStop, never_stop
from armsim.sampling.joint_budgets import joint_budgets, joint_totals, link_budget, sensor_errors
from armsim.sampling.operation_limits import limits_of
from armsim.sampling.sensor_pairs import two_sensors
from armsim.sampling.speed_ripple import joint_motions
from armsim.scenario import Scenario
from armsim.tasks import PoseSet
from armsim.tasks.named_poses import largest_joint_speeds

__all__ = ["Inspection", "budgets", "inspect", "link_budget", "sensor_errors"]


@dataclass(frozen=True)
class Inspection:
    """A machine, without the poses of its tasks. SI units; joints by name.

    ``links`` are the terms of constants of links and frames, named by their axes; ``assumptions`` the values that the
    scenario does not state; ``two_sensors`` the joints with a sensor on either side of the gear.
    """

    joints: dict[str, JointBudget]
    links: tuple[TermBudget, ...]
    assumptions: tuple[Assumption, ...]
    motion: dict[str, JointMotion]
    operation: tuple[OperationLimit, ...]
    two_sensors: dict[str, TwoSensors]


def budgets(
    scenario: Scenario, poses: Sequence[PoseSet] = (), curves: bool = True, check_stop: CheckStop = never_stop
) -> dict[str, JointBudget]:
    """Error budget of every joint; parameters as of `inspect`."""
    machine = scenario.machine
    speeds = largest_joint_speeds(machine.arm, scenario.tasks, poses)
    if not curves:
        return joint_totals(machine, speeds)
    return joint_budgets(machine, scenario.plan.seed, speeds, check_stop)


def inspect(
    scenario: Scenario, poses: Sequence[PoseSet] = (), curves: bool = True, check_stop: CheckStop = never_stop
) -> Inspection:
    """Inspection of the machine of a scenario.

    Parameters
    ----------
    scenario : Scenario
    poses : sequence of PoseSet
        Poses of tasks, such as of paths, whose joint speeds count beside those that named poses state.
    curves : bool
        Whether budgets have the error curves of their joints, which take longest.
    check_stop : callable
        Called before the curve of every joint, as `CheckStop`.

    Returns
    -------
    Inspection
    """
    machine, plan = scenario.machine, scenario.plan
    return Inspection(
        joints=budgets(scenario, poses, curves, check_stop),
        links=link_budget(machine),
        assumptions=assumptions(machine),
        motion=joint_motions(machine, scenario.motion, plan.seed),
        operation=limits_of(machine, plan),
        two_sensors=two_sensors(machine, plan.seed, largest_joint_speeds(machine.arm, scenario.tasks, poses)),
    )
