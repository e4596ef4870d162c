"""The front door: composes the command line out of ingest, analysis and dashboard."""

import json
import logging
import math
import os
import signal
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Annotated, Any

import typer
from pydantic import ValidationError
from rich.console import Console
from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeElapsedColumn

from ingest.budget import SECONDS_PER_DAY
from ingest.contract import DEFAULT_PREFIX
from ingest.errors import ImportFileError, JoulebookError, StoreHeldError, UsageError, few
from ingest.fleet import FAR_KM, read_fleet
from ingest.listener import Listener
from ingest.mqtt import BrokerAddress, BrokerSettings
from ingest.store import TABLES, Store

cli = typer.Typer(
    help="Joulebook keeps the book of joules for a fleet of energy-harvesting sensor nodes.",
    add_completion=False, pretty_exceptions_enable=False, rich_markup_mode=None,
)  # fmt: skip
NAMED = 3  # nodes of those whose reports an import refuses, for each reason
TABLE_WIDTH = 110  # where standard output is not a terminal
out, err = Console(), Console(stderr=True)
if not out.is_terminal:
    out = Console(width=TABLE_WIDTH)
WrongUse: Any = typer.BadParameter.__base__  # what the command-line library raises for a wrong option or command

StoreOption = Annotated[Path, typer.Option("--store", envvar="JOULEBOOK_STORE", help="The store, a file.")]
BrokerOption = Annotated[
    str, typer.Option("--broker", envvar="JOULEBOOK_BROKER", help="mqtt://host:port, or mqtts://host:port for TLS.")
]
PrefixOption = Annotated[str, typer.Option(help="First level of the topics.")]
PortOption = Annotated[int, typer.Option(help="Port of the dashboard.", min=0, max=65535)]
HostOption = Annotated[str, typer.Option(help="Address the dashboard listens on.")]
EveryOption = Annotated[float, typer.Option("--every", help="Seconds from one analysis to the next.", min=1)]
KeepOption = Annotated[
    int | None, typer.Option("--keep-days", help="Drop analysed reports older than this; the ledger stays. [keep all]")
]
MetricsOption = Annotated[
    int | None, typer.Option(help="Serve /metrics and /health on this port of 127.0.0.1. [off]", min=0, max=65535)
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print figures for machines.")]
STORE, BROKER, PORT = Path("joulebook.duckdb"), "mqtt://localhost:1883", 8050
DEMO_LIVE_DAYS = 3  # of the simulated history are published live
DEMO_SPEED = 720.0  # times as fast as the clock, until the live reports reach the present
DEMO_ONCE_HOURS = 6  # of live reports when the demo only prints its summary
COMPILE_DAYS = 40
DEMO_EVERY_S = 10.0  # from one analysis to the next


@contextmanager
def progress_bar() -> Iterator[Callable[[str, int, int], None]]:
    """A progress bar on standard error; call it with what is done, how much, and of how much (0: not known)."""
    columns = (TextColumn("{task.description}"), BarColumn(), TaskProgressColumn(), TimeElapsedColumn())
    with Progress(*columns, console=err, transient=not err.is_terminal) as bar:
        tasks: dict[str, Any] = {}

        def update(what: str, done: int, total: int) -> None:
            if what not in tasks:
                tasks[what] = bar.add_task(what, total=total or None)
            bar.update(tasks[what], completed=done, total=total or None)

        yield update


def say(figures: dict[str, Any], as_json: bool, text: str) -> None:
    """Print a result: for machines, or for people."""
    if as_json:
        print(json.dumps(_without_nan(figures), default=str, allow_nan=False))
    else:
        out.print(text, highlight=False, markup=False, soft_wrap=True)


def _without_nan(figures: Any) -> Any:
    """The same with null for a number that is not there: JSON has no NaN."""
    if isinstance(figures, dict):
        return {name: _without_nan(value) for name, value in figures.items()}
    if isinstance(figures, list | tuple):
        return [_without_nan(value) for value in figures]
    return None if isinstance(figures, float) and not math.isfinite(figures) else figures


def parse_time(text: str | None, option: str = "--as-of", example: str = "2026-03-01T06:00:00Z") -> datetime | None:
    """An aware time from ISO 8601; without an offset it is UTC."""
    if text is None:
        return None
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        msg = f'{option}: expected a time such as "{example}", got "{text}"'
        raise UsageError(msg) from None
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)


