"""Encoders of a catalogue that are excluded at a joint, reason by reason."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from armsim.model.joint_options import Exclusion


@dataclass(frozen=True)
class Refusal:
    """Reason why an option for a joint is excluded.

    Parameters
    ----------
    stage : int
        Failed check: 0 the encoder as a part, 1 the limits of the joint, 2 the build of the joint, 3 the speed of the
        motion.
    reason, accepted : str
        What was found and what is accepted, as in a `Problem`.
    encoder, mounting, placement : str
        The option.
    """

    stage: int
    reason: str
    accepted: str = "one that fits"
    encoder: str = ""
    mounting: str = ""
    placement: str = ""


def find_exclusions(
    joint: str, refusals: Sequence[Refusal], mountings: Sequence[str], encoder_count: int
) -> list[Exclusion]:
    """Reasons that exclude encoders at a joint, by placement, the most frequent first.

    An encoder counts under each of its reasons. A reason that only some ways of mounting have names them.

    Parameters
    ----------
    joint : str
    refusals : sequence of Refusal
        Of all options; those by limits on placements and mountings are not of encoders and are left out.
    mountings : sequence of str
        Names of the ways of mounting.
    encoder_count : int
        Encoders of the catalogue.
    """
    refused_mountings: dict[tuple[str, str, str], list[str]] = defaultdict(list)
    for refusal in refusals:
        if (
            refusal.stage != 1
            and refusal.mounting not in refused_mountings[refusal.placement, refusal.reason, refusal.encoder]
        ):
            refused_mountings[refusal.placement, refusal.reason, refusal.encoder].append(refusal.mounting)
    encoders: dict[tuple[str, str], list[str]] = defaultdict(list)
    reasons: dict[tuple[str, str], int] = defaultdict(int)
    for (placement, reason, encoder), mountings_refused in refused_mountings.items():
        mounting_text = (
            "" if len(mountings_refused) == len(mountings) else f" (mounting {', '.join(mountings_refused)})"
        )
        encoders[placement, reason + mounting_text].append(encoder)
        reasons[placement, encoder] += 1
    out = []
    for (placement, reason), names in encoders.items():
        by_one_reason = sum(reasons[placement, name] == 1 for name in names)
        out.append(Exclusion(joint, placement, reason, tuple(names), by_one_reason, encoder_count))
    placements = list(dict.fromkeys(row.placement for row in out))
    return sorted(out, key=lambda row: (placements.index(row.placement), -len(row.encoders)))
