"""Where to look: each kind of task is one file."""

from armsim.tasks.base import Advance, Command, Frame, Holding, PoseSet, Task
from armsim.tasks.cloud import Cloud
from armsim.tasks.iso_poses import IsoPoses
from armsim.tasks.named_poses import NamedPose, Poses
from armsim.tasks.path import Path, Waypoint
from armsim.tasks.slice import Slice, Volume

KINDS: tuple[type[Task], ...] = (Poses, Slice, Volume, Cloud, IsoPoses, Path)
"""All kinds of task: a new one is a file and an entry here."""


def kind_of(name: str) -> type[Task]:
    """The kind of a name."""
    return next(own for own in KINDS if own.kind == name)


__all__ = [
    "KINDS",
    "Advance",
    "Cloud",
    "Command",
    "Frame",
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
    "kind_of",
]
