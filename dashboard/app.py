"""The dashboard: the Dash application over a store, and a server that can be started and stopped."""

import os
import socket
import threading
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any
from urllib.parse import unquote

import dash
from dash import ClientsideFunction, Input, Output, dcc, html
from werkzeug.serving import BaseWSGIServer, WSGIRequestHandler, make_server

from dashboard.pages import alarms, fleet, node, scores, visits
from dashboard.pages.parts import Desk, named
from dashboard.wording import CAUTION
from ingest.errors import UsageError
from ingest.store import Store

PAGES: dict[str, Any] = {"/": fleet, "/visits": visits, "/past-forecasts": scores}  # in the order of the navigation
NODE_PREFIX = "/node/"
PAGE = """<!DOCTYPE html>
<html lang="en">
<head>
{%metas%}
<title>{%title%}</title>
<link rel="icon" href="data:,">
{%css%}
</head>
<body>
{%app_entry%}
{%config%}
{%scripts%}
{%renderer%}
</body>
</html>"""


def _now() -> datetime:
    return datetime.now(UTC)


def create_app(store: Store, *, clock: Callable[[], datetime] | None = None) -> dash.Dash:
    """The dashboard over an open store.

    Parameters
    ----------
    store : Store
        Read; written only where somebody acknowledges an alarm.
    clock : callable, optional
        The present time, UTC and aware; the machine's clock unless given.
    """
    app = dash.Dash(
        "dashboard",
        title="Joulebook",
        update_title="",
        suppress_callback_exceptions=True,
        meta_tags=[{"name": "viewport", "content": "width=device-width, initial-scale=1"}],
        index_string=PAGE,
        serve_locally=True,
        add_log_handler=False,
        enable_mcp=False,
    )
    desk = Desk(store, clock or _now)
    app.layout = _shell()
    _register_shell(app, desk)
    for part in (*PAGES.values(), node, alarms):
        part.register(app, desk)
    return app


def page(store: Store, path: str | None) -> tuple[Any, str]:
    """The layout and the title of the page at a path."""
    books = store.fleet()
    at = path or "/"
    if at in PAGES:
        return PAGES[at].layout(books), f"{PAGES[at].NAME} · Joulebook"
    if at.startswith(NODE_PREFIX):
        node_id = unquote(at.removeprefix(NODE_PREFIX))
        return node.layout(books, node_id), node.title(node_id)
    nothing = html.Div([html.H1("Nothing here"), html.P(dcc.Link("Back to the fleet", href="/"))])
    return nothing, "Nothing here · Joulebook"


class DashboardServer:
    """The dashboard's web server, in a thread of its own."""

    def __init__(self, app: dash.Dash, host: str, port: int) -> None:
        """Takes the port at once; 0 takes any free one.

        Raises
        ------
        UsageError
            If the port is in use or the host is not this machine's.
        """
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        try:
            listening = socket.create_server((host, port), family=family)
        except OSError as error:
            why = os.strerror(error.errno) if error.errno and error.errno > 0 else str(error)
            msg = f"cannot listen on {host} port {port} ({why}); choose another host or port"
            raise UsageError(msg) from None
        with listening:  # the server takes a duplicate of it
            self._server: BaseWSGIServer = make_server(
                host, listening.getsockname()[1], app.server, threaded=True, request_handler=_Quiet,
                fd=listening.fileno(),
            )  # fmt: skip
        self._thread = threading.Thread(target=self._server.serve_forever, name="dashboard", daemon=True)

    @property
    def address(self) -> str:
        """The address to open in a browser."""
        host = self._server.host
        return f"http://{f'[{host}]' if ':' in host else host}:{self._server.port}"

    def start(self) -> None:
        """Begin to answer."""
        self._thread.start()

    def stop(self) -> None:
        """Stop answering and give the port back."""
        if self._thread.is_alive():
            self._server.shutdown()
            self._thread.join()
        self._server.server_close()


class _Quiet(WSGIRequestHandler):
    def log_request(self, *_: Any) -> None:
        """Leave the terminal to the program's own messages; errors are still logged."""


def _shell() -> html.Div:
    return html.Div(
        [
            dcc.Location(id="url", refresh="callback-nav"),
            dcc.Store(id="scheme"),
            dcc.Store(id="title"),
            html.A("Skip to content", href="#content", className="skip"),
            html.Header(
                [
                    dcc.Link("Joulebook", href="/", className="mark"),
                    html.Nav([dcc.Link(part.NAME, href=at) for at, part in PAGES.items()], **named("Pages")),
                    html.Button("Colours", id="scheme-toggle", type="button"),
                ],
                className="top",
            ),
            html.Main(id="content", tabIndex=-1),
            html.Footer([html.P(sentence) for sentence in CAUTION], className="caution"),
        ],
        className="book",
    )


def _register_shell(app: dash.Dash, desk: Desk) -> None:
    in_browser: Any = app.clientside_callback  # dash leaves it untyped

    @app.callback(Output("content", "children"), Output("title", "data"), Input("url", "pathname"))
    def turn_page(path: str | None) -> tuple[Any, str]:
        return page(desk.store, path)

    in_browser(
        ClientsideFunction("joulebook", "scheme"),
        Output("scheme", "data"),
        Output("scheme-toggle", "children"),
        Input("scheme-toggle", "n_clicks"),
    )
    in_browser(ClientsideFunction("joulebook", "turn"), Output("title", "clear_data"), Input("title", "data"))
