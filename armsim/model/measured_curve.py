"""A measured error curve, or the distribution of a batch of them, which replaces the causes that it measures."""

from __future__ import annotations

from dataclasses import dataclass

from armsim.causes import Cause
from armsim.errormodel.shapes import Wave
from armsim.errormodel.terms import Term
from armsim.physics.harmonics import measured_curve


@dataclass(frozen=True)
class MeasuredCurve:
    """Waves at the shaft of a sensor: reading minus truth.

    Parameters
    ----------
    orders : tuple of float
        [rad/rad or rad/m]
    mean, covariance : tuples
        Mean and covariance of cosine and sine per order: of one sensor with the uncertainty of its fit, or of a batch.
    replaces : tuple of Cause
        Causes that it measures.
    """

    orders: tuple[float, ...]
    mean: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    replaces: tuple[Cause, ...]

    def replace_causes(self, terms: tuple[Term, ...]) -> tuple[Term, ...]:
        """Terms of a shaft in which the curve replaces the causes that it measures."""
        remaining_terms = tuple(term for term in terms if term.cause not in self.replaces)
        return remaining_terms + measured_curve(self.orders, self.mean, self.covariance)

    def double_counted_causes(self, terms: tuple[Term, ...]) -> list[tuple[Cause, float]]:
        """Causes that the curve does not replace though they have one of its orders, with that order."""
        out = []
        for term in terms:
            if term.life != "unit" or term.cause in self.replaces:
                continue
            orders = [abs(act.shape.order) for act in term.acts if isinstance(act.shape, Wave)]
            shared_orders = [
                order for order in orders if any(abs(order - other) < 1e-6 * order for other in self.orders)
            ]
            out += [(term.cause, shared_orders[0])] if shared_orders else []
        return out
