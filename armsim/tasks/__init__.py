"""Where to look: each kind of task is one file."""

from armsim.tasks.base import Advance, Command, Holding, PoseSet, Task
from armsim.tasks.cloud import Cloud
from armsim.tasks.iso_poses import IsoPoses
from armsim.tasks.path import Path, Waypoint
from armsim.tasks.poses import NamedPose, Poses
from armsim.tasks.slice import Slice, Volume

__all__ = [
    "Advance",
    "Cloud",
    "Command",
    "Holding",
    "IsoPoses",
    "NamedPose",
    "Path",
    "PoseSet",
    "Poses",
    "Slice",
    "Task",
    "Volume",
    "Waypoint",
]
