"""Requirement of a scenario: limits on the tool-point errors of every built arm."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Annotated, Any

from pydantic import ConfigDict, Field
from pydantic.dataclasses import dataclass as validated_dataclass

from armsim.field_spec import key

ISO_CYCLES = 30
"""Visits of every pose in the test of accuracy and repeatability. ISO 9283:1998, table of cycles."""


@validated_dataclass(frozen=True, config=ConfigDict(populate_by_name=True))
class TaskLimits:
    """Limits of a task, in place of the scenario's; None where not stated. [m, rad, shares]"""

    position: float | None = key(None, "length", "limit of the error of the tool point", least=0.0, above=True)
    repeatability: float | None = key(
        None, "length", "limit of the repeatability RP of a built arm", least=0.0, above=True
    )
    yield_: Annotated[float | None, Field(alias="yield")] = key(
        None, "ratio", "share of built arms that must pass", least=0.0, above=True, most=1.0, alias="yield"
    )
    orientation: float | None = key(
        None,
        "angle",
        "limit of the angle between attained and commanded orientation of the tool",
        least=0.0,
        above=True,
    )
    orientation_repeatability: float | None = key(
        None, "angle", "limit of the repeatability of the orientation of a built arm, three standard deviations about "
        "the axis about which it scatters most", least=0.0, above=True,
    )  # fmt: skip
    path_accuracy: float | None = key(
        None, "length", "limit of the path accuracy AT of a built arm along every path", least=0.0, above=True
    )
    path_repeatability: float | None = key(
        None, "length", "limit of the path repeatability RT of a built arm along every path", least=0.0, above=True
    )


def _limit(name: str) -> Any:
    """Field of the requirement that is declared in `TaskLimits`."""
    (declared,) = (field for field in dataclasses.fields(TaskLimits) if field.name == name)
    return dataclasses.field(default=None, metadata=declared.metadata)


@validated_dataclass(frozen=True, config=ConfigDict(populate_by_name=True))
class Requirement:
    """Limits that the tool must keep.

    ``position``, ``repeatability``, ``path_accuracy`` and ``path_repeatability`` in m, ``orientation`` and
    ``orientation_repeatability`` in rad, ``coverage`` and ``yield`` as shares.

    ``test_cycles``: visits per pose of the acceptance test that is simulated in addition; no verdict depends on it.
    ``tasks``: limits of single tasks, by their names, each in place of the scenario's.
    """

    position: float = key(..., "length", "limit of the error of the tool point", least=0.0, above=True)
    coverage: float = key(
        0.95, "ratio", "share of errors that must lie within the position limit at every pose", least=0.01, most=0.9999
    )
    repeatability: float | None = _limit("repeatability")
    yield_: Annotated[float | None, Field(alias="yield")] = _limit("yield_")
    velocity_ripple: float | None = key(
        None, "ratio", "ripple and noise of the speed of every joint whose motion is stated, rms over the speed, that "
        "95 % of built arms keep to", least=0.0, above=True, most=1.0,
    )  # fmt: skip
    test_cycles: int = key(
        ISO_CYCLES, "count", "visits per pose of the acceptance test that is simulated", least=2, most=10_000,
        why="no test has more",
    )  # fmt: skip
    orientation: float | None = _limit("orientation")
    orientation_repeatability: float | None = _limit("orientation_repeatability")
    path_accuracy: float | None = _limit("path_accuracy")
    path_repeatability: float | None = _limit("path_repeatability")
    tasks: Mapping[str, TaskLimits] = dataclasses.field(default_factory=dict)

    def at_task(self, task: str) -> Requirement:
        """Requirement at a task: its own limits, else those of the scenario."""
        limits = self.tasks.get(task)
        names = () if limits is None else (field.name for field in dataclasses.fields(limits))
        limit_values = {name: value for name in names if (value := getattr(limits, name)) is not None}
        return dataclasses.replace(self, tasks={}, **limit_values)


UNSTATED_COVERAGE = 0.95
"""Default coverage of quantiles without a requirement. Common practice, no source."""


def coverage_of(requirement: Requirement | None) -> float:
    """Coverage of the quantiles of a study, as a share of the errors."""
    return UNSTATED_COVERAGE if requirement is None else requirement.coverage


def required_at(requirement: Requirement | None, task: str) -> Requirement | None:
    """Requirement at a task, as `Requirement.at_task`; None where the scenario has none."""
    return None if requirement is None else requirement.at_task(task)
