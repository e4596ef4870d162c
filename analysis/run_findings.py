"""Gathers what the findings are judged by over the store's books, and finds them."""

from dataclasses import asdict
from datetime import date, datetime
from typing import Any

import numpy as np
import pandas as pd

from analysis import kalman
from analysis import state as places
from analysis.findings import Finding, NodeFacts, Rise, find
from analysis.harvest_behind import past_harvest
from analysis.run_ahead import per_capacity_sd
from analysis.run_books import NodeBook, SiteBook
from analysis.run_field import since
from analysis.run_health import NodeField
from analysis.series import Floats
from ingest.budget import SECONDS_PER_DAY

BASELINE_DAYS = 28
RISE_DAYS = 10  # of evidence that tell a rise of sleep, where no more than rests of days tell
ENOUGH_SECONDS = 2 * SECONDS_PER_DAY


def find_all(books: list[SiteBook], nodes: list[NodeField]) -> list[dict[str, Any]]:
    """The rows of the table `findings`."""
    facts: list[NodeFacts] = []
    for site in books:
        past = past_harvest(site.days, site.calendar, np.datetime64(site.today.date()))
        for book, power, bound in zip(site.nodes, past.power, past.bound, strict=True):
            facts.append(_facts(site, book, power, bound, nodes[book.place]))
    return [_row(finding) for finding in find(facts)]


def _row(finding: Finding) -> dict[str, Any]:
    return asdict(finding) | {"since": pd.Timestamp(finding.since, tz="UTC")}


def _facts(site: SiteBook, book: NodeBook, power: Floats, bound: np.ndarray[Any, Any], judged: NodeField) -> NodeFacts:
    account, curve, health = book.account, book.curve, judged.health
    recent = slice(-BASELINE_DAYS, None)
    spent = float((account.wake_j[recent] + account.sleep_j[recent]).sum())
    p = book.field.covariance[book.row]
    harvest = power + _leakage_grown(site, book, len(power))
    return NodeFacts(
        book.node.node_id,
        book.node.site,
        book.budget,
        site.calendar.first.astype("datetime64[D]").item(),
        harvest,
        bound,
        _wakes(site, book, len(power)),
        sleep=_rise(book, kalman.S, per_capacity_sd(book)[1]),
        leakage=Rise(health.leakage_ratio, health.leakage_sd, _changed(book)),
        health=health,
        commissioned=since(book.field, book.row, int(book.field.renewed[book.row])),
        silent_for_s=book.silent_for,
        usable_share=book.usable_share,
        usable_j=float(np.asarray(curve.usable(book.state.voltage))),
        load_w=spent / max(float(account.observed_s[recent].sum()), 1.0),
        heard=datetime.fromtimestamp(book.state.time, site.site.zone).date(),
        tie=_correlation(p, places.SLEEP, places.LEAK),
        fade_tie=_correlation(p, places.FADE, places.RISE),
        fade=judged.fade,
    )


def _leakage_grown(site: SiteBook, book: NodeBook, length: int) -> Floats:
    """By how much leakage stands above its beginning on the days of the site's calendar: no fall of harvest. [W]"""
    field, row = book.field, book.row
    ratio = field.path[row, : field.days[row], kalman.L].astype(float)
    at = np.arange(length) + int((site.calendar.first - np.datetime64(field.first[row])).astype(np.int64))
    ratio = ratio[np.clip(at, 0, len(ratio) - 1)]
    grown = np.maximum(ratio - ratio[:BASELINE_DAYS].mean(), 0.0)
    return np.asarray(grown * book.recent.leakage / book.now()[kalman.L])


def _correlation(covariance: Floats, a: int, b: int) -> float:
    spread = np.sqrt(max(float(covariance[a, a] * covariance[b, b]), 1e-30))
    return float(covariance[a, b] / spread)


def _wakes(site: SiteBook, book: NodeBook, length: int) -> Floats:
    """Wakes a day on the site's calendar up to yesterday, NaN where too little was observed."""
    account = book.account
    wakes = np.full(length, np.nan)
    index = site.calendar.index(account.day)
    good = (index >= 0) & (index < length) & (account.observed_s > 0.5 * SECONDS_PER_DAY)
    wakes[index[good]] = account.wakes[good] * SECONDS_PER_DAY / account.observed_s[good]
    return wakes


def _rise(book: NodeBook, column: int, sd: float) -> Rise:
    field, row = book.field, book.row
    path = field.path[row, field.renewed[row] : field.days[row], column].astype(float)
    if field.evidence_days[row] < RISE_DAYS:
        return Rise(np.nan, np.nan, None)
    ratio = float(path[-1] / path[:BASELINE_DAYS].mean())
    return Rise(ratio, ratio * sd * float(np.sqrt(2)), _changed(book))


def _changed(book: NodeBook) -> date | None:
    days = np.flatnonzero(book.field.changes[book.row, : book.field.days[book.row]])
    return since(book.field, book.row, int(days[-1])) if len(days) else None
