"""Table of the tolerances and thermal growth of the links."""

from __future__ import annotations

import math
from collections.abc import Iterator

from armsim.causes import QUALITY_BY_LIFE
from armsim.formatting import significant
from armsim.inspection.links import link_terms
from armsim.model.machine import Machine
from armsim.report.frame import Frame, joint_errors, lengths, words

TITLE = "links: tolerances and thermal growth"


def link_printout(machine: Machine) -> Iterator[Frame | str]:
    """Every term of the links, tolerances and growth, and the distributions of the temperature rises."""
    frame = link_frame(machine)
    if len(frame):
        yield frame
    rises = [("temperature rise, shared by all links, scales and drifts", machine.environment.temperature_rise)]
    rises += [(f"temperature rise of {joint.name} above that", joint.temperature_rise) for joint in machine.joints]
    for part_name, rise in rises:
        if rise is not None:
            std = math.sqrt(max(0.0, rise.second_moment - rise.mean**2))
            yield (
                f"{part_name}: {rise.distribution}, mean {significant(rise.mean, 3)} K, standard deviation "
                f"{significant(std, 3)} K"
            )


def link_frame(machine: Machine) -> Frame:
    """Table of the link terms; their effect at the tool is by the largest lever arm over the ranges of the joints."""
    rows = link_terms(machine)
    terms, units = [row.term for row in rows], [row.unit for row in rows]
    columns = (
        words("parameter", [row.parameter for row in rows]),
        words("cause", [term.cause for term in terms]),
        words("part of", [QUALITY_BY_LIFE[term.life] for term in terms]),
        joint_errors("standard uncertainty", [term.rms for term in terms], units),
        joint_errors("mean", [row.mean for row in rows], units),
        lengths("at the tool", [row.at_tool for row in rows]),
        joint_errors("worst case", [term.limit for term in terms], units),
    )
    return Frame(columns if rows else (), TITLE)
