"""Facts of a node in which nothing is found, to be changed by what a test is about."""

import zlib
from datetime import date, timedelta

import numpy as np
from analysis_parts import conveyor_budget

from analysis.facts import NodeFacts, Rise
from analysis.health import Health

DAYS = 180
FIRST = date(2026, 1, 1)
NAN = float("nan")
SOUND = Health(1.0, 0.03, 1.0, 0.02, 1.0, 0.3, NAN, NAN, "sound")


def node(name="mf-01", **changes) -> NodeFacts:
    """A node of this name, whose days scatter alike in every test."""
    rng = np.random.default_rng([11, zlib.crc32(name.encode())])
    harvest = 70e-6 * (1 + rng.normal(0, 0.15, DAYS))
    facts = NodeFacts(
        name, "mill-floor", conveyor_budget(), FIRST, harvest, np.zeros(DAYS, bool), np.zeros(DAYS),
        48 + rng.normal(0, 1, DAYS),
        Rise(1.0, 0.1, None), Rise(1.0, 0.3, None), *[Rise(1.0, 0.05, None)] * 2, Rise(NAN, NAN, None),
        SOUND, FIRST, 0.0, 0.8, 8.0, 27e-6,
        FIRST + timedelta(days=DAYS - 1), 0.0, 0.0, 0.1, 0.4, 0.0, 0.1, FIRST + timedelta(days=40),
    )  # fmt: skip
    return facts._replace(**changes)


def fall(harvest, day, factor):
    return harvest * np.where(np.arange(DAYS) < day, 1.0, factor)


def names(found):
    return {finding.finding for finding in found}
