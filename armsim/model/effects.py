"""All effects known to the model, from the declarations of its fields, and those that a machine states."""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

from armsim.causes import STATED_MISALIGNMENT, Cause, names_in
from armsim.field_spec import Key, stated_causes, walk
from armsim.model.chain import OriginTolerances, RowTolerances
from armsim.model.encoder import Encoder
from armsim.model.gravity import Payload
from armsim.model.joint import Bus, Joint
from armsim.model.machine import Environment, Machine
from armsim.physics import scale
from armsim.results.joints import TermBudget


class Effect(NamedTuple):
    """A cause of error: the document and dotted key that state it, and its declaration."""

    document: str
    path: str
    key: Key

    def __str__(self) -> str:
        return f"{self.document} {self.path}"

    @property
    def cause(self) -> Cause:
        """Cause of the error."""
        assert self.key.cause is not None  # by which `effects` finds it
        return self.key.cause


DECLARING_CLASSES: tuple[tuple[str, type, str], ...] = (
    ("encoder", Encoder, ""),
    ("joint", Joint, ""),
    ("scenario", Bus, "bus."),
    ("scenario", Environment, "environment."),
    ("arm", RowTolerances, "tolerances."),
    ("arm", OriginTolerances, "tolerances."),
    ("arm", Payload, "masses.payload."),
)
"""Documents and the classes that declare their keys, with the prefix of those keys."""
STATING_DOCUMENTS = {
    "environment.expansion": ("arm", "expansion"),
    **{path: ("arm", path) for path in ("masses.payload.mass_tolerance", "masses.payload.centre_tolerance")},
}
"""Keys that are stated in another document than that of the class that declares them."""


@lru_cache(maxsize=1)
def effects() -> tuple[Effect, ...]:
    """All effects, in the order of the documents."""
    return tuple(
        Effect(*STATING_DOCUMENTS.get(prefix + path, (document, prefix + path)), field.key)
        for document, owner, prefix in DECLARING_CLASSES
        for path, field in walk(owner)
        if field.key.cause is not None
    )


def causes_in(term: TermBudget) -> tuple[str, ...]:
    """Names of the causes that a term of a result represents; of a stated misalignment also the cause of its offset."""
    names = names_in(term.cause)
    if term.cause != STATED_MISALIGNMENT.name:
        return names
    offset = term.name.rpartition("/")[2].removeprefix(scale.STATED_PREFIX)
    return (*names, *(effect.cause.name for effect in effects() if effect.path == f"mounting.{offset}"))


def stated_effects(machine: Machine) -> dict[str, tuple[str, ...]]:
    """Effects that a machine states as more than zero, and the joints that state them; none for machine-level ones."""
    out: dict[str, list[str]] = {}
    for joint in machine.joints:
        for document, component in (("joint", joint), ("encoder", joint.encoder)):
            for path, _ in stated_causes(component):
                out.setdefault(f"{document} {path}", []).append(joint.name)
    for axis, _ in machine.tolerances:
        out.setdefault(f"arm tolerances.{axis.parameter}", []).append(axis.owner)
    payload = None if machine.masses is None else machine.masses.payload
    machine_parts: tuple[tuple[str, object], ...] = (
        ("bus.", machine.joints[0].bus),
        ("environment.", machine.environment),
        *((("masses.payload.", payload),) if payload is not None else ()),
    )
    for prefix, owner in machine_parts:
        for path, _ in stated_causes(owner):
            document, key = STATING_DOCUMENTS.get(prefix + path, ("scenario", prefix + path))
            out.setdefault(f"{document} {key}", [])
    return {str(effect): tuple(out[str(effect)]) for effect in effects() if str(effect) in out}
