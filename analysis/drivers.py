"""What drives a node to depletion, found by asking what would save it."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.depletion import HORIZON_DAYS, VISIT_RISK, FleetForecast, forecast
from analysis.kernel import HOURS
from analysis.outlook import NodeOutlook
from ingest.budget import SECONDS_PER_DAY

DAYS = 90
AT_RISK = 0.05  # probability of going dark in 90 days below which what comes then is not explained
PATHS = 100
SAVES = 0.3  # share of the risk that a cause must take away to be named,
MORE, MORE_SHARE = 0.02, 0.1  # and by how much more than one before it in CAUSES, and by what share of the risk
# A cause is asked about only where there is as much of it (our own judgement):
OPEN = 0.999  # of a day's harvest is left at most, by a planned stop
SWING = 0.2  # from the worst weekday to the best, of a usual day's harvest
SEASON_LEAVES = 0.9  # of today's harvest at most
SHORT = 0.9  # of the budget's harvest at most
FADE = 0.05  # of capacity lost a year
UNKNOWN = 0.15  # relative sd of the harvest
WAKES_OVER, DRAIN_OVER = 1.1, 1.2  # times the budget's wakes, and its sleep and leakage


@dataclass(frozen=True)
class Cause:
    """A way in which a node could have been better off: the node without it, or None where it does not apply."""

    without: Callable[[NodeOutlook, int], NodeOutlook | None]  # over so many days ahead
    sentence: Callable[[NodeOutlook, int], str]


def drivers(nodes: Sequence[NodeOutlook], found: FleetForecast, seed: int = 0) -> list[str]:
    """A sentence for each node that may go dark within 90 days, or has to be visited within a year; empty for the rest.

    Each cause is taken away in turn and the node forecast again, in the same weather without each of them; the one
    whose absence saves most is named, if it saves at least SAVES of the risk. Otherwise the plain balance is told.
    """
    soon, late = found.p_dark(DAYS), found.p_dark(HORIZON_DAYS)
    span = np.where(soon >= AT_RISK, DAYS, HORIZON_DAYS)
    risk = np.where(soon >= AT_RISK, soon, late)
    chosen = [i for i in np.flatnonzero((soon >= AT_RISK) | (late >= VISIT_RISK)).tolist() if not nodes[i].dark]
    best: dict[int, tuple[float, str]] = {}
    for cause in CAUSES:
        better = {i: without for i in chosen if (without := cause.without(nodes[i], span[i])) is not None}
        if not better:
            continue
        again = forecast(list(better.values()), paths=PATHS, seed=seed)
        left = np.where(span[list(better)] == DAYS, again.p_dark(DAYS), again.p_dark(HORIZON_DAYS))
        for i, p in zip(better, left, strict=True):
            saved = float(risk[i] - p)
            if saved >= SAVES * risk[i] and saved > best.get(i, (0.0, ""))[0] + max(MORE, MORE_SHARE * risk[i]):
                best[i] = saved, cause.sentence(nodes[i], span[i])
    return [best.get(i, (0.0, _balance(nodes[i], span[i])))[1] if i in chosen else "" for i in range(len(nodes))]


def _balance(node: NodeOutlook, days: int) -> str:
    if node.harvest.mean <= 0:
        return f"no harvest: what is stored lasts about {node.autonomy():.0f} days"
    earned = float(node.harvest.expected[:days].mean()) / SECONDS_PER_DAY
    spent = earned - node.balance(days)
    spends = f"spends {spent * 1e6:.0f} uW with leakage against {earned * 1e6:.0f} uW of harvest"
    if earned <= spent:
        return spends
    return f"no single cause stands out: {spends}, and poor days may outlast the {_lasts(node, days):.1f}-day autonomy"


def _without_stops(node: NodeOutlook, days: int) -> NodeOutlook | None:
    if (node.harvest.closure[:days] > OPEN).all():
        return None
    return replace(node, harvest=replace(node.harvest, closure=np.ones_like(node.harvest.closure)))


def _stops(node: NodeOutlook, days: int) -> str:
    lost = float((1 - node.harvest.closure[:days]).sum())
    return f"planned stops cost {lost:.1f} days of harvest; without any the node lasts {_lasts(node, days):.1f} days"


def _lasts(node: NodeOutlook, days: int) -> float:
    """What stands against a time without harvest: what is stored now, or what can be by a later day. [d]"""
    return node.autonomy() if days == DAYS else node.full_autonomy()


def _without_weekends(node: NodeOutlook, _: int) -> NodeOutlook | None:
    week = node.harvest.week
    if week.max() - week.min() < SWING:
        return None
    return replace(node, harvest=replace(node.harvest, week=np.full_like(week, week[:7].mean())))


def _weekends(node: NodeOutlook, days: int) -> str:
    return f"the week's idle days outlast the {_lasts(node, days):.1f}-day autonomy"


def _without_holidays(node: NodeOutlook, days: int) -> NodeOutlook | None:
    week = node.harvest.week
    usual = np.resize([np.median(week[day::7]) for day in range(7)], len(week))
    if np.abs(week - usual)[:days].max() < SWING:
        return None
    return replace(node, harvest=replace(node.harvest, week=usual))


def _holidays(node: NodeOutlook, _: int) -> str:
    lasts = node.full_autonomy()
    return f"public holidays, taken for Sundays, outlast the {lasts:.1f} days from full; closures.csv can say otherwise"


def _without_nights(node: NodeOutlook, _: int) -> NodeOutlook | None:
    if node.full_autonomy() >= 1:
        return None
    harvest = node.harvest
    even, week = np.linspace(0.0, 1.0, HOURS + 1), np.full_like(harvest.week, harvest.week[:7].mean())
    shapes = np.tile(even, (len(harvest.shapes), 1))
    return replace(node, harvest=replace(harvest, shapes=shapes, single=0, week=week))


def _nights(node: NodeOutlook, _: int) -> str:
    return f"the hours without harvest outlast the {node.full_autonomy() * 24:.0f} h that it lasts from full"


def _without_this_stop(node: NodeOutlook, _: int) -> NodeOutlook | None:
    return replace(node, harvest=replace(node.harvest, stop_days=0.0)) if node.harvest.stop_days > 0 else None


def _this_stop(node: NodeOutlook, _: int) -> str:
    harvest, lasts = node.harvest, node.autonomy()
    since = f"for {harvest.stop_days:.0f} days harvest has been at {harvest.stop_factor:.0%} of what is usual"
    return f"{since}; what is stored lasts {lasts:.1f} days"


def _without_doubt(node: NodeOutlook, _: int) -> NodeOutlook | None:
    if _harvest_doubt(node) < UNKNOWN:
        return None
    return replace(node, harvest=replace(node.harvest, mean_sd=0.0, level_sd=0.0, level_tilt=0.0))


def _doubt(node: NodeOutlook, _: int) -> str:
    return f"too little was seen yet: the harvest is known within {_harvest_doubt(node):.0%}, one standard deviation"


def _harvest_doubt(node: NodeOutlook) -> float:
    return float(np.hypot(node.harvest.mean_sd + node.harvest.level_tilt, node.harvest.level_sd))


def _without_any_hour(node: NodeOutlook, _: int) -> NodeOutlook | None:
    return replace(node, harvest=replace(node.harvest, single=0)) if node.harvest.single else None


def _any_hour(node: NodeOutlook, _: int) -> str:
    hours = node.full_autonomy() * 24
    return f"its source stops at any hour, at times for longer than the {hours:.0f} h that the node lasts from full"


def _without_season(node: NodeOutlook, days: int) -> NodeOutlook | None:
    season = node.harvest.season
    now = season[:7].mean()
    if season[:days].min() > SEASON_LEAVES * now:
        return None
    return replace(node, harvest=replace(node.harvest, season=np.full_like(season, now)))


def _season(node: NodeOutlook, days: int) -> str:
    season = node.harvest.season[:days]
    return f"the season takes the light down to {season.min() / season[:7].mean():.0%} of today's"


def _without_fade(node: NodeOutlook, _: int) -> NodeOutlook | None:
    return replace(node, fade_per_year=0.0, fade_sd=0.0) if node.fade_per_year > FADE else None


def _fade(node: NodeOutlook, _: int) -> str:
    return f"the capacity fades by {node.fade_per_year:.0%} a year"


def _without_wakes(node: NodeOutlook, _: int) -> NodeOutlook | None:
    designed = node.budget.load.wakes_per_day
    return replace(node, wakes_per_day=designed) if node.wakes_per_day > WAKES_OVER * designed else None


def _wakes(node: NodeOutlook, _: int) -> str:
    designed = node.budget.load.wakes_per_day
    if designed <= 0:
        return f"wakes {node.wakes_per_day:.0f} times a day, where none was designed"
    return f"wakes {node.wakes_per_day / designed:.1f} times as often as designed"


def _without_drain(node: NodeOutlook, _: int) -> NodeOutlook | None:
    drains = node.drains[-1]
    if drains[1] + drains[2] <= DRAIN_OVER * _idle_budget(node):
        return None
    return replace(node, sleep_ratio=1.0, leakage_ratio=1.0)


def _idle_budget(node: NodeOutlook) -> float:
    return float(replace(node, sleep_ratio=1.0, leakage_ratio=1.0).drains[-1, 1:].sum())


def _drain(node: NodeOutlook, _: int) -> str:
    return f"sleep and leakage draw {node.drains[-1, 1:].sum() / _idle_budget(node):.1f} times the budget"


def _without_short_harvest(node: NodeOutlook, _: int) -> NodeOutlook | None:
    harvest, designed = node.harvest, node.budget.harvest.mean_power * SECONDS_PER_DAY
    if harvest.mean * (1 + harvest.level_now) >= SHORT * designed:
        return None
    return replace(node, harvest=replace(harvest, mean=designed, level_now=0.0))


def _short_harvest(node: NodeOutlook, _: int) -> str:
    share = node.harvest.mean * (1 + node.harvest.level_now) / SECONDS_PER_DAY / node.budget.harvest.mean_power
    seasons = "over the seasons, " if node.budget.harvest.outdoors else ""
    return f"{seasons}harvest is at {share:.0%} of the budget's"


CAUSES = (
    Cause(_without_stops, _stops),
    Cause(_without_this_stop, _this_stop),
    Cause(_without_short_harvest, _short_harvest),
    Cause(_without_wakes, _wakes),
    Cause(_without_drain, _drain),
    Cause(_without_season, _season),
    Cause(_without_fade, _fade),
    Cause(_without_holidays, _holidays),
    Cause(_without_weekends, _weekends),
    Cause(_without_any_hour, _any_hour),
    Cause(_without_nights, _nights),
    Cause(_without_doubt, _doubt),
)
