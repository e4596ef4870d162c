"""The connection to the broker, kept up by a thread that owns the client: it reads, acknowledges and publishes.

Session rules of MQTT 5.0 that this rests on: a message not acknowledged is sent again only after a reconnect, and in
the order it was first sent (section 4.4); acknowledgements go in the order of the messages (section 4.6).
"""

import contextlib
import logging
import select
import socket
import ssl
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessage
from paho.mqtt.enums import MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from ingest.errors import BrokerError, UsageError
from ingest.mqtt import BrokerAddress, BrokerSettings, connect, make_client

log = logging.getLogger(__name__)

WELCOME_TIMEOUT_S = 30.0
BACK_OFF_S = (0.5, 30.0)  # first and longest wait before a reconnect, doubling in between
READ_BURST = 500  # packets read before acknowledgements get their turn
FAREWELL_S = 2.0  # for the last publications to be confirmed, and for the broker to close
DISCONNECT = b"\xe0\x00"  # the packet, normal disconnection (MQTT 5.0 section 3.14, MQTT 3.1.1 section 3.14)
NO_ANSWER = "it does not answer; if it speaks MQTT 3.1.1 only, set JOULEBOOK_BROKER_VERSION=3.1.1"
HUNG_UP = "it closed the connection; check its log, and over TLS the client certificate"


