"""What closures elsewhere tell of nodes that have seen none."""

from dataclasses import replace

import numpy as np
import pytest
from outlooks import budget, node, steady

from analysis.lent import lent_closures
from analysis.outlook import NodeOutlook

OTHER = budget()
OTHER = OTHER.model_copy(update={"harvest": OTHER.harvest.model_copy(update={"source": "other"})})


def one(site: str, kept: float = 0.0, kept_sd: float = 0.3, **more: object) -> NodeOutlook:
    """By belief 0 give or take 0.3 of it comes all the same when a site is closed."""
    return replace(node(steady(2.0, kept=kept, kept_sd=kept_sd), OTHER, usable=5.0), site=site, **more)  # type: ignore[arg-type]


def test_harvest_that_stayed_elsewhere_is_likely_to_stay_here() -> None:
    told = [one("kiln-row", 1.0, 0.05) for _ in range(3)]
    first, *others = lent_closures([one("yard"), *told])
    # By hand: 0 +- 0.3 against 1 +- 0.2 from site to site: 0.09 of 0.13 of the way, and 0.3 sqrt(0.04 / 0.13) open.
    assert first.harvest.kept == pytest.approx(0.692, abs=1e-3)
    assert first.harvest.kept_sd == pytest.approx(0.166, abs=1e-3)
    assert [other.harvest for other in others] == [each.harvest for each in told]


@pytest.mark.parametrize(
    "others",
    [
        pytest.param([one("kiln-row", 1.0, 0.05) for _ in range(2)], id="two nodes"),
        pytest.param([one("yard", 1.0, 0.05) for _ in range(4)], id="of this site"),
        pytest.param([one("kiln-row", 0.2, 0.28) for _ in range(4)], id="not told there either"),
    ],
)
def test_too_little_told_is_not_lent(others: list[NodeOutlook]) -> None:
    first, *_ = lent_closures([one("yard"), *others])
    assert (first.harvest.kept, first.harvest.kept_sd) == (0.0, 0.3)


def test_wakes_of_closed_days_are_lent_too_and_own_closures_outweigh_them() -> None:
    told = [one("kiln-row", wake_closed=closed, closed_days=5) for closed in (0.2, 0.4, np.inf)]
    here = [one("yard"), one("yard", wake_closed=0.9, closed_days=0), one("yard", wake_closed=0.7, closed_days=2)]
    found = [each.wake_closed for each in lent_closures([*here, *told])]
    assert found == pytest.approx([1.6 / 3, 1.6 / 3, 0.7, 0.2, 0.4, np.inf])
