"""Couplings of drives to several joints, and followers: joints without a drive that follow others."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import Field

from armsim.documents import units
from armsim.documents.fields import Check, Document, QuantityWithKind, Word, invalid, quantity_with_kind
from armsim.errors import InputError
from armsim.model.kinematics import ArmJoint, Coupling, ElementaryTransform
from armsim.sources import KeyPath, Source

LARGEST_CONDITION_NUMBER = 1e6
"""Largest condition number of a coupling matrix: beyond it an error of a drive moves a joint a million times as far."""
LARGEST_FACTOR = 1e6
PER_ANGLE, PER_LENGTH = "length per angle", "angle per length"
MIMIC_KIND = "number in SI units"
"""Kind of a factor from URDF, for any joints."""
Fault = Callable[[str, str], InputError]
"""Factory of an error: what was found, what is accepted."""


def _read_factor(value: Any) -> QuantityWithKind:
    if isinstance(value, int | float) and not isinstance(value, bool):
        if not abs(value) <= LARGEST_FACTOR:
            raise invalid(f"{value} is out of range", f"a number of at most {LARGEST_FACTOR:g}")
        return QuantityWithKind(float(value), "number")
    if isinstance(value, str):
        for kind in (PER_ANGLE, PER_LENGTH):
            try:
                return QuantityWithKind(units.read_quantity(value, kind), kind)
            except ValueError:
                continue
    accepted = f"a number between joints of one kind; else {units.accepted_units(PER_ANGLE, PER_LENGTH)}"
    raise invalid(f"{str(value)[:60]!r} is no factor between the motions of two joints", accepted)


_QUANTITY = {"type": "string", "pattern": f"^(?:{units.pattern(PER_ANGLE, PER_LENGTH)})$"}
Factor = Annotated[Any, Check(_read_factor, {"anyOf": [{"type": "number"}, _QUANTITY]})]
UNIT_FACTOR = QuantityWithKind(1.0, "number")


class CouplingDocument(Document):
    """Motion that the drive of a joint sees, per motion of each joint; a joint that is not named is not seen.

    With ``placement: motor`` the coupling lies between motor and joint: a sensor on the joint sees the joint alone.
    """

    joint: Word
    coefficients: Annotated[dict[Word, Factor], Field(min_length=1)]
    placement: Literal["motor"] | None = None


class FollowerDocument(Document):
    """A joint without a drive that moves with one or several others: offset + factor * position of the other."""

    joint: Word
    follows: Word | Annotated[dict[Word, Factor], Field(min_length=1)]
    factor: Factor = UNIT_FACTOR
    offset: Annotated[Any, quantity_with_kind("angle", "length")] | None = None


@dataclass(frozen=True)
class FollowerRule:
    """Motion of one follower, as stated.

    Parameters
    ----------
    factors : mapping of joint or follower to Measured
        Motion per motion of each.
    offset : float [rad or m]
    fault : callable
        Factory of an error at the key where the factor is stated.
    """

    factors: Mapping[str, QuantityWithKind]
    offset: float
    fault: Fault


def stated_followers(
    documents: Sequence[FollowerDocument], joints: Sequence[ArmJoint], source: Source, key_path: KeyPath
) -> dict[str, FollowerRule]:
    """Rules of the followers of an arm document.

    Parameters
    ----------
    documents : sequence of FollowerDocument
    joints : sequence of ArmJoint
        All rows of the chain.
    source, key_path : Source, key path
        Place of the list, for error messages.

    Returns
    -------
    dict of follower to Rule

    Raises
    ------
    InputError
        An unknown joint, a second rule for one joint, or an offset of the wrong kind.
    """
    kinds = {joint.name: joint.revolute for joint in joints}
    rules: dict[str, FollowerRule] = {}
    for number, document in enumerate(documents):
        path = (*key_path, number)
        if document.joint not in kinds:
            raise source.error((*path, "joint"), f"the arm has no joint {document.joint!r}", ", ".join(kinds))
        if document.joint in rules:
            raise source.error((*path, "joint"), f"{document.joint!r} follows twice", "one entry for each follower")
        follows: dict[str, QuantityWithKind] = (
            {document.follows: document.factor} if isinstance(document.follows, str) else document.follows
        )
        if follows is document.follows and document.factor is not UNIT_FACTOR:
            raise source.error((*path, "factor"), "beside factors in follows", "one of the two")
        kind = "angle" if kinds[document.joint] else "length"
        if document.offset is not None and document.offset.kind != kind:
            raise source.error((*path, "offset"), f"is a {document.offset.kind}", units.accepted_units(kind))

        def fault(finding: str, accepted: str, path: KeyPath = path) -> InputError:
            return source.error((*path, "follows"), finding, accepted)

        rules[document.joint] = FollowerRule(
            follows, document.offset.value if document.offset is not None else 0.0, fault
        )
    return rules


def resolve_followers(
    joints: Sequence[ArmJoint], chain: Sequence[ElementaryTransform], rules: Mapping[str, FollowerRule]
) -> tuple[tuple[ArmJoint, ...], list[ElementaryTransform]]:
    """Joints with a drive, and the chain in which the others follow them.

    Parameters
    ----------
    joints : sequence of ArmJoint
        All, base first.
    chain : sequence of ElementaryTransform
        With a number for each of them.
    rules : mapping of follower to Rule

    Returns
    -------
    joints : tuple of ArmJoint
    chain : list of ElementaryTransform

    Raises
    ------
    InputError
        A follower of an unknown joint or of itself, followers in a cycle, or a factor of the wrong kind.
    """
    if not rules:
        return tuple(joints), list(chain)
    by_name = {joint.name: joint for joint in joints}
    driven = [joint for joint in joints if joint.name not in rules]
    numbers = {joint.name: number for number, joint in enumerate(driven)}

    def resolve_factors(name: str, path: tuple[str, ...]) -> tuple[dict[int, float], float]:
        if name in numbers:
            return {numbers[name]: 1.0}, 0.0
        rule, factors = rules[name], dict[int, float]()
        if name in path:
            circle = " follows ".join((*path[path.index(name) :], name))
            raise rule.fault(f"{circle}", "followers that lead to a joint with a drive")
        offset = rule.offset
        for other, factor in rule.factors.items():
            if other not in by_name:
                raise rule.fault(f"no joint {other!r}", ", ".join(by_name))
            _check_kind(factor, by_name[name], by_name[other], rule.fault)
            steps, shift = resolve_factors(other, (*path, name))
            offset += factor.value * shift
            for number, step in steps.items():
                factors[number] = factors.get(number, 0.0) + factor.value * step
        return factors, offset

    motions = []
    for motion in chain:
        if motion.joint is None:
            motions.append(motion)
            continue
        name = joints[motion.joint].name
        if name in numbers:
            motions.append(replace(motion, joint=numbers[name]))
            continue
        factors, offset = resolve_factors(name, ())
        steps = tuple(sorted((number, factor) for number, factor in factors.items() if factor))
        motions.append(replace(motion, joint=None, value=motion.value + offset, factors=steps))
    return tuple(driven), motions


def _check_kind(factor: QuantityWithKind, joint: ArmJoint, other: ArmJoint, fault: Fault) -> None:
    """Raise an error where a factor is not of the kind required for two joints."""
    kind = "number" if joint.revolute == other.revolute else PER_LENGTH if joint.revolute else PER_ANGLE
    if factor.kind in (kind, MIMIC_KIND):
        return
    finding = f"a {factor.kind} between {joint.name} and {other.name}"
    raise fault(finding, "a number, since both turn or both slide" if kind == "number" else units.accepted_units(kind))


def stated_couplings(
    documents: Sequence[CouplingDocument], joints: Sequence[ArmJoint], source: Source, key_path: KeyPath
) -> tuple[Coupling, ...]:
    """Couplings of an arm document.

    Parameters
    ----------
    documents : sequence of CouplingDocument
    joints : sequence of ArmJoint
        Those with a drive.
    source, key_path : Source, key path
        Place of the list, for error messages.

    Returns
    -------
    tuple of Coupling

    Raises
    ------
    InputError
        An unknown joint, a second coupling of one drive, a factor of the wrong kind, or drives that do not determine
        the joints.
    """
    names = [joint.name for joint in joints]
    matrix = np.eye(len(names))
    couplings: list[Coupling] = []
    for number, document in enumerate(documents):
        path = (*key_path, number)
        if document.joint not in names:
            raise source.error((*path, "joint"), f"no joint {document.joint!r} with a drive", ", ".join(names))
        index = names.index(document.joint)
        if any(coupling.joint == index for coupling in couplings):
            raise source.error((*path, "joint"), f"two couplings of {document.joint!r}", "one entry for each drive")
        row = np.zeros(len(names))
        for other, factor in document.coefficients.items():
            factor_path = (*path, "coefficients", other)
            if other not in names:
                raise source.error(factor_path, f"no joint {other!r} with a drive", ", ".join(names))

            def fault(finding: str, accepted: str, factor_path: KeyPath = factor_path) -> InputError:
                return source.error(factor_path, finding, accepted)

            _check_kind(factor, joints[index], joints[names.index(other)], fault)
            row[names.index(other)] = factor.value
        matrix[index] = row
        couplings.append(Coupling(index, tuple(row.tolist()), document.placement == "motor"))
    check_solvable(matrix, source, key_path)
    return tuple(couplings)


def check_solvable(matrix: np.ndarray, source: Source, key_path: KeyPath) -> None:
    """Check that what the drives see determines the motions of the joints.

    Parameters
    ----------
    matrix : (joints, joints)
        Motions that the drives see per motions of the joints.
    source, key_path : Source, key path
        Place of what states it.

    Raises
    ------
    InputError
        The matrix is singular, or nearly so.
    """
    rows = np.linalg.norm(matrix, axis=1, keepdims=True)
    if rows.all() and np.linalg.cond(matrix / rows) < LARGEST_CONDITION_NUMBER:
        return
    finding = "what the drives see does not determine the positions of the joints"
    raise source.error(key_path, finding, "couplings of which none repeats others")