@cli.command()
def demo(
    once: Annotated[bool, typer.Option("--once", help="Print the fleet's summary and exit.")] = False,
    store: StoreOption = STORE,
    port: PortOption = PORT,
) -> None:
    """A simulated mill with a year of history and live reports: all real parts in one process."""
    from fixtures import mill
    from fixtures.demo import load_history, open_demo_store
    from fixtures.feed import LiveFeed
    from fixtures.messages import messages
    from fixtures.simulate import simulate
    from ingest.broker import EmbeddedBroker

    now = datetime.now(UTC)
    with ExitStack() as stack:
        book = stack.enter_context(open_demo_store(store))
        broker = EmbeddedBroker()
        broker.start()
        stack.callback(broker.stop)
        err.print(f"broker: {broker.address} (embedded, loopback only)", highlight=False)
        with tempfile.TemporaryDirectory() as folder:
            mill.write_fleet(Path(folder), now)
            described = read_fleet(Path(folder))
        book.save_fleet(described)
        begin = now.timestamp() - DEMO_LIVE_DAYS * SECONDS_PER_DAY
        with progress_bar() as bar:
            bar("simulating the mill", 0, 0)
            simulated = simulate(
                described, mill.history_start(now), mill.HISTORY_DAYS + 2, mill.SEED, mill.faults(now), mill.FIRMWARE
            )
            bar("simulating the mill", 1, 1)
            load_history(book, simulated, begin, bar)
        end = begin + DEMO_ONCE_HOURS * 3600 if once else None
        speed = float("inf") if once else DEMO_SPEED
        feed = LiveFeed(
            broker.address, messages(simulated, begin, now.timestamp() + SECONDS_PER_DAY), begin, speed, end
        )
        listener = start_listener(stack, book, broker.address, broker.settings, DEFAULT_PREFIX)
        feed.start()
        stack.callback(feed.stop)
        if once:
            run_demo_once(book, feed, listener)
        else:
            serve_demo(stack, book, feed, listener, port)


@cli.command()
def fleet(folder: Path, store: StoreOption = STORE, as_json: JsonOption = False) -> None:
    """Load or refresh a fleet folder; prints what changed."""
    described = read_fleet(folder)
    with Store.open(store) as book:
        change = book.save_fleet(described)
    kinds = asdict(change)
    lines = [f"{kind}: {len(ids)}" + (f" ({few(ids)})" if ids else "") for kind, ids in kinds.items()]
    far = described.far_nodes()
    if far:
        lines.append(f"{few(far)}: more than {FAR_KM:.0f} km from their site, whose sun and weather they are given;"
                     " give them a site of their own")  # fmt: skip
    if described.left_out:
        nodes = few(list(dict.fromkeys(described.left_out)))
        lines.append(f"visits left out: {len(described.left_out)} ({nodes}: not in nodes.csv)")
    lines += described.warnings
    parts = {"node": described.nodes, "site": described.sites, "budget": described.budgets}
    counted = [f"{len(of)} {part}{'' if len(of) == 1 else 's'}" for part, of in parts.items()]
    counts = "{} at {} on {}".format(*counted)
    figures = kinds | {"nodes": len(described.nodes), "visits_left_out": described.left_out, "far_nodes": far,
                       "warnings": described.warnings}  # fmt: skip
    say(figures, as_json, "\n".join([counts, *lines]))


