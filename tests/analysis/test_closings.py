from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from analysis.closings import as_meant, reopens
from analysis.run_days import NumberedFleet, update_days
from analysis.run_past import forecast_at, read_history
from analysis.site_days import Closure
from fixtures.demo import load_history
from fixtures.simulate import simulate
from ingest.fleet import Closure as Planned
from ingest.fleet import Fleet, Node, Site
from ingest.store import Store
from tests.analysis.analysis_parts import conveyor_budget
from tests.conftest import CONVEYOR

DAY = np.timedelta64(1, "D")
FIRST = np.datetime64("2026-01-05")  # a Monday
STOP = Closure(FIRST + 42 * DAY, FIRST + 46 * DAY, 0.1)  # Monday to Thursday, with its last day
START, MOMENT = datetime(2026, 1, 5, tzinfo=UTC), datetime(2026, 3, 5, 12, tzinfo=UTC)


def told(shut_days, *, nodes=6, stop=STOP, left=0.1, seed=1, today=FIRST + 90 * DAY):
    """What is told by nodes that work from Monday to Saturday and were shut for so many days of the stop."""
    rng = np.random.default_rng(seed)
    day = FIRST + np.arange(90) * DAY
    rate = np.where(np.arange(90) % 7 == 6, -0.05, 1.0) * rng.lognormal(0, 0.3, (nodes, 90))
    inside = (day >= stop.start) & (day < stop.start + shut_days * DAY)
    rate[:, inside] *= left
    days, node = np.tile(day, nodes), np.arange(nodes).repeat(90)
    return reopens(days, rate.ravel(), node, [stop], today)


def test_a_last_day_of_work_is_told_from_one_that_was_shut():
    assert told(3) > 3.5
    assert told(4) < -3.5


@pytest.mark.parametrize("seed", range(20))
def test_even_one_node_is_seldom_misled(seed):
    assert told(3, nodes=1, seed=seed) > 0
    assert told(4, nodes=1, seed=seed) < 0


def test_a_day_on_which_nobody_works_tells_nothing():
    stop = Closure(FIRST + 44 * DAY, FIRST + 49 * DAY, 0.1)  # to the Sunday
    assert told(5, stop=stop) == 0


def test_a_plant_that_has_just_begun_tells_nothing():
    day = STOP.start + np.arange(-3, 5) * DAY  # no weekday has been seen twice
    assert reopens(day, np.ones(8), np.zeros(8, dtype=int), [STOP], FIRST + 90 * DAY) == 0


def test_a_stop_that_was_not_held_tells_nothing():
    assert told(4, left=1.0) == 0


def test_what_is_not_over_tells_nothing():
    assert told(3, today=FIRST + 45 * DAY) == 0


def test_closures_with_an_hour_stay_as_they_are():
    hour = Closure(STOP.start, STOP.end - np.timedelta64(6, "h"), 0.1)
    assert told(3, stop=hour) == 0
    assert as_meant([hour, STOP], 8.0) == [hour, Closure(STOP.start, STOP.end - DAY, 0.1)]


def test_ends_are_included_until_more_speaks_for_the_other():
    single = Closure(FIRST, FIRST + DAY, 0.0)
    assert as_meant([STOP, single], 2.0) == [STOP, single]
    assert as_meant([STOP, single], 4.0) == [Closure(STOP.start, STOP.end - DAY, 0.1), single]


@pytest.mark.parametrize("later", [0, 1])
def test_the_forecast_reads_the_closures_to_come_as_those_behind(later):
    """Sisters on one conveyor, of whose closures the store is told an end that is included, or the day after."""
    budget = conveyor_budget()
    site = Site(site="floor", name="Mill floor", latitude=54.6, longitude=-1.6, timezone="Europe/London")
    nodes = {
        f"mm-c{i}": Node(node_id=f"mm-c{i}", site="floor", budget=budget.name, commissioned=START) for i in range(4)
    }
    stops = tuple(
        Planned(
            site="floor", start=START + timedelta(days=day), end=START + timedelta(days=day + 4), harvest_factor=0.05
        )
        for day in (28, 63)
    )
    fleet = Fleet(
        sites={"floor": site},
        nodes=nodes,
        budgets={budget.name: budget},
        budget_texts={budget.name: CONVEYOR},
        closures=stops,
    )
    simulated = simulate(fleet, START, 60, 3)
    written = tuple(stop.model_copy(update={"end": stop.end + timedelta(days=later)}) for stop in stops)
    with Store.open(":memory:") as book:
        book.save_fleet(fleet.model_copy(update={"closures": written}))
        load_history(book, simulated, float("inf"), lambda *_: None)
        known = NumberedFleet.of(book)
        update_days(book, known, MOMENT, lambda *_: None)
        _, found, _ = forecast_at(book, read_history(book, known), MOMENT, 14, 10)
    for node in found:
        # Four days of work; as the forecast's days begin at noon, two of them in part, which weigh by their harvest.
        assert 3.7 < (1 - node.harvest.closure).sum() < 4.7
