"""Sums, means and extremes of monthly layers (months, rows, cols).

A cell with any missing month is missing.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from underoak.base.arrays import FloatArray
from underoak.indicators.year import stack_months


def months_sum(months: FloatArray) -> FloatArray:
    """Return the sum over the months, in their own unit, (rows, cols).

    Source: common practice, no source.

    >>> import numpy as np
    >>> months_sum(np.float32([[[30, 40]], [[20, np.nan]]])).tolist()
    [[50.0, nan]]
    """
    from underoak.indicators.climate import month_kernels as kernels

    return _folded(months, kernels.SUM)


def months_mean(months: FloatArray) -> FloatArray:
    """Return the mean over the months, each counted alike, (rows, cols).

    Source: common practice, no source.

    >>> import numpy as np
    >>> months_mean(np.float32([[[10]], [[14]]])).tolist()
    [[12.0]]
    """
    from underoak.indicators.climate import month_kernels as kernels

    return _folded(months, kernels.MEAN)


def months_min(months: FloatArray) -> FloatArray:
    """Return the least of the months, (rows, cols).

    Source: common practice, no source.

    >>> import numpy as np
    >>> months_min(np.float32([[[10]], [[-4]]])).tolist()
    [[-4.0]]
    """
    from underoak.indicators.climate import month_kernels as kernels

    return _folded(months, kernels.MIN)


def months_max(months: FloatArray) -> FloatArray:
    """Return the greatest of the months, (rows, cols).

    Source: common practice, no source.

    >>> import numpy as np
    >>> months_max(np.float32([[[10]], [[-4]]])).tolist()
    [[10.0]]
    """
    from underoak.indicators.climate import month_kernels as kernels

    return _folded(months, kernels.MAX)


def warmest_month_mean(months: FloatArray) -> FloatArray:
    """Return the mean temperature of the warmest of twelve months, (rows, cols).

    Source: common practice, no source.

    >>> import numpy as np
    >>> float(warmest_month_mean(np.arange(12, dtype="float32").reshape(12, 1, 1))[0, 0])
    11.0
    """
    return months_max(*stack_months(months))


def coldest_month_mean(months: FloatArray) -> FloatArray:
    """Return the mean temperature of the coldest of twelve months, (rows, cols).

    Source: common practice, no source.

    >>> import numpy as np
    >>> float(coldest_month_mean(np.arange(12, dtype="float32").reshape(12, 1, 1))[0, 0])
    0.0
    """
    return months_min(*stack_months(months))


def annual_sum(months: FloatArray) -> FloatArray:
    """Sum of twelve months, such as the year's rain, (rows, cols).

    Source: common practice, no source.

    >>> import numpy as np
    >>> float(annual_sum(np.full((12, 1, 1), 50.0, "float32"))[0, 0])
    600.0
    """
    return months_sum(*stack_months(months))


def annual_mean(months: FloatArray) -> FloatArray:
    """Return the mean of twelve months, each counted alike, (rows, cols).

    Source: common practice, no source.

    >>> import numpy as np
    >>> float(annual_mean(np.arange(12, dtype="float32").reshape(12, 1, 1))[0, 0])
    5.5
    """
    return months_mean(*stack_months(months))


def _folded(months: Any, how: int) -> FloatArray:
    from underoak.indicators.climate import month_kernels as kernels

    values = np.ascontiguousarray(months, np.float32)
    if values.ndim != 3 or not len(values):
        raise ValueError(f"months are (months, rows, cols) with one month at least, got {values.shape}")
    out = np.empty(values.shape[1:], np.float32)
    kernels.reduce_months(values, how, out)
    return out