@cli.command("import")
def import_(files: list[Path], store: StoreOption = STORE, as_json: JsonOption = False) -> None:
    """Import history from CSV or Parquet; importing a file again changes nothing."""
    from ingest.bulk import import_file
    from ingest.rejects import refused_since

    begun, accepted, duplicate = time.time(), 0, 0
    rejected: dict[str, int] = {}
    in_vain: list[str] = []
    with Store.open(store, must_exist=True) as book, progress_bar() as bar:
        for file in files:
            done = import_file(book, file, lambda rows, name=file.name: bar(f"import {name}, rows {rows:,}", rows, 0))
            accepted, duplicate = accepted + done.accepted, duplicate + done.duplicate
            for reason, count in done.rejected.items():
                rejected[reason] = rejected.get(reason, 0) + count
            if done.rejected and not done.accepted and not done.duplicate:
                in_vain.append(str(file))
        whose = {reason: f" ({few(nodes, NAMED)})" for reason, nodes in refused_since(book, begun).items()}
    reasons = "".join(f"\n  {reason}: {count:,}{whose.get(reason, '')}" for reason, count in sorted(rejected.items()))
    listed = ", listed by joulebook rejects" if rejected else ""
    text = f"accepted: {accepted:,}\nduplicate: {duplicate:,}\nrejected: {sum(rejected.values()):,}{listed}{reasons}"
    say({"accepted": accepted, "duplicate": duplicate, "rejected": rejected}, as_json, text)
    if in_vain:
        msg = f"{few(in_vain)}: every row was refused; see joulebook rejects, mend the cause and import again"
        raise ImportFileError(msg)


@cli.command()
def rejects(
    store: StoreOption = STORE,
    readmit: Annotated[bool, typer.Option("--readmit", help="Try all again that is kept, after mending.")] = False,
    last: Annotated[int, typer.Option(help="How many of the latest to list.", min=0)] = 20,
    as_json: JsonOption = False,
) -> None:
    """What was refused: counts by node and reason, and the latest; or admit it after the cause is mended."""
    from ingest import rejects as refused

    with Store.open(store, must_exist=True) as book:
        if readmit:
            with progress_bar() as bar:
                done = refused.readmit(book, lambda tried: bar("rejects tried", tried, 0))
            text = f"admitted: {done.admitted:,}\nrefused again: {done.refused:,}\nnot kept whole: {done.not_whole:,}"
            say(done._asdict(), as_json, text)
            return
        counts, latest = refused.counts(book), refused.latest(book, last)
    lines = [
        f"{of.node or '-'}: {of.reason}: {of.refused:,} refused, {of.kept:,} kept, {of.readmitted:,} admitted later"
        for of in counts
    ]
    lines += [f"{it.received:%Y-%m-%d %H:%M:%S} {it.node}: {it.reason}: {it.detail}: {it.payload}" for it in latest]
    figures = {"counts": [of._asdict() for of in counts], "latest": [it._asdict() for it in latest]}
    say(figures, as_json, "\n".join(lines) or "nothing was refused")


@cli.command()
def analyse(
    store: StoreOption = STORE,
    as_of: Annotated[str | None, typer.Option("--as-of", help="Use nothing observed later. [newest report]")] = None,
    as_json: JsonOption = False,
) -> None:
    """Bring ledger, estimates, forecast, findings and alarms up to date."""
    from analysis.run import analyse as run

    moment, now = parse_time(as_of), datetime.now(UTC)
    if moment is not None and moment > now:
        msg = f"--as-of {moment:%Y-%m-%d %H:%M} is in the future (now {now:%Y-%m-%d %H:%M} UTC); name an earlier one"
        raise UsageError(msg)
    with Store.open(store, must_exist=True) as book, progress_bar() as bar:
        done = run(book, moment, bar)
    raised = sum(a.state == "active" and a.raised_at == done.as_of for a in done.changed_alarms)
    cleared = sum(a.state == "cleared" for a in done.changed_alarms)
    text = (
        f"as of {done.as_of:%Y-%m-%d %H:%M} UTC: {done.nodes} nodes, {done.ledger_rows:,} ledger rows computed, "
        + ("alarms left as they are (an earlier analysis reached further)" if done.alarms_kept
           else f"{raised} alarms raised, {cleared} cleared")
    )  # fmt: skip
    figures = {
        "as_of": done.as_of,
        "nodes": done.nodes,
        "ledger_rows": done.ledger_rows,
        "raised": raised,
        "cleared": cleared,
    }
    say(figures, as_json, text)


@cli.command()
def export(table: str, file: Path, store: StoreOption = STORE, as_json: JsonOption = False) -> None:
    """Write a table as CSV or Parquet, by the ending of FILE."""
    with Store.open(store, must_exist=True) as book:
        rows = book.export(table, file)
    say({"table": table, "rows": rows, "file": str(file)}, as_json, f"{rows:,} rows of {table} written to {file}")


