"""The compiled loops' tables against what they stand for."""

import numpy as np
import pytest

from analysis.kernel import highest, peak_of, peak_tables


@pytest.mark.parametrize("seed", range(5))
def test_a_days_highest_balance_is_read_off_its_table(seed: int) -> None:
    # The balance of harvest and drain hour by hour, and its highest value, taken directly.
    rng = np.random.default_rng(seed)
    hours = rng.dirichlet(np.full(24, 0.3), 2) * [[1.0], [0.5]] + [[0.0], [0.5 / 24]]  # harvest patchy, load less so
    shape, load_shape = (np.concatenate([[0.0], np.cumsum(row)]) for row in hours)
    table = peak_tables(shape[None], load_shape[None])[0]
    above = []
    for harvest, drain in rng.uniform(0, 5, (200, 2)):
        wanted = max(0.0, float((harvest * shape - drain * load_shape).max()))
        assert highest(harvest, drain, shape, load_shape) == pytest.approx(wanted, abs=1e-12)
        above.append((peak_of(harvest, drain, table) - wanted) / (harvest + drain))
    # The highest of straight lines whose slopes differ by 2 at most, read between points 1/64 apart: 2 / 64 / 4.
    assert min(above) >= -1e-12
    assert max(above) <= 1 / 128
    assert np.mean(above) < 1 / 1280
    assert peak_of(0.0, 0.0, table) == 0.0
