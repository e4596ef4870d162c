"""How fast a capacity ratio falls, told apart from the season."""

from dataclasses import dataclass, replace
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr, ndtri, stdtrit

from analysis.daily import MEDIAN_TO_SD
from ingest.budget import DAYS_PER_YEAR

Array = npt.NDArray[np.float64]
Method = Literal["harmonic", "year-on-year", "seasonal-sen"]

SEASONS_NEEDED: dict[Method, float] = {"harmonic": 0.99, "year-on-year": 1.2, "seasonal-sen": 1.95}
HARMONICS = 2  # the year and the half year
FEWEST = 12  # samples: twice the columns of the harmonic regression
CONFIDENCE = 0.95  # upper end of the 90 % interval
MEDIAN_PENALTY = np.sqrt(np.pi / 2)  # sd of a median over that of a mean, normal errors


@dataclass(frozen=True)
class FadeRate:
    """Share of the baseline lost a year, with its doubt.

    Attributes
    ----------
    rate : float
        [1/year] Positive where the ratio falls, negative where it grows; NaN where no rate can be stated.
    sd : float
        [1/year]
    low, high : float
        The 90 % interval, by Student's distribution over the independent samples there are. [1/year]
    count : int
        Samples used.
    method : str
        How it was found.
    reason : str
        Why it may be poor, or why there is none; empty where nothing speaks against it.
    """

    rate: float
    sd: float
    low: float
    high: float
    count: int
    method: Method
    reason: str


def fade_rate(
    day: npt.ArrayLike,
    ratio: npt.ArrayLike,
    sd: npt.ArrayLike | None = None,
    *,
    seasonal_amplitude: float | None = None,
    method: Method = "harmonic",
) -> FadeRate:
    """The yearly fade of a ratio that may also swing with the season.

    Parameters
    ----------
    day : array_like, shape (n,)
        Time of each sample, rising. [d] from any origin.
    ratio : array_like, shape (n,)
        Value over the baseline; NaN marks a missing sample.
    sd : array_like, shape (n,), optional
        Of each sample. Only their proportions matter, as weights of the harmonic regression: the doubt of the rate
        comes from the scatter that is seen, and an error of the baseline that all samples share changes no slope.
    seasonal_amplitude : float, optional
        The season swings the ratio by no more than plus or minus this. Without it no rate is stated below one full
        season.
    method : str
        ``harmonic`` (the default), ``year-on-year`` or ``seasonal-sen``.

    Raises
    ------
    ValueError
        When the days do not rise.

    Notes
    -----
    Harmonic regression is the default because it is the one of the three that works between one year and two and the
    most precise afterwards, and because what the season does to a storage comes by way of temperature, which is close
    to a yearly and a half-yearly wave. From two seasons on it is held against the year-on-year median, which needs no
    shape, and a contradiction is given as the reason for doubt. Left out: a fade whose pace changes (burn-in, a fault
    that begins within the samples); give only the samples since the change.
    """
    value = np.asarray(ratio, dtype=float)
    weight = np.ones(len(value)) if sd is None else np.asarray(sd, dtype=float) ** -2.0
    good = np.isfinite(value) & np.isfinite(weight)
    at, value, weight = np.asarray(day, dtype=float)[good], value[good], weight[good]
    if len(at) < FEWEST:
        return _nothing(len(at), method, f"{len(at)} samples; a rate needs {FEWEST}")
    if np.any(np.diff(at) <= 0):
        msg = f"days must rise, got a step of {np.diff(at).min():g} d"
        raise ValueError(msg)
    span = float(at[-1] - at[0])
    seasons = span / DAYS_PER_YEAR
    needed = 0.0 if method == "harmonic" and seasonal_amplitude is not None else SEASONS_NEEDED[method]
    if seasons < needed:
        return _nothing(len(at), method, f"covers {span:.0f} days; {method} needs {needed * DAYS_PER_YEAR:.0f}")
    if method == "seasonal-sen":
        return _seasonal_sen(at, value)
    if method == "year-on-year":
        return _year_on_year(at, value)
    found = _harmonic(at, value, weight / weight.mean(), seasonal_amplitude)
    return _against_year_on_year(found, at, value) if seasons >= SEASONS_NEEDED["seasonal-sen"] else found


def _nothing(count: int, method: Method, reason: str) -> FadeRate:
    return FadeRate(np.nan, np.nan, np.nan, np.nan, count, method, f"not enough data: {reason}")


def _stated(slope: float, sd: float, count: int, freedom: float, method: Method, reason: str = "") -> FadeRate:
    """A rate from a slope [1/year], its sd, and the independent samples behind it beyond those the terms took."""
    reach = float(stdtrit(max(freedom, 1.0), CONFIDENCE)) * sd
    if freedom < 5:
        repeat = f"neighbouring samples repeat each other: worth {max(freedom, 0.0):.0f} more than the terms fitted"
        reason = f"{reason}; {repeat}" if reason else repeat
    return FadeRate(-slope, sd, -slope - reach, -slope + reach, count, method, reason)


