"""The wake interval that is said: of a node that takes what it needs, and could take more."""

from dataclasses import replace

import numpy as np
from outlooks import budget, linear_noise, node, steady

from analysis.run_ahead import wake_intervals

OF = budget(wakes=48, harvest=20.0)
HARVEST = steady(3.0, past_bound=1.0, noise=linear_noise(0.3))  # on all days behind it was full: twice what it spends


def test_what_a_full_node_takes_is_not_put_in_doubt_by_what_it_did_not_take() -> None:
    of_full, seen = wake_intervals([
        node(HARVEST, OF, usable=9.0),
        node(replace(HARVEST, past_bound=0.0), OF, usable=9.0),
    ])  # fmt: skip
    present = 86400 / 48
    assert seen < of_full <= present  # more wakes than now rest on the budget, and on its tolerance


def test_a_node_that_cannot_go_on_as_it_does_is_told_by_what_was_seen() -> None:
    short = steady(1.2, mean_sd=0.05, past_bound=0.0)
    busy = node(short, OF, usable=9.0)
    bound = node(replace(short, past_bound=1.0), OF, usable=9.0)
    told = wake_intervals([busy, bound])
    assert told[0] == told[1] > 86400 / 48
    assert np.isnan(wake_intervals([node(steady(0.0), budget(sleep=5.0, wakes=48), usable=2.0)])[0])
