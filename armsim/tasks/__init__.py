"""Tasks: the poses at which an arm is evaluated. Each kind is one file."""

from armsim.tasks.base import Command, Frame, PointProgress, PoseConstraints, PoseSet, Task
from armsim.tasks.cloud import Cloud
from armsim.tasks.iso_poses import IsoPoses
from armsim.tasks.named_poses import NamedPose, Poses
from armsim.tasks.path import Path, Waypoint
from armsim.tasks.slice import Slice, Volume

KINDS: tuple[type[Task], ...] = (Poses, Slice, Volume, Cloud, IsoPoses, Path)
"""All kinds of task; a new kind is a new file and an entry here."""


def kind_of(name: str) -> type[Task]:
    """Task class of a kind."""
    return next(task_class for task_class in KINDS if task_class.kind == name)


__all__ = [
    "KINDS",
    "Cloud",
    "Command",
    "Frame",
    "IsoPoses",
    "NamedPose",
    "Path",
    "PointProgress",
    "PoseConstraints",
    "PoseSet",
    "Poses",
    "Slice",
    "Task",
    "Volume",
    "Waypoint",
    "kind_of",
]
