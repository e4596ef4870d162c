"""How past forecasts came out on fleets of two kinds, beside the plain forecasts that any analyst would write.

In one, nodes go dark slowly (`slow_causes`: a physics of its own); in the other half of them meet a sudden fault, and
half of the sites a stop that nobody announced (`fixtures.scatter`). Size by JOULEBOOK_BENCH_NODES (default 100) and
JOULEBOOK_BENCH_DAYS (default 400).
"""

import os
from datetime import UTC, datetime

import pytest

from analysis.backtest import METHODS
from analysis.run_backtest import run_backtest
from fixtures.demo import load_history
from fixtures.scatter import scattered_fleet
from fixtures.simulate import simulate
from ingest.bulk import import_file
from ingest.fleet import read_fleet
from ingest.store import Store
from tests.benchmarks import slow_causes

NODES = int(os.environ.get("JOULEBOOK_BENCH_NODES", "100"))
DAYS = int(os.environ.get("JOULEBOOK_BENCH_DAYS", "400"))
SEEDS = (1, 2)
START = datetime(2025, 10, 1, tzinfo=UTC)
EVERY = 10  # days; no multiple of 7


def slow(book, folder, seed):
    slow_causes.write(folder, NODES, DAYS, seed)
    book.save_fleet(read_fleet(folder))
    import_file(book, folder / "reports.parquet")


def sudden(book, _folder, seed):
    made = scattered_fleet(NODES, seed, START, DAYS)
    book.save_fleet(made.fleet)
    load_history(
        book, simulate(made.fleet, START, DAYS, seed, made.faults, made.firmware), float("inf"), lambda *_: None
    )


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("kind", [slow, sudden])
def test_how_past_forecasts_came_out(kind, seed, tmp_path, capsys):
    with Store.open(tmp_path / "s.duckdb") as book:
        kind(book, tmp_path / "fleet", seed)
        done = run_backtest(book, datetime.now(UTC), EVERY)
    found = {(row.score, row.horizon_days, row.method): row for row in done.scores}
    with capsys.disabled():
        print(f"\n{kind.__name__} causes, seed {seed}: {done.forecasts} forecasts of {NODES} nodes, {DAYS} days")
        for method in METHODS:
            skill = ", ".join(f"{found['skill', h, method].value:.0%} ({h} d)" for h in (7, 30, 90))
            told = [found["recall", d, method] for d in (1, 7) if ("recall", d, method) in found]
            recall = ", ".join(f"{row.value:.0%} of {row.n} ({row.horizon_days:g} d ahead)" for row in told)
            false = found["false_warnings", 30, method].value
            print(f"  {method:10s} better Brier {skill}; warned {recall}; false {false:.3f} a node-year")
        for h in (7, 30):
            held = "/".join(f"{found[f'coverage_{q}', h, 'all'].value:.1%}" for q in (80, 90))
            print(f"  energy {h} d ahead inside its 80/90 % interval: {held}")
    assert found["brier", 30, "forecast"].value < found["brier", 30, "weekday"].value