class Connection:
    """A session with the broker that outlives connections; every method may be called from any thread.

    Parameters
    ----------
    address, settings, client_id
        The broker, what is needed to be let in, and the name of the session there.
    topic_filter : str
        Subscribed to at QoS 1, without retained messages: they are old reports.
    receive : callable
        Takes a session number and a message; called by the thread of the connection.
    has_room : callable
        Whether more may be read now; if not, what the broker sends waits in the socket and then in the broker.
    changed : callable
        Called after messages were read and when the connection comes or goes.
    """

    def __init__(
        self,
        address: BrokerAddress,
        settings: BrokerSettings,
        client_id: str,
        topic_filter: str,
        *,
        receive: Callable[[int, MQTTMessage], None],
        has_room: Callable[[], bool],
        changed: Callable[[], None],
    ) -> None:
        self.online = False
        self.session = 0  # counts connections
        self.resent_from = 0  # what came before this session and was not acknowledged comes again
        self.reconnects = 0
        self.failure: BaseException | None = None  # what ended the thread, if not `stop()`
        self._address = address
        self._filter = topic_filter
        self._receive = receive
        self._has_room = has_room
        self._changed = changed
        self._client = make_client(address, settings, client_id)
        self._client.on_connect = self._on_connect
        self._client.on_subscribe = self._on_subscribe
        self._client.on_message = self._on_message
        self._client.on_publish = self._on_publish
        self._client.on_disconnect = self._on_disconnect
        self._refusal: str | None = None
        self._arrived = 0
        self._unconfirmed = 0
        self._attempts = 0  # reconnects in a row without success
        self._break = threading.Event()
        self._leaving = threading.Event()
        self._lock = threading.Lock()  # of the outbox
        self._outbox: dict[str, tuple[bytes | str, bool]] = {}
        self._acknowledgements: deque[list[tuple[int, int]]] = deque()
        self._wake_read, self._wake_write = socket.socketpair()
        self._wake_read.setblocking(False)
        self._wake_write.setblocking(False)
        self._thread = threading.Thread(target=self._guarded, name="broker-connection", daemon=True)

    def start(self) -> None:
        """Connect and subscribe; returns once the broker has let us in.

        Raises
        ------
        BrokerError
            It cannot be reached, does not answer, or refuses.
        """
        try:
            self._open()
        except BrokerError:
            self._close_wake()
            raise
        self._thread.start()

    def stop(self, timeout: float) -> bool:
        """Send what is still to be acknowledged and published, leave, and say whether that was done in time [s]."""
        self._leaving.set()
        self.wake()
        if self._thread.is_alive():
            self._thread.join(timeout)
        if self._thread.is_alive():
            return False
        self._close_wake()
        return True

    def acknowledge(self, messages: Iterable[tuple[int, int]]) -> None:
        """Tell the broker that messages are safe: pairs of session and packet identifier, in order of arrival."""
        self._attempts = 0
        self._acknowledgements.append(list(messages))
        self.wake()

    def reconnect(self) -> None:
        """Drop the connection and take it up again after a while, to be sent what is not acknowledged."""
        self.online = False
        self._break.set()
        self.wake()

    def publish(self, topic: str, payload: bytes | str, *, retain: bool) -> None:
        """Send a message at QoS 1; while the broker is away only the last one of a topic waits for it.

        Raises
        ------
        UsageError
            The topic is empty or has a wildcard.
        """
        if not topic or set(topic) & set("+#\0"):
            msg = f"cannot publish on topic {topic!r}: expected words joined by '/', without '+' or '#'"
            raise UsageError(msg)
        with self._lock:
            self._outbox[topic] = (payload, retain)
        self.wake()

    def wake(self) -> None:
        """Make the thread look at what there is to do."""
        with contextlib.suppress(BlockingIOError, OSError):  # full: it is awake; closed: it has ended
            self._wake_write.send(b"\0")

    def _close_wake(self) -> None:
        self._wake_read.close()
        self._wake_write.close()

    # The thread.

    def _guarded(self) -> None:
        try:
            self._run()
        except BaseException as error:
            self.failure = error
            raise
        finally:
            self.online = False
            self._changed()

    def _run(self) -> None:
        while not self._leaving.is_set():
            opened = time.monotonic()
            while self._pump(1.0) and not self._leaving.is_set() and not self._break.is_set():
                pass
            if self._leaving.is_set():
                break
            self._close()
            if time.monotonic() - opened > BACK_OFF_S[1]:
                self._attempts = 0
            self._come_back()
        self._say_goodbye()

    def _come_back(self) -> None:
        while not self._leaving.wait(min(BACK_OFF_S[1], BACK_OFF_S[0] * 2**self._attempts)):
            self._attempts = min(self._attempts + 1, 16)
            self._break.clear()
            try:
                self._open()
            except BrokerError as error:
                log.warning("%s", error)
            else:
                self.reconnects += 1
                return

    def _open(self) -> None:
        self._refusal = None
        at = f"{self._address.host} port {self._address.port}"
        try:
            connect(self._client, self._address)
        except OSError as error:
            msg = f"cannot reach the broker at {at}: {error.strerror or error}; {_remedy(error)}"
            raise BrokerError(msg) from error
        deadline = time.monotonic() + WELCOME_TIMEOUT_S
        alive = True
        while alive and not (self.online or self._refusal or self._leaving.is_set()) and time.monotonic() < deadline:
            alive = self._pump(0.1)
        if not self.online:
            self._close()
            reason = self._refusal or (NO_ANSWER if alive else HUNG_UP)
            msg = f"the broker at {at} did not let us in: {reason}"
            raise BrokerError(msg)

    def _pump(self, timeout: float) -> bool:
        """Do what there is to do, waiting for it up to `timeout`; False when the connection is gone."""
        client = self._client
        sock = client.socket()
        if sock is None:
            return False
        buffered = isinstance(sock, ssl.SSLSocket) and sock.pending() > 0
        reading = self._has_room() or not self.online or self._leaving.is_set()
        ready, writable, _ = select.select(
            [self._wake_read, sock] if reading else [self._wake_read],
            [sock] if client.want_write() else [],
            [],
            0 if buffered else timeout,
        )
        if self._wake_read in ready:
            self._wake_read.recv(4096)
        if writable:
            client.loop_write()
        if sock in ready or (buffered and reading):
            self._read()
        self._send_acknowledgements()
        self._send_publications()
        client.loop_misc()
        return client.socket() is not None

    def _read(self) -> None:
        for _ in range(READ_BURST):
            before = self._arrived
            read = self._client.loop_read()
            if read != MQTTErrorCode.MQTT_ERR_SUCCESS or self._arrived == before or not self._has_room():
                break
        self._changed()

    def _send_acknowledgements(self) -> None:
        while self._acknowledgements:
            for session, packet_id in self._acknowledgements.popleft():
                if session == self.session:  # of an earlier one: the broker has forgotten it or sends it again
                    self._client.ack(packet_id, 1)

    def _send_publications(self) -> None:
        if not self.online or not self._outbox:
            return
        with self._lock:
            outbox, self._outbox = self._outbox, {}
        for topic, (payload, retain) in outbox.items():
            self._unconfirmed += 1
            self._client.publish(topic, payload, qos=1, retain=retain)

    def _close(self) -> None:
        """Leave; the broker keeps the session.

        What the broker still sends is read to its end: closing a socket with unread data in it resets the connection,
        and acknowledgements under way would be lost with it (RFC 1122 section 4.2.2.13, from memory).
        """
        self.online = False
        sock = self._client.socket()
        if isinstance(sock, socket.socket):
            deadline = time.monotonic() + FAREWELL_S
            with contextlib.suppress(OSError):  # gone already
                sock.send(DISCONNECT)
                sock.shutdown(socket.SHUT_WR)
                while select.select([sock], [], [], max(0.0, deadline - time.monotonic()))[0] and sock.recv(65536):
                    pass
        self._client.disconnect()
        self._client.loop_write()

    def _say_goodbye(self) -> None:
        self._client.on_message = None  # what comes now is not acknowledged and comes again next time
        deadline = time.monotonic() + FAREWELL_S
        while self._pump(0.05) and (self._unconfirmed or self._outbox or self._client.want_write()):
            if time.monotonic() > deadline:
                log.warning("broker: left before it confirmed %d publications", self._unconfirmed + len(self._outbox))
                break
        self._close()

    # Callbacks of the client, in the thread.

    def _on_connect(
        self, client: Client, _: object, flags: ConnectFlags, reason: ReasonCode, _properties: Properties | None
    ) -> None:
        if reason.is_failure:
            self._refusal = f"{reason}; check JOULEBOOK_BROKER_USER, its password and JOULEBOOK_BROKER_VERSION"
            return
        self.session += 1
        if flags.session_present:
            self.resent_from = self.session
        elif self.session > 1 and self._address.keeps_sessions:
            log.warning("broker: it has forgotten our session; what it had queued for us is lost")
        if client.protocol == MQTTProtocolVersion.MQTTv5:
            options = SubscribeOptions(qos=1, retainHandling=SubscribeOptions.RETAIN_DO_NOT_SEND)
            client.subscribe(self._filter, options=options)
        else:
            client.subscribe(self._filter, qos=1)

    def _on_subscribe(
        self, _client: Client, _: object, _mid: int, reasons: list[ReasonCode], _properties: Properties | None
    ) -> None:
        if reasons[0].is_failure:
            self._refusal = f"it does not allow subscribing to {self._filter} ({reasons[0]}); check its access rules"
        else:
            self.online = True
            self._changed()

    def _on_message(self, _client: Client, _: object, message: MQTTMessage) -> None:
        self._arrived += 1
        self._receive(self.session, message)

    def _on_publish(
        self, _client: Client, _: object, _mid: int, _reason: ReasonCode, _properties: Properties | None
    ) -> None:
        self._unconfirmed -= 1

    def _on_disconnect(
        self, _client: Client, _: object, flags: DisconnectFlags, reason: ReasonCode, _properties: Properties | None
    ) -> None:
        self.online = False
        if flags.is_disconnect_packet_from_server:
            log.warning("broker: it closed the connection: %s", reason)
        elif reason.is_failure:
            log.info("broker: connection lost: %s", reason)
        self._changed()


def _remedy(error: OSError) -> str:
    if isinstance(error, ssl.SSLError):
        return (
            "check that it speaks TLS there, and JOULEBOOK_BROKER_CA_FILE if its certificate is of your own authority"
        )
    return "start it, or name another with --broker or JOULEBOOK_BROKER"
