"""Plain curves through one model's prices, a cross-check on the joint model.

Each shape is linear in all but one or two rates. The linear part is solved exactly for every rate
of a wide grid and the best is polished, so no starting value is needed and none can mislead: on
NIST's BoxBOD data the usual search ends in a false minimum from the first official start.
Separable least squares: Golub and Pereyra (1973), SIAM J. Numer. Anal. 10:413-432.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

FEWEST_SALES = 8
_PER_DECADE = 12


@dataclass(frozen=True)
class Shape:
    """A curve y = basis(x, rates) @ linear.

    ``names`` gives the linear parameters first, then the rates; ``basis`` returns (n, linear)
    columns and ``slopes`` their derivatives by each rate, (rates, n, linear); ``grid`` returns the
    values to try for each rate. ``halving`` marks a first rate in log points per unit of x.
    """

    names: tuple[str, ...]
    basis: Callable[[Floats, Floats], Floats]
    slopes: Callable[[Floats, Floats], Floats]
    grid: Callable[[Floats], tuple[Floats, ...]]
    halving: bool = True


@dataclass(frozen=True, eq=False)
class SimpleCurve:
    """A fitted shape: parameters in the order of ``names``, covariance, and how well it fits.

    ``at_edge`` is true where a rate ended on the edge of what was tried: the data do not
    determine it.
    """

    shape: Shape
    estimate: Floats
    cov: Floats
    rss: float
    n: int
    at_edge: bool

    def __repr__(self) -> str:
        """Parameters with their standard errors."""
        pairs = zip(self.shape.names, self.estimate, self.std_error, strict=True)
        shown = ", ".join(f"{n} {e:.5g} ({s:.3g})" for n, e, s in pairs)
        return f"SimpleCurve({shown}; {self.n} points)"

    def __getitem__(self, name: str) -> float:
        """Estimate of a named parameter."""
        return float(self.estimate[self.shape.names.index(name)])

    @property
    def std_error(self) -> Floats:
        """Standard errors, infinite where the data do not determine a parameter."""
        out: Floats = np.sqrt(np.diag(self.cov))
        return out

    @property
    def s(self) -> float:
        """Residual standard deviation, in units of y."""
        return float(np.sqrt(self.rss / (self.n - len(self.estimate))))

    @property
    def half_life(self) -> float | None:
        """Units of x until half the way to the floor is gone, ln 2 / rate; None for a power."""
        if not self.shape.halving:
            return None
        return float(
            np.log(2.0) / self.estimate[self.shape.basis(np.ones(1), self._rates).shape[1]]
        )

    @property
    def _rates(self) -> Floats:
        return self.estimate[-len(self.shape.grid(np.array([1.0, 2.0]))) :]

    @property
    def caution(self) -> str:
        """What the reader must know before trusting the curve; empty if nothing."""
        if self.at_edge:
            return "the points show no bend: how fast the curve settles cannot be told"
        if "floor" in self.shape.names:
            at = self.shape.names.index("floor")
            if self.std_error[at] > abs(self.estimate[at]):
                return "the floor is ill-determined: its standard error is larger than itself"
            if self.estimate[at] < 0:
                return "the floor comes out below zero: the points do not reach it"
        return ""

    def predict(self, x: Floats) -> Floats:
        """Value of the curve at each x."""
        rates = self._rates
        out: Floats = self.shape.basis(_floats(x), rates) @ self.estimate[: -len(rates)]
        return out
