"""What a measurement says: a value with its uncertainty, or why there is none.

Uncertainty is always the half-width of a 95 % interval ("expanded uncertainty, k = 2"
in the words of JCGM 100:2008, 6.2), in the unit of the value.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

__all__ = ["COVERAGE", "Estimate", "Reals", "cannot_tell", "estimate"]

Reals: TypeAlias = NDArray[np.float64]

COVERAGE = 1.96
"""Standard deviations in the half-width of a 95 % interval of a normal distribution."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A measured value, or the reason why it cannot be told.

    Parameters
    ----------
    unit : str
        Unit of value and uncertainty.
    value : float, optional
    uncertainty : float, optional
        Half-width of the 95 % interval.
    reason : str
        Why there is no value; empty when there is one.

    Raises
    ------
    ValueError
        It has neither value nor reason, or both, or a value without uncertainty.
    """

    unit: str
    value: float | None = None
    uncertainty: float | None = None
    reason: str = ""

    def __post_init__(self) -> None:
        """Check that exactly one of value and reason is there."""
        if (self.value is None) != bool(self.reason):
            raise ValueError(
                f"an estimate has a value or a reason, not {self.value!r} and a reason"
            )
        if (self.value is None) != (self.uncertainty is None):
            raise ValueError(f"value {self.value!r} with uncertainty {self.uncertainty!r}")
        if self.uncertainty is not None and not self.uncertainty >= 0.0:
            raise ValueError(f"uncertainty {self.uncertainty!r} is not a width")

    @property
    def interval(self) -> tuple[float, float] | None:
        """The 95 % interval, or None when the value cannot be told."""
        if self.value is None or self.uncertainty is None:
            return None
        return self.value - self.uncertainty, self.value + self.uncertainty

    def excludes(self, stated: float, tolerance: float = 0.0) -> bool:
        """Say whether a stated value lies outside the interval, widened by a tolerance."""
        if self.value is None or self.uncertainty is None:
            return False
        return abs(self.value - stated) > self.uncertainty + tolerance


def estimate(value: float, uncertainty: float, unit: str) -> Estimate:
    """Make an estimate with a value; uncertainty is the half-width of a 95 % interval."""
    return Estimate(value=float(value), uncertainty=float(uncertainty), unit=unit)


def cannot_tell(reason: str, unit: str) -> Estimate:
    """Make an estimate without a value."""
    return Estimate(unit=unit, reason=reason)
