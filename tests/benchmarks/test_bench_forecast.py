"""The benchmark in a small size, so that it cannot rot; its speed is printed by `make bench`, and no test holds it."""

import bench_forecast
import pytest


@pytest.fixture(scope="module")
def comparison() -> bench_forecast.Comparison:
    return bench_forecast.compare(nodes=24)


def test_the_speed_is_a_ratio_of_two_runs(comparison: bench_forecast.Comparison) -> None:
    assert 1 < comparison.speed_ratio < float("inf")


def test_forecast_is_no_worse_than_a_structural_model(comparison: bench_forecast.Comparison) -> None:
    assert comparison.crps_ours <= comparison.crps_structural


def test_memory_stays_in_bounds() -> None:
    small = bench_forecast.time_fleet(300, paths=100)
    assert small.peak_gib < 2.0