export.__doc__ = f"{export.__doc__} Tables: {', '.join(TABLES)}."


@cli.command()
def clocks(store: StoreOption = STORE, as_json: JsonOption = False) -> None:
    """Nodes whose clocks were lost, drift or are off, in the last days before the newest report."""
    from ingest.clocks import flags

    with Store.open(store, must_exist=True) as book:
        (newest,) = book.cursor().execute("SELECT max(received_at)::DATE FROM report_log").fetchall()[0]
        found = flags(book, newest) if newest else []
    lines = [
        f"{flag.node_id}: clock {flag.kind}, {flag.reports:,} reports on {flag.days} days"
        + ("" if flag.error_s is None else f"; {flag.drift_s_per_day:+.1f} s/day slow, {flag.error_s:+.0f} s behind")
        for flag in found
    ]
    say({"clocks": [flag._asdict() for flag in found]}, as_json, "\n".join(lines) or "no clock stands out")


@cli.command()
def backup(file: Path, store: StoreOption = STORE, as_json: JsonOption = False) -> None:
    """Copy the store into FILE, also while listen, serve, dashboard or demo is using it."""
    from ingest import upkeep

    try:
        with Store.open(store, must_exist=True) as book:
            upkeep.backup(book, file)
    except StoreHeldError:
        upkeep.request_backup(
            store, file, progress=lambda text: err.print(text, highlight=False, markup=False, soft_wrap=True)
        )
    say({"file": str(file), "bytes": file.stat().st_size}, as_json, f"{store} copied to {file}")


@cli.command()
def listen(
    broker: BrokerOption = BROKER,
    store: StoreOption = STORE,
    prefix: PrefixOption = DEFAULT_PREFIX,
    keep_days: KeepOption = None,
    metrics_port: MetricsOption = None,
) -> None:
    """Subscribe to the nodes' reports and store them, until stopped."""
    with ExitStack() as stack:
        book = stack.enter_context(Store.open(store, must_exist=True))
        start_upkeep(stack, book, keep_days)
        listener = start_listener(stack, book, BrokerAddress.parse(broker), BrokerSettings.load(), prefix)
        start_metrics(stack, listener, metrics_port)
        err.print(f"listening on {broker}, storing in {store}; Ctrl-C stops", highlight=False)
        wait_until_stopped(listener)


@cli.command()
def dashboard(store: StoreOption = STORE, host: HostOption = "127.0.0.1", port: PortOption = PORT) -> None:
    """Serve the dashboard alone."""
    with ExitStack() as stack:
        book = stack.enter_context(Store.open(store, must_exist=True))
        start_upkeep(stack, book)
        start_dashboard(stack, book, host, port)
        wait_until_stopped()


@cli.command()
def serve(
    broker: BrokerOption = BROKER,
    store: StoreOption = STORE,
    prefix: PrefixOption = DEFAULT_PREFIX,
    host: HostOption = "127.0.0.1",
    port: PortOption = PORT,
    every: EveryOption = 300.0,
    keep_days: KeepOption = None,
    metrics_port: MetricsOption = None,
) -> None:
    """Listen, analyse on a schedule and serve the dashboard, in one process."""
    from dashboard.serving import Schedule

    with ExitStack() as stack:
        book = stack.enter_context(Store.open(store, must_exist=True))
        start_upkeep(stack, book, keep_days)
        listener = start_listener(stack, book, BrokerAddress.parse(broker), BrokerSettings.load(), prefix)
        start_metrics(stack, listener, metrics_port)
        start_dashboard(stack, book, host, port)
        schedule = Schedule(
            book, listener, prefix, every, lambda: datetime.now(UTC), lambda: score_again(book, datetime.now(UTC))
        )
        schedule.start()
        stack.callback(schedule.stop)
        wait_until_stopped(listener, schedule)


