"""Catalogue read from a table, written as YAML."""

from __future__ import annotations

from armsim.documents.write_overrides import yaml_line
from armsim.errors import one_line
from armsim.sources import Source

MOUNTING_HINT = """\
# Without mountings and placements every joint keeps those that it has in the scenario. To choose them too, with prices:
# placements: {motor: 0, output: 20}
# mountings: [{name: plain, price: 0, mounting: {eccentricity: 20 um}}]
"""


def catalogue_text(source: Source) -> str:
    """YAML text of a catalogue: one encoder per line, remarks on the table above."""
    data = source.data
    lines = [f"# read from {one_line(source.path.name)}", *(f"# {one_line(remark)}" for remark in source.remarks)]
    lines += ["kind: catalogue", f"name: {yaml_line(data['name'])}", MOUNTING_HINT.rstrip("\n"), "encoders:"]
    lines += [f"  - {yaml_line(entry)}" for entry in data["encoders"]]
    return "\n".join([*lines, ""])
