"""What the pages read out of the evidence is what the findings write into it."""

from dataclasses import asdict
from datetime import date

import numpy as np
import pytest

from analysis.facts import NodeFacts, Rise
from analysis.findings import find
from analysis.health import Health
from dashboard import queries
from dashboard.wording import FINDINGS, ties
from ingest.budget import parse_budget
from tests.conftest import CONVEYOR
from tests.dashboard.conftest import AS_OF, table_rows

FIRST, DAYS = date(2025, 9, 1), 180
SOUND = Health(1.0, 0.02, 1.0, 0.02, 1.0, 0.3, 0.0, 0.02, "sound")
RISEN = Rise(9.0, 0.5, None)
LEAK = {"leakage": RISEN, "leak_odds": 19.0}
FADED = SOUND._replace(capacity_ratio=0.6, capacity_sd=0.01, leakage_ratio=9.0, leakage_sd=0.5)


def node(name="mf-01", **changes):
    """A node of which nothing is to be found, but for the changes."""
    facts = NodeFacts(
        name, "mill-floor", parse_budget(CONVEYOR, "conveyor.toml"), FIRST, np.full(DAYS, 70e-6), np.zeros(DAYS, bool),
        np.zeros(DAYS), np.full(DAYS, 48.0), Rise(1.0, 0.1, None), Rise(1.0, 0.3, None), *[Rise(1.0, 0.05, None)] * 2,
        Rise(np.nan, np.nan, None), SOUND, FIRST, 0.0, 0.8, 8.0, 27e-6, date(2026, 2, 27),
        0.0, 0.0, 0.1, 0.4, 0.0, 0.1, FIRST,
    )  # fmt: skip
    return facts._replace(**changes)


@pytest.mark.parametrize(
    ("facts", "finding", "others"),
    [
        pytest.param({"sleep": RISEN}, "drain-over", {"leakage-rise"}, id="sleep or leakage"),
        pytest.param({"leakage": RISEN}, "leakage-rise", {"drain-over"}, id="leakage or sleep"),
        pytest.param(LEAK | {"fade_tie": -0.95}, "leakage-rise", {"capacity-fade"}, id="leakage or fade"),
        pytest.param({"health": FADED, "fade_tie": -0.95}, "capacity-fade", {"leakage-rise"}, id="fade or leakage"),
        pytest.param({"sleep": RISEN, "leak_odds": -9.0}, "drain-over", set(), id="told apart"),
    ],
)
def test_ties_are_read_as_the_findings_write_them(facts, finding, others):
    (found,) = [row for row in find([node(**facts)]) if row.finding == finding]
    assert set(ties(found.evidence)) == others
    assert {finding, *others} <= FINDINGS.keys()


def test_the_site_of_a_common_cause_is_read_as_the_findings_write_it(mill):
    silent = {"silent_for_s": 2e5, "usable_share": 0.001}
    rows = [asdict(row) for row in find([node(f"mf-{i:02d}", **silent) for i in range(6)])]
    assert [row["finding"] for row in rows] == ["site-wide"]
    table_rows(mill, "findings", [rows[0] | {"as_of": AS_OF}])
    with mill.cursor() as cursor:
        assert [row["site"] for row in queries.site_findings(cursor)] == ["mill-floor"]
