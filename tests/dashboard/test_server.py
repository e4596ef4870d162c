import json
import socket
import urllib.request

import pytest

from dashboard.app import DashboardServer, create_app
from ingest.errors import UsageError
from tests.dashboard.conftest import NOW


@pytest.fixture
def app(mill):
    return create_app(mill, clock=lambda: NOW)


@pytest.fixture
def server(app):
    running = DashboardServer(app, "127.0.0.1", 0)
    running.start()
    yield running
    running.stop()


def fetch(address):
    with urllib.request.urlopen(address, timeout=10) as answer:
        return answer.read().decode()


def test_server_answers_with_the_page_and_nothing_from_elsewhere(server):
    html = fetch(server.address)
    assert '<html lang="en">' in html
    assert "width=device-width" in html
    assert "://" not in html.replace(server.address, "")  # scripts and styles are all our own


def test_layout_is_served(server):
    layout = json.loads(fetch(f"{server.address}/_dash-layout"))
    assert "not a safety function" in json.dumps(layout)


def test_server_gives_its_port_back(app):
    running = DashboardServer(app, "127.0.0.1", 0)
    running.start()
    port = int(running.address.rsplit(":", 1)[1])
    running.stop()
    again = DashboardServer(app, "127.0.0.1", port)
    again.stop()  # never started: only the port to give back


def test_port_in_use_is_one_clear_line(app):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(
            UsageError, match=rf"cannot listen on 127\.0\.0\.1 port {port} \(Address already in use\); choose another"
        ):
            DashboardServer(app, "127.0.0.1", port)


def test_a_foreign_host_is_one_clear_line(app):
    with pytest.raises(UsageError, match=r"cannot listen on 192\.0\.2\.1 port 0"):  # RFC 5737: never ours
        DashboardServer(app, "192.0.2.1", 0)
