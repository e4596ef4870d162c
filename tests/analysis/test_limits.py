"""The limits of what readings can tell, against closed forms, simulation and another filter."""

import numpy as np
import pytest
from statsmodels.tsa.statespace.structural import UnobservedComponents

from analysis.limits import quantisation_sd, slope_bound, steady_state, step_energy


@pytest.mark.parametrize(
    ("bits", "reference", "step_mv", "sd_uv"),
    [  # closed form: Vref / 2^bits, and that over sqrt(12)
        pytest.param(12, 3.6, 0.8789, 253.7, id="12 bit of 3.6 V"),
        pytest.param(12, 3.3, 0.8057, 232.6, id="12 bit of 3.3 V"),
        pytest.param(10, 3.0, 2.9297, 845.7, id="10 bit of 3.0 V"),
        pytest.param(8, 5.0, 19.53, 5638.0, id="8 bit of 5 V"),
    ],
)
def test_quantisation_sd_of_common_converters(bits: int, reference: float, step_mv: float, sd_uv: float):
    step = reference / 2**bits
    assert step * 1e3 == pytest.approx(step_mv, rel=3e-4)
    assert quantisation_sd(step) * 1e6 == pytest.approx(sd_uv, rel=3e-4)


def test_quantisation_sd_is_what_rounding_a_moving_voltage_does():
    volts = 3.0 + np.random.default_rng(1).random(200_000)
    step = 3.6 / 4096
    # sampling error of a sd from 200 000 values is 0.1 %
    assert np.std(np.round(volts / step) * step - volts) == pytest.approx(quantisation_sd(step), rel=5e-3)


def test_one_step_of_a_farad_at_three_volts():
    # Closed form: 1 F, 3 V, 12 bit of 3.6 V: 2.637 mJ; one step a day is 30.5 nW.
    energy = step_energy(1.0, 3.0, 3.6 / 4096)
    assert energy == pytest.approx(2.637e-3, rel=2e-4)
    assert energy / 86400 == pytest.approx(30.5e-9, rel=2e-3)


@pytest.mark.parametrize(("count", "interval", "power_nw"), [(24, 3600.0, 6.2), (96, 900.0, 3.1)])
def test_slope_bound_of_a_day_of_reports(count: int, interval: float, power_nw: float):
    # Closed form, 12 bit of 3.6 V, 1 F at 3 V; the figures have two digits.
    assert slope_bound(253.7e-6, interval, count) * 3.0 * 1e9 == pytest.approx(power_nw, abs=0.06)


def test_slope_bound_has_the_closed_forms_value():
    assert slope_bound(253.7e-6, 3600.0, 24) == pytest.approx(2.078e-9, rel=2e-4)


def test_least_squares_reaches_the_slope_bound_and_end_points_do_not():
    noise = np.random.default_rng(2).normal(0, 253.7e-6, (24, 20_000))
    slopes = np.polyfit(np.arange(24) * 3600.0, noise, 1)[0]
    bound = slope_bound(253.7e-6, 3600.0, 24)
    assert np.std(slopes) == pytest.approx(bound, rel=0.02)  # a sd from 20 000 draws is known to 0.5 %
    ends = (noise[-1] - noise[0]) / (23 * 3600.0)
    # Closed form: variance ratio N (N + 1) / (6 (N - 1)) = 4.348 at N = 24.
    assert np.var(ends) / bound**2 == pytest.approx(4.348, rel=0.04)


def test_a_slope_needs_two_readings():
    with pytest.raises(ValueError, match="at least two readings, got 1"):
        slope_bound(1e-3, 3600.0, 1)


TABLE = [  # closed form, six digits: drift, predicted, filtered, smoothed
    (0.01, 0.105125, 0.095125, 0.049938),
    (0.1, 0.370156, 0.270156, 0.156174),
    (1.0, 1.618034, 0.618034, 0.447214),
    (10.0, 10.916080, 0.916080, 0.845154),
]


@pytest.mark.parametrize(("drift", "predicted", "filtered", "smoothed"), TABLE)
def test_steady_state_table(drift: float, predicted: float, filtered: float, smoothed: float):
    np.testing.assert_allclose(steady_state(drift), [predicted, filtered, smoothed], atol=6e-7)


@pytest.mark.parametrize("drift", [row[0] for row in TABLE])
def test_steady_state_is_where_another_filter_settles(drift: float):
    # statsmodels' local level model, run until it has settled; the middle of the run is far from both ends.
    model = UnobservedComponents(np.zeros(401), "local level")
    model.ssm.initialize_known(np.zeros(1), np.eye(1))
    result = model.smooth([1.0, drift])
    expected = [
        result.predicted_state_cov[0, 0, 200],
        result.filtered_state_cov[0, 0, 200],
        result.smoothed_state_cov[0, 0, 200],
    ]
    np.testing.assert_allclose(steady_state(drift), expected, rtol=1e-6)
