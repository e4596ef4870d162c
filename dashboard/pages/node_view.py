"""What the node page says of a node: components from rows, no store and no clock."""

import json
import math
from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Any

from dash import dcc, html

from analysis import end_of_life
from analysis.depletion import HORIZON_DAYS, INTERVAL_RISK, VISIT_RISK
from analysis.health import RATE_DAYS
from analysis.ledger import full_margin
from analysis.storage import storage_curve
from dashboard import queries, rounds
from dashboard.pages.parts import fact, table, text_or_dash
from dashboard.wording import (
    LINES,
    NOTHING,
    Line,
    age,
    cause,
    chance,
    day,
    day_range,
    days,
    duration,
    finding,
    missing,
    moment,
    number,
    percent,
    plus_minus,
    sentence,
    share_plus_minus,
    span,
    verdict,
    volts,
)
from ingest.budget import DAYS_PER_YEAR, SECONDS_PER_DAY, Budget, Harvest

NOT_TOLD = "the telemetry does not tell"
NOT_OBSERVABLE = "not observable"  # of the capacity of a cell whose voltage hardly moves with its charge
NOT_YET = "Too little is known of its harvest yet"
FLAT_SD = 0.05  # of the charge by voltage: beyond it the curve is called flat
FAR_SD = 4.0  # standard deviations beyond which an estimate hardly can be what the budget says
ABOUT = 0.05  # intervals so near to each other are called alike
END_OF_LIFE_YEARS = end_of_life.HORIZON_DAYS // 365


def facts(
    now: Mapping[str, Any],
    alarms: Sequence[queries.Row],
    findings: Sequence[queries.Row],
    budget: Budget,
    capacity: float | None,
    clock: datetime,
    zone: str,
) -> list[html.Div]:
    """The facts at the top of the page, from a row of `queries.node_now` and what stands against the node.

    Energy is told at the estimated `capacity`, as the forecast below it is, or at the budget's before there is any.
    """
    silence = None if now["observed_at"] is None else (clock - now["observed_at"]).total_seconds()
    storage, full_v, volts_now = budget.storage, queries.full_voltage(now, budget.storage), now["storage_v"]
    curve = storage_curve(storage)
    share = None if volts_now is None else float(curve.share_left(volts_now, full_v))
    usable = None if volts_now is None else float(curve.usable(volts_now))
    full = float(curve.usable(full_v))
    own = (
        f" (budget {storage.full_voltage:g} V)" if abs(full_v - storage.full_voltage) >= full_margin(budget) / 2 else ""
    )
    heard = _heard(now, alarms, findings, share)
    capacity = None if volts_now is None else capacity
    return [
        fact("Last report", age(silence), f"{moment(now['observed_at'], zone)}{heard}", "alert" if heard else ""),
        fact(
            "Storage voltage",
            volts(volts_now),
            f"full {round(full_v, 3):g} V{own}, cut-off {storage.cutoff_voltage:g} V",
        ),
        fact(
            "Usable energy",
            percent(share),
            f"{number(_scaled(usable, capacity or 1.0), 'J')} of {number(full * (capacity or 1.0), 'J')} at the "
            f"{'estimated' if capacity else 'nominal'} capacity",
        ),
        *(_depletion(now, zone) if not is_dark(now) else _recovery(now)),
        *([fact("Season's low point", *_low_point(now, zone))] if budget.harvest.source != "none" else []),
        fact("Autonomy", span(now["autonomy_days"]), "with no harvest, at the present load"),
        fact(
            "Balance",
            number(_scaled(now["balance_w"], 1e6), "µW"),
            "net harvest less load, next 7 d, were it never full",
        ),
        fact("Boot count", text_or_dash(now["boot"]), f"wake count {text_or_dash(now['wakes'])}"),
    ]


def is_dark(now: Mapping[str, Any]) -> bool:
    """Whether the forecast starts from a dark node: one that runs has come back after no time at all."""
    return now["driver"] is not None and now["back_p10_days"] != 0.0


def visit_by(now: Mapping[str, Any], zone: str) -> str:
    """The day by which a visit is due at the stated risk."""
    if now["p_dark_30d"] is None:
        return "no forecast yet"
    if now["visit_by_days"] is None:
        return days(None)
    return f"{_ahead(now, now['visit_by_days'], zone):%Y-%m-%d}"


def _ahead(now: Mapping[str, Any], later: float, zone: str) -> datetime:
    at: datetime = (now["as_of"] + timedelta(days=later)).tz_convert(zone)
    return at


