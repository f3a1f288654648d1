"""Terms of one joint after hypothetical changes, for what is evaluated joint by joint."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from armsim.causes import Cause
from armsim.errormodel.terms import Term
from armsim.model.machine import Change


def factor_of_changes(changes: Sequence[Change], joint: str, cause: Cause) -> float:
    """Factor of all changes on the errors of a cause at a joint.

    Parameters
    ----------
    changes : sequence of Change
    joint : str
    cause : Cause

    Returns
    -------
    float
    """
    return math.prod(change.joint_factor(joint, cause) for change in changes)


def changed_terms(terms: Sequence[Term], changes: Sequence[Change], joint: str) -> list[Term]:
    """Terms of a joint, whatever axis they act on, with the factors of all changes.

    Parameters
    ----------
    terms : sequence of Term
    changes : sequence of Change
    joint : str

    Returns
    -------
    list of Term
    """
    out = []
    for term in terms:
        scale = factor_of_changes(changes, joint, term.cause)
        acts = tuple(replace(act, shape=act.shape.scaled(scale)) for act in term.acts)
        out.append(term if scale == 1.0 else replace(term, acts=acts))
    return out
