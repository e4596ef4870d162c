"""What drives each forecast, in a sentence: the cause whose removal would keep the node running longest."""

from collections.abc import Sequence

import numpy as np

from analysis.depletion import FleetForecast
from analysis.outlook import DRAIN_POINTS, NodeOutlook
from analysis.series import Floats

WORTH = 1.5  # a cause is named if without it the mean course lasts this much longer
STEPS = 4  # a day


def drivers(nodes: Sequence[NodeOutlook], found: FleetForecast) -> list[str]:
    """One sentence for each node.

    Notes
    -----
    The mean course of the store is run with all that is expected, and again with even weekdays, without closures, and
    without season. Chance is left out here: it is in the forecast's quantiles.
    """
    if not nodes:
        return []
    lasts = {
        "all": _lasting(nodes, week=True, closure=True, season=True),
        "week": _lasting(nodes, week=False, closure=True, season=True),
        "closure": _lasting(nodes, week=True, closure=False, season=True),
        "season": _lasting(nodes, week=True, closure=True, season=False),
    }
    return [_sentence(node, found, i, {k: float(v[i]) for k, v in lasts.items()}) for i, node in enumerate(nodes)]


def _lasting(nodes: Sequence[NodeOutlook], *, week: bool, closure: bool, season: bool) -> Floats:
    """Days until the mean course of each node reaches its cut-off; infinite past the horizon."""
    harvest = np.stack([_expected(node, week=week, closure=closure, season=season) for node in nodes])
    drains = np.stack([node.drains().sum(axis=1) for node in nodes])
    ratio = np.array([node.capacity_ratio for node in nodes])
    full, cutoff = (np.array([getattr(node.curve, name) for node in nodes]) for name in ("full_j", "cutoff_j"))
    stored = np.array([float(np.asarray(node.curve.energy(node.voltage))) for node in nodes])
    lasts = np.where(stored <= cutoff, 0.0, np.inf)
    row = np.arange(len(nodes))
    for step in range(harvest.shape[1] * STEPS):
        place = np.clip(stored / full, 0.0, 1.0) * (DRAIN_POINTS - 1)
        low = np.minimum(place.astype(int), DRAIN_POINTS - 2)
        drain = drains[row, low] + (drains[row, low + 1] - drains[row, low]) * (place - low)
        stored = np.minimum(stored + (harvest[:, step // STEPS] - drain) / ratio / STEPS, full)
        crossed = (stored <= cutoff) & np.isinf(lasts)
        lasts[crossed] = (step + 1) / STEPS
        stored = np.maximum(stored, 0.0)
    return lasts


def _expected(node: NodeOutlook, *, week: bool, closure: bool, season: bool) -> Floats:
    ahead = node.harvest
    level = ahead.expected / np.maximum(ahead.mean * ahead.season * ahead.week * ahead.closure, 1e-300)
    weekly = ahead.week if week else np.full_like(ahead.week, ahead.week[:7].mean())
    level = np.where(ahead.season * ahead.week * ahead.closure > 0, level, 1 + ahead.level_now)
    yearly = ahead.season if season else np.full_like(ahead.season, ahead.season.mean())
    return np.asarray(ahead.mean * yearly * weekly * (ahead.closure if closure else 1.0) * level)


def _sentence(node: NodeOutlook, found: FleetForecast, i: int, lasts: dict[str, float]) -> str:
    if node.dark:
        back = float(found.back_p50[i])
        if np.isfinite(back):
            return f"dark; as likely as not it runs again by itself within {_days(back)}"
        return "dark; it does not come back by itself within the horizon"
    balance = node.balance() * 1e6
    autonomy = f"{float(found.autonomy_days[i]):.1f}-day autonomy"
    if not np.isfinite(found.days_p10[i]):
        return f"no depletion in sight; balance {balance:+.1f} uW over the coming week"
    causes = {
        name: lasts[name] for name in ("closure", "week", "season") if lasts[name] > WORTH * max(lasts["all"], 1.0)
    }
    if np.isinf(lasts["all"]):
        return f"on the mean course it lasts; bad stretches may outlast its {autonomy}"
    if not causes:
        return f"spends more than it earns ({balance:+.1f} uW over the coming week); in hand: {autonomy}"
    name = max(causes, key=lambda cause: causes[cause])
    when = _days(lasts["all"])
    return {
        "closure": f"a planned closure outlasts the {autonomy}, in {when}",
        "week": f"the weekly stops outlast the {autonomy}, in {when}",
        "season": f"the season's low harvest outlasts what is stored ({autonomy}), in {when}",
    }[name]


def _days(days: float) -> str:
    return f"{days:.1f} d" if days < 10 else f"{days:.0f} d"
