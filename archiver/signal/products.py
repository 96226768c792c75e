"""Products of a tall matrix with a small one, in pieces that suit a processor core.

A recursive or a long filter over a block is here a product of a matrix of
samples (one short stretch of sound in each row) with a small constant matrix.
That runs near the arithmetic limit of a core, ten to twenty times as fast as a
loop over samples.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["tall_product"]

# A matrix library splits larger products over threads of its own, which would
# fight with the threads of the pass for the same cores.
_MOST_MULTIPLICATIONS = 1 << 18


def tall_product(
    rows: NDArray[Any], matrix: NDArray[Any], out: NDArray[Any] | None = None
) -> NDArray[Any]:
    """Multiply, row by row, on the calling thread alone.

    Parameters
    ----------
    rows : ndarray, shape (m, k), C-contiguous
        Many short rows.
    matrix : ndarray, shape (k, n)
        Small.
    out : ndarray, shape (m, n), C-contiguous, optional
        Where to put the product.
    """
    count, inner = rows.shape
    columns = matrix.shape[1]
    if out is None:
        out = np.empty((count, columns), np.result_type(rows, matrix))
    height = max(8, _MOST_MULTIPLICATIONS // (inner * columns) // 8 * 8)
    pieces = count // height
    whole = pieces * height
    if pieces:
        np.matmul(
            rows[:whole].reshape(pieces, height, inner),
            matrix,
            out=out[:whole].reshape(pieces, height, columns),
        )
    if whole < count:
        np.matmul(rows[whole:], matrix, out=out[whole:])
    return out