def inflation(day: Array, residual: Array, terms: int) -> float:
    """Variance of a mean of residuals over what it would be were they independent; 1 or more.

    Notes
    -----
    (1 + r) / (1 - r) of a first-order autoregression, with r from neighbours one usual step apart and its bias from
    having fitted `terms` terms, about -(terms + (terms + 2) r) / n, put back (Kendall 1954 for a mean; from memory).
    """
    step = np.diff(day)
    near = step <= 1.5 * np.median(step)
    pairs = int(near.sum())
    product, square = (residual[1:] * residual[:-1])[near].mean() if pairs else 0.0, (residual**2).mean()
    seen = product / square if square > 0 else 0.0
    true = (seen * pairs + terms) / max(pairs - terms - 2, 1)
    true = float(np.clip(true, 0.0, 0.98))
    return (1 + true) / (1 - true)


def _columns(day: Array) -> Array:
    """Level, slope [1/year] about the middle, and cosine and sine of the year's harmonics."""
    year = day / DAYS_PER_YEAR
    waves = [wave(2 * np.pi * k * year) for k in range(1, HARMONICS + 1) for wave in (np.cos, np.sin)]
    return np.column_stack([np.ones(len(day)), year - year.mean(), *waves])


def _harmonic(day: Array, ratio: Array, weight: Array, seasonal_amplitude: float | None) -> FadeRate:
    """Least squares with yearly terms; a bound on the season becomes their prior.

    Notes
    -----
    A wave of amplitude A whose phase is unknown has cosine and sine terms of variance A^2 / 2; the half-yearly wave
    gets half the amplitude. The prior is weighed against the noise with its autocorrelation, found in three rounds.
    """
    columns = _columns(day)
    normal, right = columns.T @ (columns * weight[:, None]), columns.T @ (ratio * weight)
    precision = np.zeros(columns.shape[1])
    if seasonal_amplitude is not None:
        precision[2:] = np.repeat(2.0 / (max(seasonal_amplitude, 1e-6) / np.arange(1, HARMONICS + 1)) ** 2, 2)
    noise = 0.0 if seasonal_amplitude is None else float(np.var(ratio))
    for _ in range(3):
        inverse = np.linalg.inv(normal + np.diag(precision * noise))
        terms = float((inverse * normal.T).sum())  # effective number of fitted terms
        residual = (ratio - columns @ (inverse @ right)) * np.sqrt(weight)
        swell = inflation(day, residual, round(terms))
        noise = max(float(residual @ residual) / max(len(day) - terms, 1.0) * swell, 1e-18)
    covered = (day[-1] - day[0]) / DAYS_PER_YEAR
    short = (
        "" if covered >= SEASONS_NEEDED["harmonic"] else f"covers {covered:.2f} of a season, whose bound sets the width"
    )
    slope, sd = float((inverse @ right)[1]), float(np.sqrt(noise * inverse[1, 1]))
    return _stated(slope, sd, len(day), len(day) / swell - terms, "harmonic", short)


def _year_on_year(day: Array, ratio: Array) -> FadeRate:
    """Median change between samples a year apart.

    Notes
    -----
    Jordan, Deline et al., 2016 (NREL/CP-5J00-65731): the robust choice with outliers or a season of unknown shape. The
    scatter is from the median absolute deviation. Beyond two years a sample ends one pair and begins the next: such
    pairs' values correlate by -1/2, their signs, which move a median, by -1/3 (arcsine law).
    """
    near = max(0.5, float(np.median(np.diff(day))) / 2)
    later = np.minimum(np.searchsorted(day, day + np.round(DAYS_PER_YEAR) - near), len(day) - 1)
    apart = (day[later] - day) / DAYS_PER_YEAR
    pair = np.abs(day[later] - day - np.round(DAYS_PER_YEAR)) <= near
    if pair.sum() < FEWEST:
        return _nothing(len(day), "year-on-year", f"{pair.sum()} pairs a year apart; a rate needs {FEWEST}")
    change = (ratio[later] - ratio)[pair] / apart[pair]
    slope = float(np.median(change))
    scatter = MEDIAN_TO_SD * float(np.median(np.abs(change - slope)))
    swell = inflation(day[pair], np.clip(change - slope, -3 * scatter, 3 * scatter), 1)
    chained = max(1 - 1 / ((day[-1] - day[0]) / DAYS_PER_YEAR - 1), 0.0)  # share of the pairs that another one follows
    sd = float(MEDIAN_PENALTY * scatter * np.sqrt(swell / len(change) * (1 - 2 / 3 * chained)))
    return _stated(slope, sd, len(day), len(change) / swell - 1, "year-on-year")