def _depletion(now: Mapping[str, Any], zone: str) -> list[html.Div]:
    """When a node that runs will go dark."""
    forecast = now["p_dark_30d"] is not None
    return [
        fact("Days to depletion", days(now["days_p50"], forecast=forecast), _spread(now), _urgency(now)),
        fact("Visit by", visit_by(now, zone), f"{chance(VISIT_RISK)} risk of being dark by then"),
        fact(
            "Chance of going dark",
            chance(now["p_dark_30d"]),
            f"in 30 d; {chance(now['p_dark_7d'])} in 7 d, {chance(now['p_dark_90d'])} in 90 d",
        ),
    ]


def _recovery(now: Mapping[str, Any]) -> list[html.Div]:
    """When a dark node will run again, and between when in four of five outcomes."""
    note = f"as likely as not; 80 % of outcomes: {day_range(now['back_p10_days'], now['back_p90_days'])}"
    return [
        fact("Visit by", "now", "the node is dark", "alert"),
        fact("Back by itself in", days(now["back_p50_days"]), note),
    ]


def _low_point(now: Mapping[str, Any], zone: str) -> tuple[str, str]:
    """The day with the least usable energy ahead."""
    if now["low_day"] is None:
        return NOTHING, ""
    at = f"{_ahead(now, now['low_day'], zone):%Y-%m-%d}"
    return at, f"{number(now['low_usable_j'], 'J')} usable, median of outcomes, in {span(now['low_day'])}"


def findings_list(findings: Sequence[queries.Row], common: Sequence[queries.Row], site: str) -> html.Ul | html.P:
    """The findings with probability, since when, and evidence; what stands for the whole site first."""
    whole = [(f"{finding('site-wide')} ({site})", row) for row in common]
    own = [(cause(row["finding"], row["evidence"]), row) for row in findings]
    if not whole + own:
        return html.P("None in the latest analysis.", className="quiet")
    return html.Ul(
        [
            html.Li(
                [
                    html.Strong(words),
                    f" · {chance(row['probability'])} probable · since {day(row['since'])}",
                    html.P(sentence(row["evidence"]), className="quiet"),
                ]
            )
            for words, row in whole + own
        ],
        className="findings",
    )


def for_a_visit(
    stop: rounds.Stop | None, now: Mapping[str, Any], findings: Sequence[queries.Row], budget: Budget
) -> list[html.P]:
    """What to take to a node: to its stop of the round, or for what is found at it while no visit is due."""
    if stop is not None:
        said, take = "For a visit: ", stop.take
    elif findings:
        said = (
            f"No visit is due within {queries.ROUND_DAYS} d at a risk of {chance(VISIT_RISK)}; for one all the same: "
        )
        take = rounds.what_to_take(
            findings, worn=False, dark=False, budget=budget, wake_interval=now["wake_interval_s"]
        )
    else:
        return []
    return [html.P([html.Strong(said), f"{'; '.join(take)}. ", dcc.Link("All visits", href="/visits")])]


def health_block(
    now: Mapping[str, Any],
    ends: Mapping[str, queries.Row],
    left: queries.Row | None,
    budget: Budget,
    since: date,
) -> list[Any]:
    """The storage's verdict, its three ratios to commissioning and its fade; when it reaches the budget's limits."""
    storage = budget.storage
    if now["verdict"] is None:
        return [html.P("Not judged yet.", className="quiet")]
    no_step = "no loaded voltage reported" if now["loaded_v"] is None else NOT_TOLD
    limits = {
        "capacity": (storage.end_of_life_capacity, now["capacity_ratio"]),
        "resistance": (storage.end_of_life_esr_ratio, now["esr_ratio"]),
    }
    when = {
        name: percent(limit) + (f": {reached(ends.get(name), now)}" if told is not None else "")
        for name, (limit, told) in limits.items()
    }
    said: list[list[str]] = [
        ["Capacity", _ratio(now, "capacity", NOT_OBSERVABLE if flat(left) else NOT_TOLD), when["capacity"]],
        ["Series resistance", _ratio(now, "esr", no_step), when["resistance"]],
        ["Leakage", _ratio(now, "leakage", NOT_TOLD), NOTHING],
        ["Capacity fade, mean since then", fade(now, since), NOTHING],
    ]
    rows = [[name, _wraps(value), _wraps(limit)] for name, value, limit in said]
    headers = ["Storage", f"Of {since:%Y-%m-%d}", "Limit: reached by"]
    alone = ""
    if now["capacity_ratio"] is None and now["verdict"] != "not-enough-data":
        told = [name for name, column in (("resistance", "esr_ratio"), ("leakage", "leakage_ratio")) if now[column]]
        alone = f", by its {' and '.join(told)} alone" if told else ""
    life = service_life(budget.targets.service_life, ends, since, now["as_of"].date())
    return [
        html.P(["Verdict: ", html.Strong(verdict(now["verdict"]), className=f"verdict {now['verdict']}"), alone]),
        table("Storage health", headers, rows),
        *life,
        *(not_promised(budget, "service_life") if life else []),
    ]


