"""Writing of an identified arm as a document: corrected rows, zeros in the offsets, waves and compliances apart."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from armsim.arrays import Array
from armsim.documents.units import read_quantity
from armsim.documents.write_overrides import yaml_line
from armsim.errormodel.shapes import Constant, Proportional, Wave
from armsim.errormodel.terms import Axis
from armsim.formatting import Kind, show
from armsim.model.arm import Arm
from armsim.model.correction import Parameter
from armsim.model.identification import Identification

LENGTH_UNIT, ANGLE_UNIT = ("mm", 1e3), ("deg", 180.0 / math.pi)
DECIMALS = 12
"""Decimals of millimetres and degrees: less than a femtometre, and a tenth of a picoradian, are lost."""
WAVE_NAMES = {"cos": "cosine", "sin": "sine"}
ROW_KEYS = {True: ("d", "a", "alpha", "offset"), False: ("theta", "a", "alpha", "offset")}
"""Keys of a row that hold constants, of a revolute joint or not."""


@dataclass(frozen=True, eq=False)
class ArmFile:
    """Identified arm to be written.

    Parameters
    ----------
    name : str
    data : mapping
        The document of the arm before the session.
    arm : Arm
    identification : Identification
    header : sequence of str
        Comment lines at the top.
    urdf : str
        Name of the corrected URDF file beside it; empty for Denavit-Hartenberg rows.
    """

    name: str
    data: Mapping[str, Any]
    arm: Arm
    identification: Identification
    header: Sequence[str] = ()
    urdf: str = ""

    @property
    def displacements(self) -> dict[Axis, float]:
        """Changes of the constants of the chain, by axis. [rad or m]"""
        out: dict[Axis, float] = {}
        for parameter, value in zip(self.identification.parameters, self.identification.values.tolist(), strict=True):
            if isinstance(parameter.shape, Constant):
                out[parameter.axis] = out.get(parameter.axis, 0.0) + value
        return out

    def text(self) -> str:
        """Text of the document."""
        return "\n".join([*(f"# {line}" if line else "#" for line in self.header), *self._lines(), ""])

    def _lines(self) -> Iterator[str]:
        yield "kind: arm"
        yield f"name: {yaml_line(self.name)}"
        kinematics = self.data["kinematics"]
        yield "kinematics:"
        yield f"  convention: {kinematics['convention']}"
        if self.urdf:
            yield f"  file: {yaml_line(self.urdf)}"
            for key in ("base_link", "tip_link"):
                yield f"  {key}: {yaml_line(kinematics[key])}"
        else:
            yield "  joints:"
            for row in kinematics["joints"]:
                yield from self._row(row)
        for key in ("base", "tool"):
            if key in kinematics:
                yield f"  {key}: {yaml_line(kinematics[key])}"
        for key in ("groups", "tolerances", "masses", "expansion"):
            if self.data.get(key) is not None:
                yield f"{key}: {yaml_line(self.data[key])}"
        yield from self._identified()

    def _row(self, row: Mapping[str, Any]) -> Iterator[str]:
        revolute = row["type"] == "revolute"
        yield f"    - name: {yaml_line(row['name'])}"
        yield f"      type: {row['type']}"
        for key in ROW_KEYS[revolute]:
            length = key in ("d", "a") or (key == "offset" and not revolute)
            parts = self._constant_changes(
                row["name"], {"offset": "theta" if revolute else "d"}.get(key, key), key == "offset"
            )
            written = row.get(key, "0 mm" if length else "0 deg")
            if not parts:
                if key in row:
                    yield f"      {key}: {written}"
                continue
            change = sum(value for value, _ in parts)
            unit, factor = LENGTH_UNIT if length else ANGLE_UNIT
            value = read_quantity(str(written), "length" if length else "angle") + change
            sizes = " and ".join(_with_uncertainty(value, std, "m" if length else "rad") for value, std in parts)
            yield f"      {key}: {_decimal(value * factor)} {unit}  # {written} {sizes}"
        for key in ("range", "tolerances"):
            if row.get(key) is not None:
                yield f"      {key}: {yaml_line(row[key])}"

    def _constant_changes(self, joint: str, constant: str, with_zero: bool) -> list[tuple[float, float]]:
        """Changes of a constant of a row, with their standard uncertainties."""
        stds = np.sqrt(np.diag(self.identification.covariance)).tolist()
        rows = zip(self.identification.parameters, self.identification.values.tolist(), stds, strict=True)
        names = {(joint, constant), *({(joint, "")} if with_zero else set())}
        return [
            (value, std)
            for parameter, value, std in rows
            if isinstance(parameter.shape, Constant) and (parameter.axis.owner, parameter.axis.parameter) in names
        ]

    def _identified(self) -> Iterator[str]:
        parameters, covariance = self.identification.parameters, self.identification.covariance
        std = np.sqrt(np.diag(covariance))
        yield "identified:  # zeros and constants of links: identified corrections, already contained in the rows above"
        yield "  parameters:"
        for parameter, value, deviation in zip(
            parameters, self.identification.values.tolist(), std.tolist(), strict=True
        ):
            yield f"    - {self._parameter(parameter, value, deviation)}"
        if len(parameters) > 1:
            yield "  correlations:  # below the diagonal, a row for every parameter after the first"
            scale = np.where(std > 0.0, std, 1.0)
            correlation: Array = covariance / np.outer(scale, scale)
            for n in range(1, len(parameters)):
                row = np.clip(correlation[n, :n], -1.0, 1.0).tolist()
                yield f"    - [{', '.join(_decimal(value, 9) for value in row)}]"

    def _parameter(self, parameter: Parameter, value: float, std: float) -> str:
        rotary = self.arm.motions[self.arm.motion_index(parameter.axis)].rotary
        unit, factor = "urad" if rotary else "um", 1e6
        parts = [f"joint: {yaml_line(parameter.axis.owner)}"]
        if isinstance(parameter.shape, Proportional):
            parts.append("parameter: compliance")
            unit += "/N/m" if rotary else "/N"
        elif isinstance(parameter.shape, Wave):
            parts.append(f"parameter: {WAVE_NAMES[parameter.shape.function]}")
            order = parameter.shape.order
            parts.append(f"order: {order!r}" if rotary else f"period: {_decimal(2e3 * math.pi / order)} mm")
        else:
            parts.append(f"parameter: {parameter.axis.parameter or 'zero'}")
        parts += [f"value: {_decimal(value * factor, 6)} {unit}", f"std: {_decimal(std * factor, 6)} {unit}"]
        return "{" + ", ".join(parts) + "}"


def _with_uncertainty(value: float, std: float, kind: Kind) -> str:
    """Text of a change with its standard uncertainty."""
    sign = "-" if value < 0.0 else "+"
    return f"{sign} {show(abs(value), kind)} \N{PLUS-MINUS SIGN} {show(std, kind)}"


def _decimal(value: float, decimals: int = DECIMALS) -> str:
    """Text of a number without trailing zeros."""
    text = f"{value:.{decimals}f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text
