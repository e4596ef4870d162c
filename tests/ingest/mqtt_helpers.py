"""A real mosquitto to start and stop, and a client that publishes."""

import shutil
import socket
import subprocess
import time
from collections.abc import Iterable
from pathlib import Path

import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from ingest.mqtt import BrokerAddress

PATIENCE_S = 300.0  # how long a test waits for what will come: machines are shared, and may be slow

MOSQUITTO = shutil.which("mosquitto", path="/usr/sbin:/usr/bin:/usr/local/sbin:/usr/local/bin:/opt/homebrew/sbin")


class Mosquitto:
    """A mosquitto that keeps its sessions in a folder, so that it can be stopped and started again."""

    def __init__(self, folder: Path) -> None:
        with socket.create_server(("127.0.0.1", 0)) as probe:
            port = probe.getsockname()[1]
        self.address = BrokerAddress("127.0.0.1", port)
        self._folder = folder
        self._config = folder / "mosquitto.conf"
        self.configure("")
        self._log = folder / "mosquitto.log"
        self._process: subprocess.Popen[bytes] | None = None

    def configure(self, extra: str) -> None:
        """Add to the configuration, for the next start."""
        self._config.write_text(
            f"listener {self.address.port} 127.0.0.1\nallow_anonymous true\nuser root\n"
            f"persistence true\npersistence_location {self._folder}/\nmax_queued_messages 0\n{extra}"
        )

    def start(self) -> None:
        with self._log.open("ab") as log:
            command = [str(MOSQUITTO), "-c", str(self._config)]
            self._process = subprocess.Popen(command, stdout=log, stderr=log)
        deadline = time.monotonic() + 10
        while True:
            try:
                socket.create_connection((self.address.host, self.address.port), 1).close()
            except OSError:
                if time.monotonic() > deadline or self._process.poll() is not None:
                    pytest.fail(f"mosquitto did not start: {self._log.read_text()}")
                time.sleep(0.02)
            else:
                return

    def stop(self) -> None:
        if self._process is not None:
            self._process.terminate()
            self._process.wait(10)
            self._process = None

    def publish_lines(self, topic: str, lines: Iterable[str]) -> None:
        """Publish each line at QoS 1 by mosquitto's own client, which is fast."""
        address = ["-h", self.address.host, "-p", str(self.address.port)]
        command = ["mosquitto_pub", *address, "-q", "1", "-t", topic, "-l"]
        subprocess.run(command, input="\n".join(lines), text=True, check=True, timeout=PATIENCE_S)


class Publisher:
    """A client that publishes at QoS 1 and knows what the broker has confirmed."""

    def __init__(self, address: BrokerAddress, *, version: MQTTProtocolVersion = MQTTProtocolVersion.MQTTv311) -> None:
        self._client = Client(CallbackAPIVersion.VERSION2, protocol=version)
        self._client.max_inflight_messages_set(1000)
        self._client.connect(address.host, address.port)
        self._client.loop_start()

    def send(self, topic: str, payload: bytes | str, *, retain: bool = False, content_type: str | None = None) -> None:
        properties = None
        if content_type is not None:
            properties = Properties(PacketTypes.PUBLISH)
            properties.ContentType = content_type
        self._client.publish(topic, payload, 1, retain, properties)

    def confirmed(self) -> None:
        """Wait until the broker has everything."""
        deadline = time.monotonic() + PATIENCE_S
        while self._client._out_messages and time.monotonic() < deadline:
            time.sleep(0.005)
        assert not self._client._out_messages, "the broker did not confirm all that was published"

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()
