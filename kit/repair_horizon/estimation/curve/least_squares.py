"""Penalised weighted least squares: the one linear problem behind every fit.

V = (X'WX + P)^-1, mean = V (X'Wy + P m0): with P of known variance components this is Henderson's
mixed-model solution. Rows of the design come in a dense and a sparse block.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import linalg, sparse

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Rows:
    """Rows of the design, kept in two blocks: dense (n, n_dense) and sparse (n, rest)."""

    dense: Floats
    sparse: sparse.csr_array

    def full(self) -> Floats:
        """Rows as one dense matrix."""
        return np.hstack([self.dense, self.sparse.toarray()])


@dataclass(frozen=True, eq=False)
class Posterior:
    """Posterior mean (p,) and covariance (p, p) of the coefficients, and the prior behind it."""

    mean: Floats
    cov: Floats
    prior_precision: Floats
    prior_pull: Floats


def posterior_of(gram: Floats, right: Floats, prior: tuple[Floats, Floats]) -> Posterior:
    """Posterior from normal equations X'WX (p, p) and X'Wy (p,), and prior precision and pull."""
    precision, pull = prior
    # Straight to the library, since small problems are mostly overhead; the transpose of a
    # symmetric matrix lies in memory as the library wants it.
    factor, fault = linalg.lapack.dpotrf((gram + precision).T, lower=1, overwrite_a=1)
    if fault:
        raise linalg.LinAlgError("the normal equations are not positive definite")
    # The inverse straight from the factor costs a third of solving for every unit vector.
    half, _ = linalg.lapack.dpotri(factor, lower=1, overwrite_c=1)
    cov = half + half.T
    cov[np.diag_indices_from(cov)] /= 2.0
    return Posterior(cov @ (right + pull), cov, precision, pull)
