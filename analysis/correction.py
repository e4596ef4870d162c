"""What past forecasts teach the next: a correction of the probabilities, kept only where it would have helped."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.backtest import FORECAST, HORIZONS, Pairs, happened
from analysis.depletion import VISIT_RISKS, FleetForecast
from analysis.scores import Correction, brier, fit_correction
from analysis.series import Floats
from ingest.budget import SECONDS_PER_DAY

EVENTS_TO_CORRECT = 30
CORRECTED = "corrected"


@dataclass(frozen=True)
class Trial:
    """A correction fitted to the earlier forecasts, and what it does to the later ones."""

    horizon_days: int
    correction: Correction
    events: int  # it was fitted to
    n: int  # later forecasts it was tried on
    brier_plain: float
    brier_corrected: float

    @property
    def helps(self) -> bool:
        """Whether the later forecasts would have been better with it."""
        return self.brier_corrected < self.brier_plain


def try_corrections(pairs: Pairs, moments: Floats) -> list[Trial]:
    """A correction for each horizon with at least EVENTS_TO_CORRECT outcomes of either kind in the first half.

    Fitted to the forecasts that had come out by the middle of the time, tried on those made after it.
    """
    middle = (moments[0] + moments[-1]) / 2
    made = moments[pairs.origin]
    found = []
    for k, horizon in enumerate(HORIZONS):
        came, said = happened(pairs.dark_in, pairs.known, horizon), pairs.said[FORECAST][:, k]
        kept = np.isfinite(came) & np.isfinite(said)
        early = kept & (made + horizon * SECONDS_PER_DAY <= middle)
        late = kept & (made >= middle)
        some = int(came[early].sum())
        if min(some, int(early.sum()) - some) < EVENTS_TO_CORRECT or not late.any():
            continue
        correction = fit_correction(said[early], came[early])
        plain, corrected = (brier(p, came[late]) for p in (said[late], correction(said[late])))
        found.append(Trial(horizon, correction, some, int(late.sum()), plain, corrected))
    return found


def recalibrate(said: Sequence[Floats], table: Mapping[int, Correction]) -> list[Floats]:
    """Probabilities of going dark within each of HORIZONS, corrected by what past forecasts taught.

    Parameters
    ----------
    said : sequence of ndarray
        For each horizon, the probabilities as forecast.
    table : mapping of int to Correction
        By horizon [d]; a horizon without one stays as it is.

    Returns
    -------
    list of ndarray
        Never falling with the horizon.
    """
    corrected = [table[h](p) if h in table else np.asarray(p) for h, p in zip(HORIZONS, said, strict=True)]
    return list(np.maximum.accumulate(np.stack(corrected), axis=0))


def corrected(futures: FleetForecast, table: Mapping[int, Correction]) -> FleetForecast:
    """A forecast with its probabilities, and the dates that rest on them, corrected; as it is without corrections.

    Notes
    -----
    The probability of having gone dark by a time is corrected by what its horizon's correction and the next one's are
    between them, on the logarithm of time; the dates are where the corrected probability reaches their levels.
    """
    if not table:
        return futures
    said = recalibrate([futures.p_dark_7d, futures.p_dark_30d, futures.p_dark_90d], table)
    time = np.sort(futures.dark_day, axis=1).astype(float)
    share = np.broadcast_to(np.arange(1, time.shape[1] + 1) / time.shape[1], time.shape)
    whole = [table.get(horizon, Correction()) for horizon in HORIZONS]
    place = np.log(np.clip(time, HORIZONS[0], HORIZONS[-1]))
    shift, slope = (
        np.interp(place, np.log(HORIZONS), [getattr(one, name) for one in whole]) for name in ("shift", "slope")
    )
    reached = np.maximum.accumulate(Correction(shift, slope)(share), axis=1)

    def quantile(level: float) -> Floats:
        first = np.argmax(reached >= level, axis=1)
        found = time[np.arange(len(time)), first]
        return np.where(np.isfinite(found), found, np.nan)

    return replace(
        futures, p_dark_7d=said[0], p_dark_30d=said[1], p_dark_90d=said[2], days_p10=quantile(0.1),
        days_p50=quantile(0.5), days_p90=quantile(0.9),
        visit_by_days=np.stack([quantile(risk) for risk in VISIT_RISKS], axis=1),
    )  # fmt: skip
