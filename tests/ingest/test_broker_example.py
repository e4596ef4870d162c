"""The example broker and service as shipped: TLS both ways, every client held to its own topics, nothing forgotten."""

import configparser
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest
from fault_helpers import until
from mqtt_helpers import MOSQUITTO
from paho.mqtt.client import Client

import joulebook
from ingest.errors import BrokerError
from ingest.listener import Listener
from ingest.mqtt import BrokerAddress, BrokerSettings, connect, make_client
from ingest.store import Store

EXAMPLE = Path(__file__).parents[2] / "fixtures" / "broker"
CLIENTS = ("joulebook-listener", "mf-001", "mf-002", "alarm-watch")
pytestmark = pytest.mark.server


class Example:
    """The example folder, copied, its broker on a free loopback port."""

    def __init__(self, folder: Path) -> None:
        shutil.copytree(EXAMPLE, folder, dirs_exist_ok=True)
        self.folder = folder
        subprocess.run([folder / "certificates.sh", "127.0.0.1", *CLIENTS], check=True, capture_output=True)
        with socket.create_server(("127.0.0.1", 0)) as probe:
            port = probe.getsockname()[1]
        self.address = BrokerAddress("127.0.0.1", port, tls=True)
        shipped = (folder / "mosquitto.conf").read_text()
        assert "\nlistener 8883\n" in shipped
        ours = shipped.replace("listener 8883", f"listener {port} 127.0.0.1")
        (folder / "mosquitto.conf").write_text(ours + "user root\n")  # who may read a folder of the tests

    def start(self) -> None:
        command = [str(MOSQUITTO), "-c", "mosquitto.conf"]
        self.process = subprocess.Popen(command, cwd=self.folder, stderr=subprocess.DEVNULL)
        until(self.answers)

    def answers(self) -> bool:
        assert self.process.poll() is None
        try:
            socket.create_connection((self.address.host, self.address.port), 1).close()
        except OSError:
            return False
        return True

    def stop(self) -> None:
        self.process.terminate()
        self.process.wait(10)

    def settings(self, client: str) -> BrokerSettings:
        certificates = self.folder / "certificates"
        return BrokerSettings(
            ca_file=certificates / "ca.crt",
            client_certificate=certificates / f"{client}.crt",
            client_key=certificates / f"{client}.key",
        )

    def publish(self, client: str, *messages: tuple[str, str]) -> None:
        """Publish as a client, and wait for the answers (a broker confirms what it drops by its access rules too)."""
        publisher: Client = make_client(self.address, self.settings(client), client)
        connect(publisher, self.address)
        publisher.loop_start()
        for topic, payload in messages:
            publisher.publish(topic, payload, 1).wait_for_publish(10)
        publisher.disconnect()
        publisher.loop_stop()


@pytest.fixture
def example(tmp_path: Path) -> Iterator[Example]:
    if MOSQUITTO is None:
        pytest.fail("these tests need mosquitto; install it or leave them out with -m 'not server'")
    broker = Example(tmp_path / "broker")
    broker.start()
    yield broker
    broker.stop()


def report(wakes: int) -> str:
    return f'{{"t": {1_760_000_000 + wakes}, "storage_v": 3.4, "wakes": {wakes}}}'


def test_a_node_writes_its_own_history_only_and_a_restart_forgets_nothing(example: Example, store: Store) -> None:
    heard = Listener(store, example.address, example.settings("joulebook-listener"))
    heard.start()
    heard.stop()
    own, other = "joulebook/mill-floor/mf-001", "joulebook/mill-floor/mf-002"
    example.publish("mf-001", (own, report(1)), (other, report(2)))
    example.publish("mf-002", (other, report(3)), ("joulebook/alarms/mill-floor/mf-002", "cleared"))
    example.publish("alarm-watch", ("joulebook/mill-floor/alarm-watch", report(4)), (own, report(5)))
    example.stop()
    example.start()
    heard = Listener(store, example.address, example.settings("joulebook-listener"))
    heard.start()
    until(lambda: heard.stats.received == 3)
    heard.publish("joulebook/alarms/mill-floor/mf-001", "raised", retain=True)
    time.sleep(0.2)
    heard.stop()
    assert heard.stats.rejected == {"unknown-node": 1}  # a client with a certificate that is no node of the fleet
    found = store.cursor().execute("SELECT node_id, wakes FROM reports ORDER BY wakes").fetchall()
    assert found == [("mf-001", 1), ("mf-002", 3)]


# The client library leaves the socket of a failed handshake to the garbage collector.
@pytest.mark.filterwarnings("ignore:Exception ignored in.*SSLSocket:pytest.PytestUnraisableExceptionWarning")
@pytest.mark.filterwarnings("ignore:unclosed.*SSLSocket:ResourceWarning")
def test_without_a_certificate_of_the_authority_nobody_gets_in(example: Example, store: Store) -> None:
    alone = BrokerSettings(ca_file=example.folder / "certificates" / "ca.crt")
    with pytest.raises(BrokerError, match=r"client certificate|cannot reach"):
        Listener(store, example.address, alone).start()
    # Without its file we do not know the broker's authority.
    with pytest.raises(BrokerError, match="JOULEBOOK_BROKER_CA_FILE"):
        Listener(store, example.address, BrokerSettings()).start()
    answer = b""
    with socket.create_connection((example.address.host, example.address.port)) as plain:
        plain.sendall(b"\x10\x0c\x00\x04MQTT\x04\x02\x00\x3c\x00\x00")  # CONNECT in plain text
        with suppress(ConnectionResetError):
            answer = plain.recv(10)
    assert answer == b""


def test_a_password_in_plain_text_over_a_network_is_warned_of(caplog: pytest.LogCaptureFixture) -> None:
    settings = BrokerSettings(user="keeper", password="sesame")  # type: ignore[arg-type]  # coerced
    make_client(BrokerAddress("broker.example", 1883), settings, "x")
    assert "plain text; use mqtts://" in caplog.text
    assert "sesame" not in caplog.text
    caplog.clear()
    make_client(BrokerAddress("127.0.0.1", 1883), settings, "x")
    make_client(BrokerAddress("broker.example", 8883, tls=True), settings, "x")
    assert caplog.text == ""


def test_the_service_unit_starts_a_command_that_exists(capsys: pytest.CaptureFixture[str]) -> None:
    unit = configparser.ConfigParser(strict=False, interpolation=None)
    unit.optionxform = str  # type: ignore[method-assign,assignment]
    unit.read(EXAMPLE / "joulebook.service")
    program, *arguments = unit["Service"]["ExecStart"].split()
    assert program.endswith("/joulebook")
    joulebook.main([arguments[0], "--help"])
    text = capsys.readouterr().out
    assert all(word in text for word in arguments if word.startswith("--"))
    assert unit["Service"]["KillSignal"] == "SIGTERM"
    assert float(unit["Service"]["TimeoutStopSec"]) > 30  # the listener's own limit for its drain
