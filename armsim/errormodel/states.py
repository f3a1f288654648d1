"""States of the joints of a machine and of their drives, at which the shapes of errors are evaluated."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from armsim.errormodel.shapes import State
from armsim.errormodel.terms import Act, Axis, Role


@dataclass(frozen=True, eq=False)
class States:
    """States of all joints and drives at P poses.

    Parameters
    ----------
    joints : mapping of joint to State
    drives : mapping of joint to State
        State seen by the drive of each joint: that of the joint where nothing couples it to others.
    fixed : State
        State of frames that no joint moves.
    deflections : mapping of Axis to State
        State of the joint with the load that deflects an error motion of it; none for rigid ones.
    """

    joints: Mapping[str, State]
    drives: Mapping[str, State]
    fixed: State
    deflections: Mapping[Axis, State] = field(default_factory=dict)

    def state_of(self, axis: Axis) -> State:
        """State of an axis: that of its joint; ``fixed`` for a frame that no joint moves."""
        if axis in self.deflections:
            return self.deflections[axis]
        return self.fixed if axis.role is Role.FRAME else self.joints.get(axis.owner, self.fixed)

    def state_of_act(self, act: Act) -> State:
        """State at which the shape of an act is evaluated."""
        return self.drives[act.drive] if act.drive else self.state_of(act.axis)
