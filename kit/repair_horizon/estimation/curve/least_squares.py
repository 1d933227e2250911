"""Penalised weighted least squares: the one linear problem behind every fit.

Rows come in a dense and a sparse block; small problems are solved on one dense matrix, because
the overhead of a sparse product is larger than the product.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy import linalg, sparse

Floats = npt.NDArray[np.float64]

# Below this many numbers a dense product beats the overhead of a sparse one.
SMALL = 60_000


@dataclass(frozen=True, eq=False)
class Rows:
    """Rows of the design, kept in two blocks: dense (n, n_dense) and sparse (n, rest)."""

    dense: Floats
    sparse: sparse.csr_array

    @cached_property
    def whole(self) -> Floats | None:
        """The rows as one dense matrix where that is quicker to work with, else None."""
        small = self.sparse.shape[0] * (self.sparse.shape[1] + self.dense.shape[1]) <= SMALL
        return self.full() if small else None

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


def solve(rows: Rows, y: Floats, row_precision: Floats, prior: tuple[Floats, Floats]) -> Posterior:
    """Penalised weighted least squares: V = (X'WX + P)^-1, mean = V (X'Wy + P m0).

    Parameters
    ----------
    rows
        Design, (n, p) in two blocks.
    y, row_precision
        Observations and their inverse variances, (n,).
    prior
        Prior precision P (p, p) and pull P m0 (p,).

    Returns
    -------
    Posterior
        Gaussian posterior; with P of known variance components this is Henderson's mixed-model
        solution.
    """
    return posterior_of(*normal_equations(rows, y, row_precision), prior)


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


def normal_equations(rows: Rows, y: Floats, row_precision: Floats) -> tuple[Floats, Floats]:
    """X'WX and X'Wy, by whichever of dense and sparse products is quicker."""
    if rows.whole is not None:
        scaled = rows.whole * row_precision[:, None]
        return rows.whole.T @ scaled, scaled.T @ y
    weighted = rows.dense * row_precision[:, None]
    sparse_t = rows.sparse.T.tocsr()
    cross = sparse_t @ weighted
    square = sparse_t @ (rows.sparse * row_precision[:, None]).tocsr()
    gram = np.block([[rows.dense.T @ weighted, cross.T], [cross, square.toarray()]])
    return gram, np.concatenate([weighted.T @ y, sparse_t @ (row_precision * y)])


def indicator_rows(x: Floats) -> Rows:
    """Wrap a plain design matrix (n, p) for ``solve``."""
    return Rows(np.asarray(x, dtype="float64"), sparse.csr_array((len(x), 0)))