def _against_year_on_year(found: FadeRate, day: Array, ratio: Array) -> FadeRate:
    """The same rate, with the year-on-year median as a reason for doubt where the two cannot both be right."""
    other = _year_on_year(day, ratio)
    if not abs(other.rate - found.rate) > 3 * other.sd:
        return found
    doubt = f"year on year the loss is {other.rate:.1%} a year: steps, or a season that does not repeat"
    return replace(found, reason=f"{found.reason}; {doubt}" if found.reason else doubt)


def monthly(day: npt.ArrayLike, ratio: npt.ArrayLike) -> Array:
    """Medians by twelfth of a year, shape (years, 12), years counted from the first sample; NaN where empty."""
    year = (np.asarray(day, dtype=float) - np.min(day)) / DAYS_PER_YEAR
    place = np.floor(12 * year).astype(int)
    table = np.full((place.max() // 12 + 1, 12), np.nan)
    for cell in np.unique(place):
        table[cell // 12, cell % 12] = np.median(np.asarray(ratio, dtype=float)[place == cell])
    return table


class MannKendall(NamedTuple):
    """Concordant less discordant pairs, the variance of that without a trend, and the two-sided p-value."""

    score: float
    variance: float
    p: float


def mann_kendall(table: npt.ArrayLike) -> MannKendall:
    """Whether values rise or fall with the years, each season compared with itself only.

    Parameters
    ----------
    table : array_like, shape (years,) or (years, seasons)
        NaN marks what is missing.

    Notes
    -----
    Hirsch, Slack and Smith 1982 (from memory): the sum over seasons of the Mann-Kendall score, of variance
    n (n - 1) (2 n + 5) / 18 less the same in t for each group of t ties; normal with a correction for continuity.
    Left out: correlation from season to season, which makes the p-value too small.
    """
    columns = np.asarray(table, dtype=float)
    score = variance = 0.0
    for column in columns.reshape(len(columns), -1).T:
        value = column[np.isfinite(column)]
        score += float(np.sign(value[None, :] - value[:, None])[np.triu_indices(len(value), 1)].sum())
        size = np.concatenate([[len(value)], np.unique(value, return_counts=True)[1]]).astype(float)
        part = size * (size - 1) * (2 * size + 5) / 18
        variance += float(part[0] - part[1:].sum())
    z = max(abs(score) - 1, 0.0) / np.sqrt(variance) if variance else 0.0
    return MannKendall(score, variance, float(2 * ndtr(-z)))


def _seasonal_sen(day: Array, ratio: Array) -> FadeRate:
    """Median of all slopes between the same months of different years, with the interval by rank.

    Notes
    -----
    Sen 1968, by season as in Hirsch, Slack and Smith 1982 (both from memory): the ends of the 90 % interval are the
    slopes 1.645 sd of the Mann-Kendall score from the middle, in order of size.
    """
    table = monthly(day, ratio)
    first, second = np.triu_indices(len(table), 1)
    slope = ((table[second] - table[first]) / (second - first)[:, None]).ravel()
    slope = np.sort(slope[np.isfinite(slope)])
    if len(slope) < FEWEST:
        return _nothing(len(day), "seasonal-sen", f"{len(slope)} pairs of months; a rate needs {FEWEST}")
    reach = ndtri(CONFIDENCE) * np.sqrt(mann_kendall(table).variance)
    rank = np.array([(len(slope) - reach) / 2 - 1, (len(slope) + reach) / 2])
    low, high = np.interp(rank, np.arange(len(slope)), slope)
    sd = float(high - low) / (2 * ndtri(CONFIDENCE))
    return FadeRate(-float(np.median(slope)), sd, -float(high), -float(low), len(day), "seasonal-sen", "")


def calendar_fade(days: npt.ArrayLike, fade_seen: float, seen_after: float) -> Array:
    """Share of capacity a resting lithium cell has lost after `days`, from what it had lost after `seen_after` days.

    Notes
    -----
    Growth of the anode's film, limited by diffusion through it: fade goes with the square root of time. Left out:
    cycling, temperature, and the late knee.
    """
    return fade_seen * np.sqrt(np.asarray(days, dtype=float) / seen_after)


def life_at(life: float, rated_temperature: float, temperature: npt.ArrayLike) -> Array:
    """Life of a capacitor at another temperature [degC] than it is rated at, in the unit of `life`.

    Notes
    -----
    Twice as long for every 10 K cooler, the usual rule of makers' data sheets; it stands for an activation energy of
    about 0.55 eV at 30 degC and 0.66 eV at 60 degC. Left out: voltage, on which sources differ by a factor of two.
    """
    return life * 2.0 ** ((rated_temperature - np.asarray(temperature, dtype=float)) / 10.0)
