"""How the joints move, on the terminal."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from armsim.cli.printing import print_table

if TYPE_CHECKING:
    from armsim.results import JointMotion


def print_motion(motion: Mapping[str, JointMotion]) -> None:
    """Print the table of the joints whose speeds are stated."""
    if not motion:
        return
    from armsim.report.motion import HEADERS, motion_rows

    print_table("how smoothly the joints move", HEADERS, motion_rows(motion), right=tuple(range(1, 9)))
