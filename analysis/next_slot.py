"""The harvest of the next slot of the day (an hour, say), from the slots before it."""

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

NIGHT = 0.01  # of the highest expectation: slots below it are taken as empty
SLOW = 0.25  # weight of a new slot in the slow mean of today's ratio
BELIEF = np.array([0.75, 0.05, 0.2])  # weights of the last ratio, the slow one and the usual day, before the first slot
BELIEF_STRENGTH = 2.0


def predict_next_slot(trace: npt.ArrayLike, expected: npt.ArrayLike, days: int = 30, hold: float = 20.0) -> Array:
    """Each slot from how the slots before it compare with what was to be expected of them.

    Parameters
    ----------
    trace : array_like, shape (days, slots)
        Harvest of each slot, in any unit.
    expected : array_like, shape (days, slots)
        What each slot could bring, in any unit: a clear sky's irradiance, or the shifts of a plant.
    days : int
        Past days over which the share of the expectation that usually comes is taken, slot by slot.
    hold : float
        How many days of an average slot hold that share towards the whole day's.

    Returns
    -------
    ndarray, shape (days, slots)
        Prediction of each slot, made just before it.

    Notes
    -----
    With r the harvest of a slot over what usually comes, the prediction is ``usual (w1 r(t) + w2 r_slow(t) + w3)``.
    The weights follow from least absolute deviations over the past slots, by reweighted least squares with the earlier
    residuals, held towards persistence; they are renewed every six slots.
    """
    energy, sky = np.asarray(trace, dtype=float), np.asarray(expected, dtype=float)
    if energy.shape != sky.shape or energy.ndim != 2:
        msg = f"trace and expected must have the same shape (days, slots), got {energy.shape} and {sky.shape}"
        raise ValueError(msg)
    floor = NIGHT * sky.max()
    light = (sky > floor).ravel()
    possible = (sky * _usual_share(energy, sky, floor, days, hold)).ravel()
    return _predict(energy.ravel(), possible, light, sky.max(), sky.shape[1]).reshape(energy.shape)


def _usual_share(energy: Array, sky: Array, floor: float, days: int, hold: float) -> Array:
    """Share of the expectation that came in each slot over the days before each day."""
    came, could = np.where(sky > floor, [energy, sky], 0.0)
    zero = np.zeros((1, sky.shape[1]))
    came_sum, could_sum = (np.cumsum(np.concatenate([zero, a]), axis=0) for a in (came, could))
    first = np.maximum(np.arange(len(sky)) - days, 0)
    came, could = came_sum[:-1] - came_sum[first], could_sum[:-1] - could_sum[first]
    slot = sky.mean()
    whole = (came.sum(axis=1) + 0.6 * slot) / (could.sum(axis=1) + slot)
    return np.asarray((came + hold * slot * whole[:, None]) / (could + hold * slot))


def _predict(energy: Array, possible: Array, light: npt.NDArray[np.bool_], top: float, slots: int) -> Array:
    predicted = np.zeros(len(energy))
    gram = BELIEF_STRENGTH * top**2 * np.eye(3)
    cross = gram @ BELIEF
    weights = BELIEF.copy()
    last = slow = 1.0
    for now in range(len(energy)):
        if light[now]:
            features = possible[now] * np.array([last, slow, 1.0])
            predicted[now] = max(float(features @ weights), 0.0)
            if now >= slots:
                weight = possible[now] / max(abs(energy[now] - predicted[now]), 0.05 * possible[now])
                gram += weight * np.outer(features, features)
                cross += weight * energy[now] * features
            ratio = energy[now] / possible[now]
            last += min(1.0, 8 * possible[now] / top) * (ratio - last)  # dim slots tell less
            slow += SLOW * (ratio - slow)
        if now % 6 == 5:
            weights = np.linalg.solve(gram, cross)
    return predicted