def not_promised(budget: Budget, target: str) -> list[html.P]:
    """That a target is the program's own, where the budget leaves it out; nothing where the design states it."""
    if target in budget.targets.model_fields_set:
        return []
    by_default = getattr(budget.targets, target) / SECONDS_PER_DAY
    length = span(by_default) if by_default < DAYS_PER_YEAR else f"{by_default / DAYS_PER_YEAR:g} years"
    said = f"The budget states no {target.replace('_', ' ')}: {length} is this program's default, not a promise."
    return [html.P(said, className="quiet")]


def service_life(promised_s: float, ends: Mapping[str, queries.Row], since: date, today: date) -> list[html.P]:
    """Whether a storage that wears will last as long as its budget says; nothing of one that shows no wear."""
    middle = [end["by_p50"] for end in ends.values() if end["by_p50"] is not None]
    if not ends or promised_s >= (date.max - since).total_seconds():
        return []
    until = since + timedelta(seconds=promised_s)
    lasts = "at this pace it lasts"
    if not middle and until > today + timedelta(days=end_of_life.HORIZON_DAYS):
        lasts += f" {END_OF_LIFE_YEARS} years more at least"  # further nobody looked
    if len(ends) == 1:  # of the other nothing stands out of its doubt, which may well be too much
        lasts += f" by its {' and '.join(ends)} alone"
    if middle and min(middle) < until:
        lasts = "more likely than not it falls short"
    return [html.P(f"Service life of the budget: to {until:%Y-%m-%d}; {lasts}.")]


def flat(left: queries.Row | None) -> bool:
    """Whether the voltage of a cell hardly moves with its charge, so that counting knows more."""
    return left is not None and left["by_voltage_sd"] > (left["by_counting_sd"] or FLAT_SD)


def _wraps(text: str) -> html.Div:
    """Text that may run over several lines of a cell."""
    return html.Div(text, className="wraps")


def reached(end: queries.Row | None, now: Mapping[str, Any]) -> str:
    """Between which days a storage reaches a limit, in 80 % of outcomes; or why that is not stated."""
    if end is None:
        return "wear too slight or unsure for a date"
    low, middle, high = (end[name] for name in ("by_p10", "by_p50", "by_p90"))
    if low is None:
        return f"past {END_OF_LIFE_YEARS} years"
    today = now["as_of"].date()
    if high is not None and high <= today:
        return "now"
    last = f"past {END_OF_LIFE_YEARS} years" if high is None else f"{high:%Y-%m-%d}"
    likely = "" if middle is None else f", as likely as not by {middle:%Y-%m-%d}"
    return f"{'now' if low <= today else f'{low:%Y-%m-%d}'} to {last}{likely}"


def _ratio(now: Mapping[str, Any], name: str, otherwise: str) -> str:
    """A ratio to the storage's beginning; one as doubtful as itself is not told."""
    value, sd = now[f"{name}_ratio"], now[f"{name}_sd"]
    return otherwise if value is None or sd >= value else share_plus_minus(value, sd)


def fade(now: Mapping[str, Any], since: date) -> str:
    """The share of capacity lost a year, or why none is stated."""
    if now["fade_per_year"] is not None:
        return f"{share_plus_minus(now['fade_per_year'], now['fade_sd'])} a year"
    earliest = since + timedelta(days=RATE_DAYS)
    if now["as_of"].date() < earliest:
        return f"not stated before {earliest:%Y-%m-%d}"
    return "not stated: capacity is not told" if now["capacity_ratio"] is None else "not stated: still too uncertain"


def remaining_block(now: Mapping[str, Any], left: queries.Row | None) -> list[Any]:
    """What is left in a cell by its voltage and by counting, and how far counting drifts; empty for a capacitor."""
    if left is None:
        return []
    rows: list[list[Any]] = [["By its voltage", share_plus_minus(left["by_voltage"], left["by_voltage_sd"])]]
    said = "Counting needs a day on which the cell was full; there has been none."
    if left["by_counting"] is not None:
        counted = max(float((now["as_of"].date() - left["counted_from"]).days), 0.0)
        rows.append(
            [
                _wraps(f"By counting what was spent since {left['counted_from']:%Y-%m-%d}"),
                share_plus_minus(left["by_counting"], left["by_counting_sd"]),
            ]
        )
        said = (
            f"Counting drifts: its doubt is {percent(left['by_counting_sd'])} after {span(counted)} and grows on,"
            " for the load is known no better."
        )
    if flat(left):
        said = f"The voltage hardly moves with the charge here: it shows neither what is left nor the capacity. {said}"
    return [table("Left in the cell", ["Left in the cell", "Of usable energy"], rows, numeric=(1,)), html.P(said)]


