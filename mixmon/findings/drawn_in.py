"""Needs drawn in to their median, as far as their own errors can explain that they differ.

Where cylinders are alike, their estimates differ by noise; to enter that noise as trims would
make them unlike. Where they are not alike, almost nothing is drawn in.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

_OUTLYING = 3.0  # standard deviations: among sixteen alike, one in twenty-five has such a cylinder by chance

Floats = NDArray[np.float64]


def drawn_in(means: Floats, errors: Floats) -> tuple[Floats, Floats]:
    """Needs float64[n] drawn in, and the share of their standard errors that is left then.

    Empirical Bayes with limited translation (from memory: Efron & Morris, J. Am. Stat. Assoc. 67,
    1972): a cylinder far outside the others is left where it is. The variance between the others is
    taken at the lower end of its 95 % interval (chi square): as alike as the cylinders can be.
    """
    middle = np.median(means)
    away = means - middle
    typical = max(1.4826 * float(np.median(np.abs(away))), float(np.median(errors)))
    inside = np.abs(away) <= _OUTLYING * typical
    least = float((away[inside] ** 2).sum()) / _chi2_upper(max(int(inside.sum()) - 1, 1))
    between = max(0.0, least - float(np.mean(errors[inside] ** 2)))
    keep = np.where(inside, between / (between + errors**2), 1.0)
    return middle + keep * away, np.sqrt(keep)


def _chi2_upper(degrees: int) -> float:
    """The 97.5 % point of chi square (Wilson & Hilferty, Proc. Natl. Acad. Sci. 17, 1931, from memory)."""
    part = 2 / (9 * degrees)
    return float(degrees * (1 - part + 1.959964 * np.sqrt(part)) ** 3)
