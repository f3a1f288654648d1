"""Table of the frames and targets that were identified together with a measured arm."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from armsim.calibration.calibration_records import IdentifiedArmRecord, SessionFrameRecord
from armsim.formatting import Unit
from armsim.report.frame import Frame, lengths, quoted, unitless, words

MILLIMETRE, DEGREE, PER_MILLION = Unit("mm", 1e3), Unit("deg", 180.0 / math.pi), Unit("ppm", 1e6)
APART = "what these poses cannot distinguish from errors of the arm counts as errors of the arm"
DIGITS = 2
"""Significant digits of the smallest standard uncertainty of a row (GUM, JCGM 100:2008, 7.2.6: two at most)."""


class _Row(NamedTuple):
    """A quantity along x, y and z; ``kind``: its SI unit."""

    session: str
    quantity: str
    kind: str
    unit: Unit
    values: Sequence[float | None]
    sizes: Sequence[float | None]

    @property
    def cells(self) -> list[str]:
        """Values with their standard uncertainties; those without one are not separately identifiable."""
        pairs = list(zip(self.values, self.sizes, strict=True))
        ends = [None if value is None or size is None else (value - size, value + size) for value, size in pairs]
        least = math.floor(math.log10(min(size for size in self.sizes if size) * self.unit.factor))
        column = lengths("", self.values, ends, unit=self.unit, decimals=max(0, DIGITS - 1 - least), half_widths=True)
        estimated = [value is None or size is not None for value, size in pairs]
        return [
            cell.text if separable else f"{cell.text}, not distinguished"
            for cell, separable in zip(column.cells, estimated, strict=True)
        ]


def session_frame(arm: IdentifiedArmRecord) -> Frame:
    """Table of the identified instrument poses and target offsets, session by session.

    Parameters
    ----------
    arm : IdentifiedArmRecord

    Returns
    -------
    Frame
    """
    rows = [row for session in arm.sessions for row in _rows(session) if any(row.sizes)]
    named = any(row.session for row in rows)
    columns = [
        words("session", [row.session for row in rows], "everywhere" if named else "file"),
        words("quantity", [row.quantity for row in rows]),
        words("unit", [row.unit.name for row in rows], "display"),
        words("SI unit", [row.kind for row in rows], "file"),
    ]
    for n, axis in enumerate("xyz"):
        columns.append(quoted(axis, [row.values[n] for row in rows], [row.cells[n] for row in rows]))
        columns.append(unitless(f"standard uncertainty of {axis}", [row.sizes[n] for row in rows], "file"))
    return Frame(
        tuple(columns),
        f"{arm.name}: frame and target relative to the arm as identified, ± standard uncertainty; {APART}",
    )


def _rows(session: SessionFrameRecord) -> Iterator[_Row]:
    scale = [session.scale, None, None], [session.scale_uncertainty, None, None]
    for quantity, kind, unit, values, sizes in (
        ("instrument in the base frame", "m", MILLIMETRE, session.origin, session.origin_uncertainty),
        ("its rotations about x, y, z (rpy)", "rad", DEGREE, session.rpy, session.rpy_uncertainty),
        ("target on the tool", "m", MILLIMETRE, session.target, session.target_uncertainty),
        ("lengths of the instrument, too large by", "1", PER_MILLION, *scale),
    ):
        yield _Row(session.session, quantity, kind, unit, values, sizes)
