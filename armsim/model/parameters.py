"""Numbers that a machine states, each of which can be changed alone: data sheets, drawings, gears."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

from armsim.errormodel.distributions import Distribution, Magnitude
from armsim.errormodel.terms import Axis
from armsim.field_spec import Key, declared_fields, is_nested
from armsim.model.chain import tolerance_key
from armsim.model.machine import Machine

NON_NUMERIC = ("word", "flag", "choice", "part", "list", "constraints")
"""Kinds of fields that hold no number."""
CONTINUOUS_COUNTS = ("signal_periods",)
"""Counts that may vary like continuous numbers; others (heads, samples) may not."""
Steps = tuple[str | int, ...]


@dataclass(frozen=True, eq=False)
class StatedNumber:
    """A number of a machine.

    Parameters
    ----------
    path : str
        Path by which it is changed: ``joints.j2.mounting.eccentricity``.
    joint : str
        Joint name; empty for a machine-level value.
    key : Key
        Declaration of the key.
    rotary : bool
        Whether its joint turns.
    value : float
        The limit, standard deviation or plain value that is stated, in the SI unit.
    steps : tuple
        Fields and indices that lead to it in the machine.
    axis : Axis, optional
        Link parameter whose tolerance it is.
    """

    path: str
    joint: str
    key: Key
    rotary: bool
    value: float
    steps: Steps
    axis: Axis | None = None

    def multiply(self, machine: Machine, factor: float) -> Machine:
        """Machine with the number multiplied by a factor.

        Parameters
        ----------
        machine : Machine
        factor : float

        Returns
        -------
        Machine
        """
        changed_machine: Machine = _scale_value(machine, self.steps, factor)
        if self.steps[0] == "joints" and self.steps[2] == "bus":  # all joints share one
            bus = changed_machine.joints[0].bus
            return replace(changed_machine, joints=tuple(replace(joint, bus=bus) for joint in changed_machine.joints))
        return changed_machine


def stated_numbers(machine: Machine) -> tuple[StatedNumber, ...]:
    """All numbers stated as other than zero, without prices."""
    out: list[StatedNumber] = []
    for n, joint in enumerate(machine.joints):
        joint_prefix = f"joints.{joint.name}."
        for part_prefix, owner, steps in (("", joint, ()), ("encoder.", joint.encoder, ("encoder",))):
            for path, key, value, part_steps in _stated_numbers(owner):
                out.append(
                    StatedNumber(
                        joint_prefix + part_prefix + path,
                        joint.name,
                        key,
                        joint.encoder.rotary if steps or part_steps[0] == "mounting" else joint.rotary,
                        value,
                        ("joints", n, *steps, *part_steps),
                    )
                )
    for path, key, value, part_steps in _stated_numbers(machine.joints[0].bus):
        out.append(StatedNumber(f"bus.{path}", "", key, True, value, ("joints", 0, "bus", *part_steps)))
    for path, key, value, part_steps in _stated_numbers(machine.environment):
        name = "arm.expansion" if path == "expansion" else f"environment.{path}"
        out.append(StatedNumber(name, "", key, True, value, ("environment", *part_steps)))
    payload = None if machine.masses is None else machine.masses.payload
    for path, key, value, part_steps in () if payload is None else _stated_numbers(payload):
        if key.cause is not None:  # a tolerance, not the nominal value
            out.append(
                StatedNumber(f"arm.masses.payload.{path}", "", key, True, value, ("masses", "payload", *part_steps))
            )
    for n, (axis, tolerance) in enumerate(machine.tolerances):
        key = tolerance_key(axis.parameter)
        for name, size, size_steps in _sizes(f"link {axis}", tolerance, ("tolerances", n, 1)):
            out.append(StatedNumber(name, axis.owner, key, True, size, size_steps, axis))
    return tuple(out)


def _stated_numbers(owner: Any, prefix: str = "", steps: Steps = ()) -> Iterator[tuple[str, Key, float, Steps]]:
    for field in declared_fields(type(owner)):
        value, field_steps, path = getattr(owner, field.name), (*steps, field.name), prefix + field.yaml
        if value is None or (field.key.kind == "number" and "cost" in field.key.accepted):
            continue
        if field.many and is_nested(field):
            for n, item in enumerate(value):
                yield from _stated_numbers(item, f"{path}.{n}.", (*field_steps, n))
        elif is_nested(field):
            yield from _stated_numbers(value, f"{path}.", field_steps)
        elif isinstance(value, tuple):
            continue  # a position, not a size
        elif field.key.kind not in NON_NUMERIC and (field.key.kind != "count" or field.name in CONTINUOUS_COUNTS):
            for name, size, size_steps in _sizes(path, value, field_steps):
                yield name, field.key, size, size_steps


def _sizes(path: str, value: Any, steps: Steps) -> Iterator[tuple[str, float, Steps]]:
    """Numbers of a quantity that are not zero: one, or mean and limit of a distribution about another value."""
    spread, inner = (value.spread, (*steps, "spread")) if isinstance(value, Magnitude) else (value, steps)
    if isinstance(spread, Distribution) and spread.centre:
        yield f"{path}.mean", spread.centre, (*inner, "centre")
        if spread.scale:
            yield f"{path}.{'std' if spread.distribution == 'normal' else 'limit'}", spread.scale, (*inner, "scale")
        return
    size = float(spread.scale if isinstance(spread, Distribution) else spread)
    if size and abs(size) < float("inf"):
        yield path, size, steps


def _scale_value(owner: Any, steps: Steps, factor: float) -> Any:
    """Copy of an object with a number, somewhere inside, multiplied by a factor."""
    if not steps:
        if isinstance(owner, Magnitude):
            return replace(owner, spread=owner.spread.scaled(factor))
        return owner.scaled(factor) if isinstance(owner, Distribution) else owner * factor
    first, *remaining = steps
    if isinstance(first, int):
        return tuple(
            _scale_value(item, tuple(remaining), factor) if n == first else item for n, item in enumerate(owner)
        )
    return replace(owner, **{first: _scale_value(getattr(owner, first), tuple(remaining), factor)})
