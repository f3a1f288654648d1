"""The requirement of a scenario: the limits that the tool point of every built arm must keep."""

from __future__ import annotations

from typing import Annotated

from pydantic import ConfigDict, Field
from pydantic.dataclasses import dataclass as checked

from armsim.field_spec import key

ISO_CYCLES = 30
"""Visits of every pose in the test of accuracy and repeatability. ISO 9283:1998, table of cycles, from memory."""


@checked(frozen=True, config=ConfigDict(populate_by_name=True))
class Requirement:
    """What the tool must hold. ``position`` and ``repeatability`` in m, ``orientation`` and
    ``orientation_repeatability`` in rad, ``coverage`` and ``yield`` as shares.

    ``test_cycles``: visits per pose of the acceptance test that is simulated beside; they decide nothing.
    """

    position: float = key(..., "length", "limit of the error of the tool point", least=0.0, above=True)
    coverage: float = key(0.95, "ratio", "share of errors that keep to it at every pose", least=0.01, most=0.9999)
    repeatability: float | None = key(
        None, "length", "limit of the repeatability RP of a built arm", least=0.0, above=True
    )
    yield_: Annotated[float | None, Field(alias="yield")] = key(
        None, "ratio", "share of built arms that must pass", least=0.0, above=True, most=1.0, alias="yield"
    )
    velocity_ripple: float | None = key(
        None, "ratio", "ripple and noise of the speed of every joint whose motion is stated, rms over the speed, that "
        "95 % of built arms keep to", least=0.0, above=True, most=1.0,
    )  # fmt: skip
    test_cycles: int = key(
        ISO_CYCLES, "count", "visits per pose of the acceptance test simulated beside", least=2, most=10_000,
        why="no test has more",
    )  # fmt: skip
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


UNSTATED_COVERAGE = 0.95
"""Share of errors of which quantiles speak where no requirement states one. Common practice, no source."""


def coverage_of(requirement: Requirement | None) -> float:
    """Share of errors of which the quantiles of a study speak."""
    return UNSTATED_COVERAGE if requirement is None else requirement.coverage


def unit_limits(requirement: Requirement) -> tuple[float | None, ...]:
    """Limits of what every built arm has: AP, RP [m], the same of the orientation [rad]; None where not stated."""
    return (
        requirement.position, requirement.repeatability, requirement.orientation, requirement.orientation_repeatability,
    )  # fmt: skip