@cli.command()
def backtest(
    store: StoreOption = STORE,
    every: Annotated[
        int, typer.Option("--every", help="Days between forecasts; no multiple of 7 sees every weekday.", min=1)
    ] = 10,
    begin: Annotated[
        str | None, typer.Option("--from", help="Day of the first forecast. [60 d after the first report]")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Forecast at past moments from what was known then, and score the forecasts by what came."""
    from analysis.run_backtest import run_backtest
    from dashboard.terminal import backtest_table, coverage_table

    first = parse_time(begin, "--from", "2026-03-01")
    with Store.open(store, must_exist=True) as book, progress_bar() as bar:
        done = run_backtest(book, datetime.now(UTC), every, first.date() if first else None, bar)
    if as_json:
        about = {"first": done.moments[0], "last": done.moments[-1], "every_days": every, "forecasts": done.forecasts}
        figures = about | {"scores": [asdict(score) for score in done.scores],
                           "corrections": [asdict(trial) | {"kept": trial.helps} for trial in done.trials]}  # fmt: skip
        say(figures, True, "")
    else:
        out.print(backtest_table(done), coverage_table(done), highlight=False)
        for trial in done.trials:
            kept = "kept for the forecasts to come" if trial.helps else "not kept"
            out.print(
                f"correction of {trial.horizon_days} d from {trial.events} events: Brier score of the later forecasts"
                f" {trial.brier_plain:.4f}, corrected {trial.brier_corrected:.4f}: {kept}", highlight=False,
            )  # fmt: skip


@cli.command()
def replay(store: StoreOption = STORE) -> None:
    """Not yet: run the field's history under a changed design."""
    msg = f"replay: not yet in this version; {store} is unchanged"
    raise NotYetError(msg)


class NotYetError(JoulebookError):
    """A command that a later version will have."""


# --- the demo -----------------------------------------------------------------------------------------------------


def compile_kernels() -> None:
    """Run the main job once on a small simulated fleet, so that every compiled loop is on disk before it is waited for.

    The make file calls it at the end of the installation; without it the first analysis compiles.
    """
    from analysis.run import analyse as run
    from fixtures.demo import load_history
    from fixtures.scatter import scattered_fleet
    from fixtures.simulate import simulate

    start = datetime(2026, 1, 1, tzinfo=UTC)
    small = scattered_fleet(12, 1, start, COMPILE_DAYS, faulty=0.0)
    simulated = simulate(small.fleet, start, COMPILE_DAYS, 1, small.faults, small.firmware)
    with Store.open(":memory:") as book:
        book.save_fleet(small.fleet)
        load_history(book, simulated, float("inf"), lambda *_: None)
        run(book)


def run_demo_once(book: Store, feed: Any, listener: Listener) -> None:
    """Wait for the live reports to be stored, analyse, and print the summary and how past forecasts came out."""
    from analysis.run import analyse as run
    from analysis.run_backtest import run_backtest
    from dashboard.terminal import backtest_table, summary_table

    feed.join()
    deadline = time.monotonic() + 60
    while listener.stats.received < feed.published or listener.stats.waiting:
        if time.monotonic() > deadline:
            msg = f"only {listener.stats.received} of {feed.published} live reports arrived within 60 s"
            raise JoulebookError(msg)
        time.sleep(0.05)
    listener.stop()
    with progress_bar() as bar:
        done = run(book, feed.now(), bar)
    out.print(summary_table(book, "Marrowmere Mill", done.as_of), highlight=False)
    with progress_bar() as bar:
        past = run_backtest(book, feed.now(), progress=bar)
    out.print(backtest_table(past), highlight=False)
    stats = listener.stats
    out.print(f"live over MQTT: {stats.accepted} reports stored, {sum(stats.rejected.values())} rejected")


def serve_demo(stack: ExitStack, book: Store, feed: Any, listener: Listener, port: int) -> None:
    """Analyse again and again and serve the dashboard, on the feed's clock, until stopped."""
    from dashboard.serving import Schedule

    schedule = Schedule(book, listener, DEFAULT_PREFIX, DEMO_EVERY_S, feed.now, lambda: score_again(book, feed.now()))
    start_upkeep(stack, book)
    schedule.start()
    stack.callback(schedule.stop)
    start_dashboard(stack, book, "127.0.0.1", port, feed.now)
    err.print(
        f"the last {DEMO_LIVE_DAYS} days follow live, {DEMO_SPEED:g} times as fast, until they reach the present; "
        f"store: {book.path}; Ctrl-C stops",
        highlight=False,
    )
    wait_until_stopped(listener, schedule)


def score_again(book: Store, now: datetime) -> None:
    """Score past forecasts when that is due, and say so."""
    from analysis.run_backtest import rescore

    if rescore(book, now) is not None:
        err.print("past forecasts are scored: see their page", highlight=False)


# --- the running parts --------------------------------------------------------------------------------------------


def start_listener(
    stack: ExitStack, book: Store, address: BrokerAddress, settings: BrokerSettings, prefix: str
) -> Listener:
    """A started listener that the stack stops."""
    listener = Listener(book, address, settings, prefix=prefix)
    stack.callback(listener.stop)
    listener.start()
    return listener


def start_upkeep(stack: ExitStack, book: Store, keep_days: int | None = None) -> None:
    """A started upkeep of the store that the stack stops."""
    from ingest.upkeep import Upkeep

    upkeep = Upkeep(book, keep_days)
    upkeep.start()
    stack.callback(upkeep.stop)


def start_metrics(stack: ExitStack, listener: Listener, port: int | None) -> None:
    """Metrics and health on loopback, if a port is given; the address is printed."""
    if port is None:
        return
    from ingest.metrics import MetricsServer

    server = MetricsServer(listener, "127.0.0.1", port)
    server.start()
    stack.callback(server.stop)
    err.print(f"metrics: {server.address}/metrics, health: {server.address}/health", highlight=False, soft_wrap=True)


def start_dashboard(
    stack: ExitStack, book: Store, host: str, port: int, clock: Callable[[], datetime] | None = None
) -> None:
    """A started dashboard that the stack stops; its address is printed."""
    from dashboard.app import DashboardServer, create_app

    server = DashboardServer(create_app(book, clock=clock), host, port)
    server.start()
    stack.callback(server.stop)
    err.print(f"dashboard: {server.address}", highlight=False, soft_wrap=True)


def wait_until_stopped(*parts: Any) -> None:
    """Wait for Ctrl-C or SIGTERM, or for a part (anything with a `failure`) to fail, and raise what ended it.

    The signal goes into a queue that a signal may interrupt: the lock of an event, held as it comes, is never let go.
    """
    stopped: SimpleQueue[int] = SimpleQueue()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda got, _: stopped.put(got))
    got = None
    while got is None:
        for part in parts:
            if part.failure is not None:
                raise part.failure
        with suppress(Empty):
            got = stopped.get(timeout=0.5)
    err.print("stopping", highlight=False)


def main(arguments: list[str] | None = None) -> int:
    """Run a command; errors are one line on standard error. Exit codes: 0 done, 1 failed, 2 wrong use or not yet."""
    set_up_log()
    given = sys.argv[1:] if arguments is None else arguments
    try:
        code = cli(args=given or ["--help"], standalone_mode=False)
    except (NotYetError, UsageError) as error:
        return complain(str(error), 2)
    except JoulebookError as error:
        return complain(str(error), 1)
    except WrongUse as error:
        cause = error.__cause__
        got = f', got "{cause.errors()[0]["input"]}"' if isinstance(cause, ValidationError) else ""
        return complain(f"{error.format_message()}{got} (see joulebook --help)", 2)
    except (typer.Abort, KeyboardInterrupt):
        return complain("stopped", 130)
    return int(code or 0) if given else 2


def set_up_log() -> None:
    """The log goes to standard error, from JOULEBOOK_LOG_LEVEL up; as JSON lines if JOULEBOOK_LOG is json."""
    level = os.environ.get("JOULEBOOK_LOG_LEVEL", "WARNING").upper()
    known = level in logging.getLevelNamesMapping()
    logging.basicConfig(level=level if known else "WARNING", format="%(asctime)s %(name)s %(levelname)s %(message)s")
    if os.environ.get("JOULEBOOK_LOG") == "json":
        from ingest.metrics import JsonLines

        for handler in logging.getLogger().handlers:
            handler.setFormatter(JsonLines())
    if not known:
        logging.getLogger("joulebook").warning("JOULEBOOK_LOG_LEVEL %s: expected INFO, WARNING or ERROR", level)


def complain(text: str, code: int) -> int:
    """One line on standard error; the exit code."""
    print(f"joulebook: {text}", file=sys.stderr)
    return code


if __name__ == "__main__":
    sys.exit(main())
