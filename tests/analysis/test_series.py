import numpy as np

from analysis.series import a_day


def test_days_seen_for_less_than_half_tell_no_rate() -> None:
    np.testing.assert_allclose(a_day([30, 30], [43200.0, 40000.0]), [60.0, np.nan])
