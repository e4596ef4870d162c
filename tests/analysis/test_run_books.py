from typing import Any

import numpy as np
from analysis_parts import conveyor_budget

from analysis.held import Held
from analysis.run_books import Account, NodeBook, silent_together
from analysis.run_recent import Recent, State

HOUR, NOW = 3600.0, 1.77e9
NO_DAYS = Account(*np.empty((len(Account._fields), 0)))


def book(place: int, silent_h: float, volts: float) -> NodeBook:
    nothing: Any = None
    budget = conveyor_budget()
    state = State(NOW - silent_h * HOUR, volts, volts, 20.0)
    silent = silent_h * HOUR if silent_h > 3 else 0.0
    recent = Recent(state, 0.0, None, (), Held(5.0, 5.0))
    return NodeBook(place, nothing, budget, nothing, 0, NO_DAYS, silent, recent)


def test_a_nearly_empty_node_that_falls_silent_with_its_site_is_not_taken_to_be_dark() -> None:
    low = conveyor_budget().storage.cutoff_voltage + 0.01
    gateway = [book(i, 5.0 + 0.1 * i, low) for i in range(5)]
    long_gone, heard = book(5, 900.0, low), book(6, 1.0, 4.0)
    found = silent_together([*gateway, long_gone, heard])
    assert [b.dark for b in found] == [False] * 5 + [True, False]
    assert [b.dark for b in gateway] == [True] * 5  # each by itself would be
    # Two of many are nobody's gateway, and neither are five that fell silent a day apart.
    many = [book(i, 1.0, 4.0) for i in range(8)]
    assert all(b.dark for b in silent_together([*gateway[:2], *many])[:2])
    apart = [book(i, 5.0 + 24 * i, low) for i in range(5)]
    assert all(b.dark for b in silent_together([*apart, heard])[:5])
