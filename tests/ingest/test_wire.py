"""What the listener says on the wire, byte by byte, against the words of MQTT 5.0 (OASIS standard, 7 March 2019)."""

import socket
import struct
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager

from fault_helpers import until
from test_listener import V5, Unreliable, report

from ingest.listener import Listener
from ingest.mqtt import RECEIVE_MAXIMUM, BrokerAddress
from ingest.store import Store

CONNECT, CONNACK, PUBLISH, PUBACK, SUBSCRIBE, SUBACK, DISCONNECT = 1, 2, 3, 4, 8, 9, 14  # section 2.1.2


class Peer:
    """A broker that says what it is told to, and keeps what it hears."""

    def __init__(self) -> None:
        self._server = socket.create_server(("127.0.0.1", 0))
        self._server.settimeout(20)
        self.address = BrokerAddress("127.0.0.1", self._server.getsockname()[1])
        self.heard: list[tuple[int, bytes]] = []  # packet type and body
        self.go = threading.Event()
        self.sessions: list[list[tuple[int, int, bool]]] = []  # of each connection: number of report, packet id, DUP
        self._thread = threading.Thread(target=self._run)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        self._server.close()
        self._thread.join()

    def acknowledged(self) -> list[int]:
        """Packet identifiers of the PUBACKs, in order (section 3.4.2)."""
        return [int.from_bytes(body[:2]) for kind, body in self.heard if kind == PUBACK]

    def _run(self) -> None:
        for number, messages in enumerate(self.sessions):
            connection, _ = self._server.accept()
            with closing(connection), connection.makefile("rb") as stream:
                self._welcome(connection, stream, resumed=number > 0)
                connection.sendall(b"".join(publish(*message) for message in messages))
                while packet := read_packet(stream):
                    self.heard.append(packet)

    def _welcome(self, connection: socket.socket, stream, *, resumed: bool) -> None:
        self.heard.append(read_packet(stream))
        connection.sendall(bytes([CONNACK << 4, 3, resumed, 0, 0]))  # section 3.2: flags, success, no properties
        kind, body = read_packet(stream)
        self.heard.append((kind, body))
        connection.sendall(bytes([SUBACK << 4, 4]) + body[:2] + bytes([0, 1]))  # section 3.9: granted QoS 1


def publish(number: int, packet_id: int, dup: bool) -> bytes:
    """A PUBLISH at QoS 1 (section 3.3)."""
    topic, payload = (text.encode() for text in report(number))
    body = struct.pack(">H", len(topic)) + topic + struct.pack(">HB", packet_id, 0) + payload
    assert len(body) < 16384
    return bytes([PUBLISH << 4 | dup << 3 | 1 << 1, len(body) & 127 | 128, len(body) >> 7]) + body


def read_packet(stream) -> tuple[int, bytes] | None:
    """Type and body of the next packet; the length is a variable byte integer (section 1.5.5)."""
    first = stream.read(1)
    if not first:
        return None
    length, shift = 0, 0
    while (digit := stream.read(1)[0]) & 128:
        length, shift = length | (digit & 127) << shift, shift + 7
    return first[0] >> 4, stream.read(length | digit << shift)


@contextmanager
def peer(*sessions: list[tuple[int, int, bool]]) -> Iterator[Peer]:
    speaking = Peer()
    speaking.sessions = list(sessions)
    speaking.start()
    yield speaking
    speaking.stop()


def test_connect_asks_for_a_session_that_outlives_the_connection(store: Store) -> None:
    with peer([]) as broker:
        heard = Listener(store, broker.address, V5)
        heard.start()
        heard.stop()
    kind, body = broker.heard[0]
    assert kind == CONNECT
    assert body[:7] == b"\x00\x04MQTT\x05"
    assert body[7] & 0b10 == 0  # Clean Start 0 (section 3.1.2.4)
    length, properties = body[10], body[11 : 11 + body[10]]
    assert len(properties) == length
    assert b"\x11" + struct.pack(">I", 30 * 86400) in properties  # Session Expiry Interval (section 3.1.2.11.2)
    assert b"\x21" + struct.pack(">H", RECEIVE_MAXIMUM) in properties  # Receive Maximum (section 3.1.2.11.3)
    assert broker.heard[-1][0] == DISCONNECT


def test_acknowledgements_come_after_the_commit_and_in_the_order_of_the_messages(store: Store) -> None:
    """[MQTT-4.6.0-2]: PUBACKs in the order in which the PUBLISH packets were received."""
    identifiers = [(number * 7919) % 65_535 + 1 for number in range(700)]
    gate = Unreliable(store)
    gate.go_on.clear()
    with peer([(number, packet_id, False) for number, packet_id in enumerate(identifiers)]) as broker:
        heard = Listener(gate, broker.address, V5, batch_rows=100)
        heard.start()
        until(lambda: heard.stats.received == 700)
        assert broker.acknowledged() == []
        gate.go_on.set()
        until(lambda: len(broker.acknowledged()) == 700)
        assert broker.acknowledged() == identifiers
        heard.stop()


def test_after_a_failed_write_nothing_is_acknowledged_until_it_was_sent_again_and_stored(store: Store) -> None:
    """[MQTT-4.4.0-1]: unacknowledged PUBLISH packets are sent again on reconnection, with their identifiers."""
    first = [(number, number + 10, False) for number in range(50)]
    again = [(number, packet_id, True) for number, packet_id, _ in first]
    with peer(first, again) as broker:
        heard = Listener(Unreliable(store, failures=1), broker.address, V5)
        heard.start()
        until(lambda: heard.stats.accepted == 50)
        until(lambda: len(broker.acknowledged()) == 50)
        heard.stop()
    kinds = [kind for kind, _ in broker.heard]
    assert kinds.count(CONNECT) == 2
    assert PUBACK not in kinds[: len(kinds) - 1 - kinds[::-1].index(CONNECT)]  # none before the second connection
    assert broker.acknowledged() == [packet_id for _, packet_id, _ in again]
    assert store.cursor().execute("SELECT count(*) FROM reports").fetchone() == (50,)
