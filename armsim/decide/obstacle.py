"""Reasons why no sensors can meet a requirement: the errors of links, gears and mastering alone exceed it."""

from __future__ import annotations

from dataclasses import replace

from armsim.arrays import Array
from armsim.formatting import percent
from armsim.model.machine import Machine
from armsim.sampling.first_order import linearise


def _contributions(machine: Machine, joints: Array) -> dict[tuple[str, str], float]:
    """Share of every owner (a joint, or the links) and cause in the mean square error at a pose.

    The bias is attributed to the error terms that cause it.
    """
    linear = linearise(machine.at(joints))
    parts: dict[tuple[str, str], float] = {}
    for term, scatter, bias in zip(
        machine.terms, linear.contributions[:, 0], linear.bias_contributions[:, 0], strict=True
    ):
        name = term.share_name
        parts[name] = parts.get(name, 0.0) + float(scatter + bias) / max(float(linear.mean_square[0]), 1e-300)
    return parts


def largest_contributions(machine: Machine, joints: Array, count: int = 3) -> str:
    """List of the largest contributions to the error at a pose, in words.

    Parameters
    ----------
    machine : Machine
    joints : (joints,) [rad or m]
        Joint positions of the pose.
    count : int
        Number of contributions to list.

    Returns
    -------
    str
    """
    ordered = sorted(_contributions(machine, joints).items(), key=lambda item: -item[1])[:count]
    return ", ".join(f"{cause} of {owner} ({percent(share, 2)})" for (owner, cause), share in ordered)


def largest_contributor(machine: Machine, joints: Array) -> str:
    """Owner of the largest contribution to the mean square error at a pose: a joint, ``links`` or ``machine``.

    Parameters
    ----------
    machine : Machine
    joints : (joints,) [rad or m]
        Joint positions of the pose.

    Returns
    -------
    str
    """
    owners: dict[str, float] = {}
    for (owner, _), share in _contributions(machine, joints).items():
        owners[owner] = owners.get(owner, 0.0) + share
    return max(owners, key=lambda name: owners[name])


def with_output_sensors(machine: Machine, first: str) -> list[tuple[str, Machine]]:
    """Machines with sensors moved from the motor to the output: that of one joint, and those of all joints.

    Parameters
    ----------
    machine : Machine
    first : str
        Name of the joint whose sensor is moved alone; ignored if its sensor is not on the motor.

    Returns
    -------
    list of (str, Machine)
        Name of the joint, or ``all joints``, and the machine.
    """
    motor_joints = [joint.name for joint in machine.joints if joint.sensor_on_motor]
    out = []
    for names in dict.fromkeys([(first,), tuple(motor_joints)]):
        if names and set(names) <= set(motor_joints):
            joints = tuple(replace(j, placement="output") if j.name in names else j for j in machine.joints)
            out.append((names[0] if len(names) == 1 else "all joints", replace(machine, joints=joints)))
    return out
