"""Where to look: every kind of task turns an arm into a set of poses."""

from armsim.tasks.base import Command, PoseSet, Task
from armsim.tasks.poses import NamedPose, Poses
from armsim.tasks.slice import Slice

__all__ = ["Command", "NamedPose", "PoseSet", "Poses", "Slice", "Task"]
