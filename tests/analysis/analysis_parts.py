"""Parts that several analysis tests build on."""

from ingest.budget import Budget, parse_budget
from tests.conftest import CONVEYOR


def conveyor_budget() -> Budget:
    return parse_budget(CONVEYOR, "conveyor.toml")
