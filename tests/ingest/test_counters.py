import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.counters import BOOT_MISSING, unwrap_wakes, wake_step

HOUR = 3600.0
DAY = 86400.0


@pytest.mark.parametrize(
    ("before", "after", "boots", "bits", "seconds", "wakes_per_day", "expected"),
    [
        # by hand; expected wakes are seconds * wakes_per_day / 86400
        pytest.param(100, 102, (3, 3), 16, HOUR, 48, (2, False), id="counts on"),
        pytest.param(100, 100, (3, 3), 16, HOUR, 48, (0, False), id="no wake"),
        pytest.param(100, 5000, (3, 3), 16, HOUR, 48, (4900, False), id="a rise is taken as it is"),
        pytest.param(250, 4, (3, 3), 8, HOUR, 48, (10, False), id="8 bits roll over"),
        pytest.param(65_530, 4, (3, 3), 16, HOUR, 48, (10, False), id="16 bits roll over"),
        pytest.param(2**32 - 6, 4, (3, 3), 32, HOUR, 48, (10, False), id="32 bits roll over"),
        pytest.param(65_530, 4, (BOOT_MISSING,) * 2, 16, HOUR, 48, (10, False), id="rolls over without boot counter"),
        pytest.param(65_530, 4, (BOOT_MISSING, 3), 16, HOUR, 48, (10, False), id="rolls over, boot counter new"),
        pytest.param(65_486, 0, (3, 3), 16, HOUR, 48, (50, False), id="50 are plausible"),
        pytest.param(65_485, 0, (3, 3), 16, HOUR, 48, (0, True), id="51 are not where 2 are expected"),
        pytest.param(65_536 - 384, 0, (3, 3), 16, DAY, 48, (384, False), id="8 times the expected 48 are plausible"),
        pytest.param(65_536 - 385, 0, (3, 3), 16, DAY, 48, (0, True), id="more are not"),
        pytest.param(18_342, 7, (BOOT_MISSING,) * 2, 16, HOUR, 48, (7, True), id="restart by decrease"),
        pytest.param(200, 3, (BOOT_MISSING,) * 2, 8, HOUR, 48, (3, True), id="restart by decrease, 8 bits"),
        pytest.param(18_342, 7, (3, 4), 16, HOUR, 48, (7, True), id="restart by boot counter"),
        pytest.param(65_530, 4, (3, 4), 16, HOUR, 48, (4, True), id="boot counter overrules roll-over"),
        pytest.param(5, 90, (3, 5), 16, DAY, 48, (90, True), id="restart that passed the old count"),
        pytest.param(5, 90, (255, 0), 16, DAY, 48, (90, True), id="boot counter may roll over itself"),
        pytest.param(70_000, 4, (3, 3), 16, HOUR, 48, (4, True), id="counter wider than stated does not roll over"),
        # 8 bits, 30 days of 48 a day: 1440 expected, turns of 256
        pytest.param(10, 180, (3, 3), 8, 30 * DAY, 48, (170 + 5 * 256, False), id="five turns, 1450 nearest to 1440"),
        pytest.param(180, 10, (3, 3), 8, 30 * DAY, 48, (86 + 5 * 256, False), id="five turns, 1366 nearer than 1622"),
        pytest.param(10, 180, (3, 4), 8, 30 * DAY, 48, (180, True), id="turns after a restart are unknown"),
        pytest.param(700, 710, (3, 3), 8, 30 * DAY, 48, (10, False), id="counter wider than stated has no turns"),
        # 8 bits, 128 expected is half a turn: not more
        pytest.param(0, 0, (3, 3), 8, DAY, 128, (0, False), id="half a turn expected"),
        pytest.param(0, 10, (3, 3), 8, DAY, 150, (266, False), id="150 expected, 266 nearer than 10"),
        pytest.param(0, 10, (3, 3), 8, DAY, 200, (266, False), id="200 expected, 266 nearer than 10"),
        pytest.param(0, 10, (3, 3), 8, DAY, 130, (10, False), id="130 expected, 10 nearer than 266"),
        pytest.param(0, 250, (3, 3), 8, DAY, 130, (250, False), id="never below the difference"),
        pytest.param(250, 4, (3, 3), 8, HOUR, np.nan, (10, False), id="rate unknown"),
        pytest.param(200, 4, (3, 3), 8, HOUR, np.nan, (4, True), id="rate unknown, 60 not plausible"),
        pytest.param(250, 4, (3, 3), 8, -HOUR, 48, (10, False), id="time goes back"),
    ],
)
def test_step_between_two_reports(
    before: int,
    after: int,
    boots: tuple[int, int],
    bits: int,
    seconds: float,
    wakes_per_day: float,
    expected: tuple[int, bool],
) -> None:
    assert wake_step(before, after, *boots, bits, seconds, wakes_per_day) == expected


