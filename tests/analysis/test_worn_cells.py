"""What a cell's curve may feign is in what is told of its wear."""

from types import SimpleNamespace

import numpy as np
from analysis_parts import conveyor_budget

from analysis import run_health
from analysis import state as places
from analysis.estimate import Line


def test_a_capacity_that_the_curve_may_feign_is_not_told():
    """A tenth lost since three months, give or take 2 %: of a cell that stood elsewhere on its curve it may be none."""
    plain = conveyor_budget()
    table = ((0.0, 3.0), (0.5, 3.7), (1.0, 4.2))
    cell = {"ocv": table, "capacity": 108.0, "technology": "lithium-ion", "full_voltage": 4.2, "cutoff_voltage": 3.3}
    budget = plain.model_copy(update={"storage": plain.storage.model_copy(update=cell)})
    mean, covariance = np.zeros((1, places.STATES)), np.zeros((1, places.STATES, places.STATES))
    mean[0, places.FADE], covariance[0, places.FADE, places.FADE] = np.log(0.9), 0.02**2
    ninety = {name: np.array([days]) for name, days in (("days", 90), ("renewed", 0), ("evidence_days", 80))}
    field = SimpleNamespace(mean=mean, covariance=covariance, **ninety)
    lines = [[Line("leakage_power_w", 1e-6, 5e-7, 1e-6, 5e-7, True)]]
    part = SimpleNamespace(budgets=[budget])
    (sure,), (doubtful,) = (run_health._wear(part, field, [None], lines, np.array([curve])) for curve in (0.0, 0.3))
    np.testing.assert_allclose(sure[:2], [0.9, 0.018], rtol=1e-6)
    assert np.isnan(doubtful[0])