def wake_block(now: Mapping[str, Any], budget: Budget) -> list[Any]:
    """The wake interval as planned, as it is and as it could be, and what a firmware engineer would do about it."""
    planned, seen = _interval(budget.load.wakes_per_day), _interval(now["wakes_per_day"])
    shortest = None if now["wake_interval_s"] is None else float(math.ceil(now["wake_interval_s"]))
    rows = [
        ["Planned", NOTHING if planned is None else duration(planned)],
        [f"In the field, last {queries.LEDGER_WINDOW_DAYS} d", NOTHING if seen is None else duration(seen)],
        ["Shortest sustainable", NOTHING if shortest is None else duration(shortest)],
    ]
    return [
        table("Wake interval", ["Mean time from wake to wake", "Interval"], rows, numeric=(1,)),
        html.P(wake_advice(now, planned, shortest, charged=budget.harvest.source != "none")),
        *([] if now["saves_below"] is None else [html.P(_saves(now["saves_below"], now["saves_factor"]))]),
        *([] if planned is None or shortest is None else [_for_downlink(shortest)]),
    ]


def _times(ratio: float) -> str:
    return f"{ratio:.2g} times" if ratio < 100 else f"{ratio:.0f} times"


def _for_downlink(interval_s: float) -> html.P:
    """The message that would set a node's wake interval, a JSON object as its reports are."""
    return html.P(
        ["For a downlink to its firmware:", html.Br(), html.Code(json.dumps({"wake_interval_s": round(interval_s)}))]
    )


def _saves(below: float, factor: float) -> str:
    """What its firmware does while little is stored, in a sentence."""
    return (
        f"Its firmware saves: below {percent(below)} of usable energy the nodes of this budget wake {factor:.2g} times"
        " as often. The forecast reckons with it; the shortest interval is that with more in store."
    )


def _interval(per_day: float | None) -> float | None:
    return SECONDS_PER_DAY / per_day if per_day else None


def wake_advice(now: Mapping[str, Any], planned: float | None, shortest: float | None, *, charged: bool) -> str:
    """What the sustainable wake interval asks of the firmware, in one sentence; `charged` by a harvester."""
    if now["driver"] is None:
        return "No forecast yet."
    if planned is None:
        return "The budget plans no wakes."
    if shortest is None and is_dark(now):
        return "No interval can be stated while the node is dark."
    if shortest is None:
        return (
            f"No wake interval carries this node through {HORIZON_DAYS} d at {chance(INTERVAL_RISK)} risk: asleep alone"
            f" it would go dark as well. {'What drives its forecast says why' if now['driver'] else NOT_YET}."
        )
    if (seen := _interval(now["wakes_per_day"])) is not None and seen < shortest / (1 + ABOUT) and shortest <= planned:
        return (
            f"The plan would last, but the node wakes every {duration(seen)}: to hold the risk of going dark within"
            f" {HORIZON_DAYS} d to {chance(INTERVAL_RISK)}, no less than {duration(shortest)} will do."
        )
    if abs(shortest / planned - 1) < ABOUT:
        return "The plan is about the shortest interval that lasts."
    if shortest > planned and not charged:
        return f"Nothing charges this node: wakes {duration(shortest)} apart, it would last {HORIZON_DAYS} d."
    if shortest > planned:
        return (
            f"To hold the risk of going dark within {HORIZON_DAYS} d to {chance(INTERVAL_RISK)}, lengthen the interval"
            f" to at least {duration(shortest)}, {_times(shortest / planned)} the plan, or mend what drives it."
        )
    return f"The plan can stay. It could be shortened to {duration(shortest)}, but no further."


