import numpy as np
import pytest
from outlooks import budget, node, steady

from analysis import state
from analysis.depletion import sustainable_interval
from analysis.outlook import HarvestOutlook
from analysis.run_ahead import beyond_what_was_taken, potential_sd

FLAT = np.ones(7)
SECONDS = 86400.0


def told(**kw: float) -> HarvestOutlook:
    """Of 8 J a day, all spent on wakes."""
    return HarvestOutlook(8.0, FLAT, FLAT, FLAT, past_wake=8.0, past_harvest=8.0, **kw)


def covariance(wake_sd: float) -> np.ndarray:
    found = np.zeros((state.STATES, state.STATES))
    found[state.WAKE, state.WAKE] = wake_sd**2
    return found


def test_doubt_of_a_wake_is_doubt_of_the_harvest_that_paid_for_it() -> None:
    # Closed form: all that comes in is spent on wakes, so both are off by the same share, however many days were seen.
    assert potential_sd(told(), budget(), covariance(0.1)) * SECONDS == pytest.approx(0.8)
    assert potential_sd(told(), budget(), covariance(0.0)) == 0.0


def test_a_node_that_is_full_every_day_is_known_no_better_than_by_its_budget() -> None:
    of = budget(harvest=8.0 / SECONDS * 1e6)
    always = potential_sd(told(past_bound=1.0), of, covariance(0.0)) * SECONDS
    assert always == pytest.approx(8.0 * of.harvest.tolerance)
    assert potential_sd(told(past_bound=0.25), of, covariance(0.0)) * SECONDS == pytest.approx(always / 4)


def test_what_full_days_were_made_up_for_is_in_doubt_but_no_poor_day_is() -> None:
    found = potential_sd(told(made_up_sd=0.3), budget(), covariance(0.0))
    assert found * SECONDS == pytest.approx(8.0 * 0.3)
    full = node(steady(8.0, made_up_sd=0.3), budget(), 100.0)
    assert full.harvest.mean_sd == 0.0
    assert beyond_what_was_taken(full).harvest.mean_sd == pytest.approx(0.3)


def test_a_level_that_errs_against_its_mean_is_known_better_than_either() -> None:
    # Closed form: sd of a sum whose parts are correlated by -1 is the difference of their sds.
    found = potential_sd(told(mean_sd=0.2, level_tilt=-0.15), budget(), covariance(0.0))
    assert found * SECONDS == pytest.approx(8.0 * 0.05)


def test_a_wake_interval_that_needs_more_than_was_ever_taken_in_has_the_budgets_doubt() -> None:
    # Full on nine days of ten, with 8 J a day believed, sd 5 %: a rate that takes all is known to 0.9 times 30 % only.
    of = budget(capacitance=20.0, harvest=8.0 / SECONDS * 1e6)
    full = node(steady(8.0, mean_sd=0.05, past_bound=0.9), of, 100.0)
    seen = node(steady(8.0, mean_sd=0.05, past_bound=0.0), of, 100.0)
    assert beyond_what_was_taken(full).harvest.mean_sd == pytest.approx(np.hypot(0.05, 0.9 * of.harvest.tolerance))
    long, short = sustainable_interval([beyond_what_was_taken(full), beyond_what_was_taken(seen)])
    assert long > 1.3 * short