def test_nodes_one_after_the_other_do_not_mix() -> None:
    steps = unwrap_wakes(
        wakes=[65_530, 4, 6, 250, 4, 9, 1000],
        boot=[1, 1, 1, BOOT_MISSING, BOOT_MISSING, BOOT_MISSING, 7],
        bits=[16, 16, 16, 8, 8, 8, 32],
        seconds_between=[np.nan, HOUR, HOUR, np.nan, HOUR, HOUR, np.nan],
        wakes_per_day=[48, 48, 48, 24, 24, 24, 96],
    )
    assert steps.wakes.tolist() == [0, 10, 2, 0, 10, 5, 0]
    assert steps.restart.tolist() == [False] * 7
    assert (steps.wakes.dtype, steps.restart.dtype) == (np.int64, np.bool_)


@pytest.mark.parametrize("count", [0, 1])
def test_nothing_lies_before_the_first_report(count: int) -> None:
    steps = unwrap_wakes(np.arange(count), BOOT_MISSING, 16, np.full(count, HOUR), 48.0)
    assert steps.wakes.tolist() == [0] * count
    assert steps.restart.tolist() == [False] * count


def test_lengths_must_agree() -> None:
    with pytest.raises(ValueError, match="broadcast"):
        unwrap_wakes([1, 2, 3], [1, 1], 16, [np.nan, HOUR, HOUR], 48.0)


@settings(deadline=None)
@given(
    st.sampled_from([8, 16, 32]),
    st.integers(0, 2**32),
    st.lists(st.integers(0, 50), min_size=1, max_size=60),
    st.booleans(),
)
def test_true_steps_are_recovered_through_roll_over(bits: int, start: int, true: list[int], has_boot: bool) -> None:
    # recovered truth: a counter that never restarts, seen through its last bits; up to 50 wakes are always plausible
    counter = (start + np.cumsum([0, *true])) % 2**bits
    seconds = np.full(counter.size, HOUR)
    steps = unwrap_wakes(counter, 1 if has_boot else BOOT_MISSING, bits, seconds, 48.0)
    assert steps.wakes.tolist() == [0, *true]
    assert not steps.restart.any()


@settings(deadline=None)
@given(st.integers(0, 255), st.lists(st.tuples(st.integers(1, 60), st.floats(-100, 100)), min_size=1, max_size=40))
def test_true_turns_are_recovered_when_the_rate_is_near_the_design(start: int, gaps: list[tuple[int, float]]) -> None:
    # recovered truth: days between reports, true wakes within 100 < 256 / 2 of the design's 130 a day
    days = np.array([0, *(gap for gap, _ in gaps)], dtype=float)
    true = np.array([0, *(int(130 * gap + off) for gap, off in gaps)])
    counter = (start + np.cumsum(true)) % 256
    assert unwrap_wakes(counter, BOOT_MISSING, 8, days * DAY, 130.0).wakes.tolist() == true.tolist()


@settings(deadline=None)
@given(st.lists(st.integers(0, 2**15 - 1), min_size=1, max_size=40))
def test_agrees_with_numpy_unwrap(true: list[int]) -> None:
    # another implementation: numpy.unwrap takes every jump of more than half a period for a roll-over, so steps stay
    # below half a turn, and the design says that so many are plausible
    counter = np.cumsum([0, *true]) % 2**16
    steps = unwrap_wakes(counter, BOOT_MISSING, 16, np.full(counter.size, DAY), 2**14)
    assert np.cumsum(steps.wakes).tolist() == np.unwrap(counter, period=2**16).tolist()


@settings(deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 2**53), st.integers(-1, 5), st.floats(0, 1e8) | st.just(np.nan)),
        min_size=1,
        max_size=30,
    ),
    st.sampled_from([8, 16, 32]),
    st.floats(0, 1e5),
)
def test_no_step_is_negative_and_the_loop_is_the_scalar_rule(
    reports: list[tuple[int, int, float]], bits: int, wakes_per_day: float
) -> None:
    wakes, boot, seconds = (np.array(column) for column in zip(*reports, strict=True))
    steps = unwrap_wakes(wakes, boot, bits, seconds, wakes_per_day)
    assert (steps.wakes >= 0).all()
    for i in range(1, wakes.size):
        one = (0, False)
        if not np.isnan(seconds[i]):
            one = wake_step.py_func(  # the same rule, not compiled
                int(wakes[i - 1]), int(wakes[i]), int(boot[i - 1]), int(boot[i]), bits, float(seconds[i]), wakes_per_day
            )
        assert (steps.wakes[i], steps.restart[i]) == one
