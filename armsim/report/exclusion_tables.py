"""Tables of the encoders of a catalogue that a joint cannot take, with the reasons."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from armsim.model.joint_options import Exclusion
from armsim.report.document import Section, Text
from armsim.report.frame import Exact, Frame, unitless, words

TITLE = "encoders that do not fit, and why; one may have several reasons"


def exclusions_frame(exclusions: Sequence[Exclusion]) -> Frame:
    """Table of the reasons, joints with the same reasons in one row."""
    return replace(_frame(exclusions).without("encoders").merged(), title=TITLE)


def exclusions_tables(exclusions: Sequence[Exclusion]) -> dict[str, Exact]:
    """Table of every joint for a file, with the names of the encoders; none if nothing is excluded."""
    return {"excluded": _frame(exclusions).exact} if exclusions else {}


def exclusions_sections(exclusions: Sequence[Exclusion]) -> tuple[Section, ...]:
    """Section of a document; none if nothing is excluded."""
    if not exclusions:
        return ()
    text = "The last column counts the encoders that only this reason excludes."
    return (
        Section("Encoders that do not fit", "excluded", (exclusions_frame(exclusions).table(), Text(text, "soft"))),
    )


def _frame(exclusions: Sequence[Exclusion]) -> Frame:
    return Frame(
        (
            words("joint", [row.joint for row in exclusions]),
            words("placement", [row.placement for row in exclusions]),
            words("excluded", [f"{len(row.encoders)} of {row.of}" for row in exclusions]),
            words("reason", [row.reason for row in exclusions]),
            unitless("by this reason alone", [row.alone for row in exclusions]),
            words("encoders", [", ".join(row.encoders) for row in exclusions], "file"),
        )
    )
