"""What a counter of whole wakes feigns: a compiled kernel.

A counter moves by whole wakes, and not at the very moment of the voltage beside it. At a constant rate wakes go with
time as sleep does, and within a night little but these steps would tell the two apart; yet a step that comes a report
late takes from the energy of a wake (errors in variables), and what is left passes for sleep, leakage and capacity.
"""

from numba import njit

ROUNDING = 0.25  # wakes^2 off a straight line: of less, most may be rounding (1/12, and twice that with the moment)


@njit(cache=True, nogil=True, error_model="numpy")
def doubt_of_rounding(told, square):  # type: ignore[no-untyped-def]
    """Variance of the wakes' coefficient that rounding leaves in what is told of it, as `leave_rounding` has it."""
    return (ROUNDING * square / told) ** 4


@njit(cache=True, nogil=True, error_model="numpy")
def leave_rounding(gram, square):  # type: ignore[no-untyped-def]
    """Take from a run's Gram matrix what its wakes tell beside sleep, as far as that may be rounding.

    Its first two rows are wakes and sleep; `square` is what of it one wake's square makes, as a mean over the points
    [1/wakes^2]. The doubt falls with the fourth power of the mean square by which the wakes stray from a straight line:
    a rate that really varies tells as before.
    """
    share = gram[0, 1] / gram[1, 1]
    told = gram[0, 0] - share * gram[0, 1]
    if not told > 0.0:
        return
    gain = 1.0 / (told + 1.0 / doubt_of_rounding(told, square))
    along = gram[0] - share * gram[1]
    for r in range(len(gram)):
        for c in range(len(gram)):
            gram[r, c] -= gain * along[r] * along[c]
