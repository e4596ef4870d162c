"""What drives a node to depletion, found by asking what would save it."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.depletion import FleetForecast, forecast
from analysis.outlook import NodeOutlook
from ingest.budget import SECONDS_PER_DAY

AT_RISK = 0.05  # probability of going dark in 90 days below which there is nothing to explain
DAYS = 90
PATHS = 100
SAVES = 0.3  # share of the risk that a cause must take away to be named,
MORE = 0.02  # and by how much more than another
# A cause is asked about only where there is as much of it (our own judgement):
OPEN = 0.999  # of a day's harvest is left at most, by a planned stop
SWING = 0.2  # from the worst weekday to the best, of a usual day's harvest
SEASON_LEAVES = 0.9  # of today's harvest at most
SHORT = 0.9  # of the budget's harvest at most
FADE = 0.05  # of capacity lost a year
WAKES_OVER, DRAIN_OVER = 1.1, 1.2  # times the budget's wakes, and its sleep and leakage


@dataclass(frozen=True)
class Cause:
    """A way in which a node could have been better off: the node without it, or None where it does not apply."""

    without: Callable[[NodeOutlook], NodeOutlook | None]
    sentence: Callable[[NodeOutlook], str]


def drivers(nodes: Sequence[NodeOutlook], found: FleetForecast, seed: int = 0) -> list[str]:
    """A sentence for each node that may go dark within 90 days, empty for the rest.

    Each cause is taken away in turn and the node forecast again, in the same weather without each of them; the one
    whose absence saves most is named, if it saves at least SAVES of the risk. Otherwise the plain balance is told.
    """
    risk = found.p_dark(DAYS)
    chosen = [i for i in range(len(nodes)) if risk[i] >= AT_RISK and not nodes[i].dark]
    best: dict[int, tuple[float, str]] = {}
    for cause in CAUSES:
        better = {i: without for i in chosen if (without := cause.without(nodes[i])) is not None}
        if not better:
            continue
        left = forecast(list(better.values()), paths=PATHS, seed=seed).p_dark(DAYS)
        for i, p in zip(better, left, strict=True):
            saved = float(risk[i] - p)
            if saved >= SAVES * risk[i] and saved > best.get(i, (0.0, ""))[0] + MORE:
                best[i] = saved, cause.sentence(nodes[i])
    return [best.get(i, (0.0, _balance(nodes[i])))[1] if i in chosen else "" for i in range(len(nodes))]


def _balance(node: NodeOutlook) -> str:
    if node.harvest.mean <= 0:
        return f"no harvest: what is stored lasts about {node.autonomy():.0f} days"
    earned = float(node.harvest.expected[:DAYS].mean()) / SECONDS_PER_DAY
    spent = earned - node.balance(DAYS)
    return f"spends {spent * 1e6:.0f} uW with leakage against {earned * 1e6:.0f} uW of harvest"


def _without_stops(node: NodeOutlook) -> NodeOutlook | None:
    if (node.harvest.closure[:DAYS] > OPEN).all():
        return None
    return replace(node, harvest=replace(node.harvest, closure=np.ones_like(node.harvest.closure)))


def _stops(node: NodeOutlook) -> str:
    days = float((1 - node.harvest.closure[:DAYS]).sum())
    return f"planned stops cost {days:.1f} days of harvest; without any the node lasts {node.autonomy():.1f} days"


def _without_weekends(node: NodeOutlook) -> NodeOutlook | None:
    week = node.harvest.week
    if week.max() - week.min() < SWING:
        return None
    return replace(node, harvest=replace(node.harvest, week=np.full_like(week, week[:7].mean())))


def _weekends(node: NodeOutlook) -> str:
    return f"the week's idle days outlast the {node.autonomy():.1f}-day autonomy"


def _without_any_hour(node: NodeOutlook) -> NodeOutlook | None:
    return replace(node, harvest=replace(node.harvest, single=0)) if node.harvest.single else None


def _any_hour(node: NodeOutlook) -> str:
    hours = node.full_autonomy() * 24
    return f"its source stops at any hour, at times for longer than the {hours:.0f} h that the node lasts from full"


def _without_season(node: NodeOutlook) -> NodeOutlook | None:
    season = node.harvest.season
    now = season[:7].mean()
    if season[:DAYS].min() > SEASON_LEAVES * now:
        return None
    return replace(node, harvest=replace(node.harvest, season=np.full_like(season, now)))


def _season(node: NodeOutlook) -> str:
    season = node.harvest.season[:DAYS]
    return f"the season takes the light down to {season.min() / season[:7].mean():.0%} of today's"


def _without_fade(node: NodeOutlook) -> NodeOutlook | None:
    return replace(node, fade_per_year=0.0, fade_sd=0.0) if node.fade_per_year > FADE else None


def _fade(node: NodeOutlook) -> str:
    return f"the capacity fades by {node.fade_per_year:.0%} a year"


def _without_wakes(node: NodeOutlook) -> NodeOutlook | None:
    designed = node.budget.load.wakes_per_day
    return replace(node, wakes_per_day=designed) if node.wakes_per_day > WAKES_OVER * designed else None


def _wakes(node: NodeOutlook) -> str:
    return f"wakes {node.wakes_per_day / node.budget.load.wakes_per_day:.1f} times as often as designed"


def _without_drain(node: NodeOutlook) -> NodeOutlook | None:
    drains = node.drains[-1]
    if drains[1] + drains[2] <= DRAIN_OVER * _idle_budget(node):
        return None
    return replace(node, sleep_ratio=1.0, leakage_ratio=1.0)


def _idle_budget(node: NodeOutlook) -> float:
    return float(replace(node, sleep_ratio=1.0, leakage_ratio=1.0).drains[-1, 1:].sum())


def _drain(node: NodeOutlook) -> str:
    return f"sleep and leakage draw {node.drains[-1, 1:].sum() / _idle_budget(node):.1f} times the budget"


def _without_short_harvest(node: NodeOutlook) -> NodeOutlook | None:
    harvest, designed = node.harvest, node.budget.harvest.mean_power * SECONDS_PER_DAY
    if harvest.mean * (1 + harvest.level_now) >= SHORT * designed:
        return None
    return replace(node, harvest=replace(harvest, mean=designed, level_now=0.0))


def _short_harvest(node: NodeOutlook) -> str:
    share = node.harvest.mean * (1 + node.harvest.level_now) / SECONDS_PER_DAY / node.budget.harvest.mean_power
    seasons = "over the seasons, " if node.budget.harvest.outdoors else ""
    return f"{seasons}harvest is at {share:.0%} of the budget's"


CAUSES = (
    Cause(_without_stops, _stops),
    Cause(_without_short_harvest, _short_harvest),
    Cause(_without_wakes, _wakes),
    Cause(_without_drain, _drain),
    Cause(_without_season, _season),
    Cause(_without_fade, _fade),
    Cause(_without_weekends, _weekends),
    Cause(_without_any_hour, _any_hour),
)
