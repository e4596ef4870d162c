"""Figures of series with gaps, held against numpy's own over the days that have a value."""

import numpy as np
import pytest

from analysis.daily import figures, medians, swing

RNG = np.random.default_rng(6)
SERIES = np.where(RNG.random((20, 60)) < np.linspace(0, 1, 20)[:, None], np.nan, RNG.normal(3, 2, (20, 60)))


@pytest.mark.parametrize("last", [None, 7, 28])
def test_figures_are_of_the_days_with_a_value(last):
    for row, found in zip(SERIES, figures(SERIES, last), strict=True):
        known = row[np.isfinite(row)][-(last or 60) :]
        assert found.known == len(known)
        if len(known):
            assert found[1:] == pytest.approx((known.mean(), known.std()))


def test_medians_leave_out_days_without_a_value():
    with_value = np.isfinite(SERIES).any(axis=1)
    np.testing.assert_array_equal(medians(SERIES)[with_value], np.nanmedian(SERIES[with_value], axis=1))
    assert np.isnan(medians(SERIES)[~with_value]).all()


def test_no_value_at_all_has_no_mean():
    (found,) = figures(np.full((1, 5), np.nan))
    assert found.known == 0
    assert np.isnan(found.mean)


def test_a_swing_is_the_scatter_of_weeks_less_a_closed_one():
    weeks = RNG.normal(100, 10, 400)
    days = np.repeat(weeks, 7) + RNG.normal(0, 1, 2800)
    assert swing(days, 7) == pytest.approx(10, rel=0.15)
    days[700:707] = 0.0
    assert swing(days, 7) == pytest.approx(10, rel=0.15)
    assert swing(np.append(days, np.nan)[-20:], 7) == 0.0