def line_table(
    estimates: Mapping[str, queries.Row], now: Mapping[str, Any], left: queries.Row | None, budget: Budget
) -> html.Div | html.P:
    """Every budget line: budget, field estimate, their ratio, and whether the telemetry can tell.

    Beside the net harvest, which is a lower bound where the node has been at full, what could be harvested; and the
    autonomy that the design promised.
    """
    if not estimates or now["observed_at"] is None:  # of a node never heard from they are the budget's own
        return html.P("No estimate yet.", className="quiet")
    cells = {
        key: _line_cells(line, estimates[key], now["harvest_lower_bound"] and key == "net_harvest_w")
        for key, line in LINES.items()
        if key in estimates
    }
    if "capacity_ratio" in cells and flat(left) and now["capacity_ratio"] is None:
        cells["capacity_ratio"][-1] = NOT_OBSERVABLE
    if budget.harvest.mean_power > 0 and now["harvest_w"] is not None:
        cells["harvest_w"] = _potential_cells(now, budget.harvest)
    promised = queries.promised_days(budget)
    if not missing(promised) and now["full_autonomy_days"] is not None:
        cells["full_autonomy_days"] = _autonomy_cells(now["full_autonomy_days"], promised)
    headers = ["Line", "Budget", "Field estimate", "Field / budget", "From the telemetry"]
    return table("Budget lines", headers, [cells[key] for key in LINES if key in cells], numeric=(1, 2, 3))


def _potential_cells(now: Mapping[str, Any], harvest: Harvest) -> list[str]:
    power = LINES["harvest_w"]
    return [
        power.name,
        plus_minus(harvest.mean_power, harvest.mean_power * harvest.tolerance, power),
        plus_minus(now["harvest_w"], now["harvest_sd_w"], power),
        percent(now["harvest_w"] / harvest.mean_power),
        "mean of a normal week, leakage not taken off; hours at full filled in",
    ]


def _autonomy_cells(field: float, promised: float) -> list[str]:
    told = "without harvest, at the present load and capacity; budget: its target"
    return [LINES["full_autonomy_days"].name, span(promised), span(field), percent(field / promised), told]


def _line_cells(line: Line, row: queries.Row, lower_bound: bool) -> list[str]:
    least = "≥\u202f" if lower_bound else ""
    told = "separable" if row["separable"] else "not separable"
    if row["budget_sd"] and abs(row["estimate"] - row["budget"]) > FAR_SD * math.hypot(row["budget_sd"], row["sd"]):
        told += f"; beyond {FAR_SD:.0f} sd of the budget"
    of_late = f"mean of the last {queries.LEDGER_WINDOW_DAYS} d, whatever the season; "
    over_days = of_late if line is LINES["net_harvest_w"] else ""
    over = percent(row["estimate"] / row["budget"]) if row["budget"] and row["budget"] > 0 else NOTHING
    return [
        line.name,
        plus_minus(row["budget"], row["budget_sd"], line),
        least + plus_minus(row["estimate"], row["sd"], line),
        over if over == NOTHING else least + over,
        over_days + ("lower bound: curtailed while at full" if lower_bound and row["separable"] else told),
    ]


def report_table(reports: Sequence[queries.Row], zone: str) -> html.Div | html.P:
    """The reports that arrived last."""
    if not reports:
        return html.P("No report yet.", className="quiet")
    rows = [
        [
            moment(row["observed_at"], zone),
            volts(row["storage_v"]),
            volts(row["loaded_v"]),
            number(row["temp_c"], "°C"),
            text_or_dash(row["wakes"]),
            text_or_dash(row["boot"]),
            moment(row["received_at"], zone),
        ]
        for row in reports
    ]
    headers = ["Observed", "Storage voltage", "Loaded voltage", "Temperature", "Wake count", "Boot count", "Received"]
    return table("Latest reports", headers, rows, numeric=(1, 2, 3, 4, 5))


def _heard(
    now: Mapping[str, Any], alarms: Sequence[queries.Row], findings: Sequence[queries.Row], share: float | None
) -> str:
    """What to say of a node that is not heard from; nothing of one that is, though its site may be silent."""
    if now["replaced_since"]:
        return "; not since its storage was replaced"
    found, last = {row["finding"] for row in findings}, now["observed_at"]
    silent = any(alarm["kind"] == "silent" and (alarm["node_id"] or last is None) for alarm in alarms)
    silent |= last is not None and (now["silent_s"] or 0.0) > 0 and last <= now["as_of"]
    if queries.taken_for_dark("dark" in found, "silent-charged" in found, silent, 1.0 if share is None else share):
        return "; taken to be dark"
    return "; silent" if silent or "silent-charged" in found else ""


def _scaled(value: float | None, factor: float) -> float | None:
    return None if value is None else value * factor


def _spread(now: Mapping[str, Any]) -> str:
    if now["p_dark_30d"] is None:
        return ""
    return f"80 % of outcomes: {day_range(now['days_p10'], now['days_p90'])}"


def _urgency(now: Mapping[str, Any]) -> str:
    return "alert" if (now["p_dark_30d"] or 0.0) >= VISIT_RISK else ""
