"""How the joints move, and whether their sensors keep to their limits, on the terminal."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from armsim.cli.printing import print_table

if TYPE_CHECKING:
    from armsim.results import JointMotion, OperationLimit


def print_motion(motion: Mapping[str, JointMotion]) -> None:
    """Print the table of the joints whose speeds are stated."""
    if not motion:
        return
    from armsim.report.ripple_tables import HEADERS, motion_rows

    print_table("how smoothly the joints move", HEADERS, motion_rows(motion), right=tuple(range(1, 9)))


def print_operation(limits: Sequence[OperationLimit]) -> None:
    """Print the limits of operation, where any are stated."""
    if not limits:
        return
    from armsim.report.operation_tables import HEADERS, operation_rows

    print_table("limits of operation", HEADERS, operation_rows(limits), right=(2, 3, 4, 5))
