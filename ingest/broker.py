"""A broker inside the program, for the demo and for tests: loopback only, anonymous, MQTT 3.1.1, nothing kept on disk.

It forgets a session when its client goes, so a fleet that must lose nothing needs a broker of its own.
"""

import asyncio
import logging
import os
import threading
from dataclasses import replace

from amqtt.adapters import StreamReaderAdapter, StreamWriterAdapter
from amqtt.broker import Broker
from amqtt.contexts import BrokerConfig, ListenerConfig, ListenerType

from ingest.errors import BrokerError
from ingest.mqtt import BrokerAddress, BrokerSettings, is_loopback

START_TIMEOUT_S = 10.0
STOP_TIMEOUT_S = 10.0
LISTENER = "default"


class EmbeddedBroker:
    """An MQTT broker in a thread of its own; `address` says where once it has started.

    Parameters
    ----------
    host : str
        A loopback address: anyone who reaches this broker may publish.
    port : int
        0 takes a free one.
    """

    def __init__(self, host: str = "127.0.0.1", port: int = 0) -> None:
        if not is_loopback(host):
            msg = f"the embedded broker serves loopback only, got {host}; for a network run a broker with passwords"
            raise BrokerError(msg)
        self._wanted = BrokerAddress(host, port, keeps_sessions=False)
        self._address: BrokerAddress | None = None
        self._failure: OSError | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._stop = asyncio.Event()
        self._settled = threading.Event()
        self._thread = threading.Thread(target=lambda: asyncio.run(self._serve()), name="embedded-broker", daemon=True)

    @property
    def address(self) -> BrokerAddress:
        """Where the broker listens."""
        if self._address is None:
            raise BrokerError("the embedded broker has no address before it has started; call start() first")
        return self._address

    @property
    def settings(self) -> BrokerSettings:
        """What a client needs to speak with it, whatever the environment says of other brokers."""
        return BrokerSettings.model_construct(version="3.1.1")

    def start(self) -> None:
        """Listen; returns when clients can connect.

        Raises
        ------
        BrokerError
            The port is in use or may not be opened.
        """
        logging.getLogger("amqtt").setLevel(logging.ERROR)
        logging.getLogger("transitions").setLevel(logging.ERROR)
        self._thread.start()
        self._settled.wait(START_TIMEOUT_S)
        if self._address is None:
            self._thread.join()
            reason = (
                os.strerror(self._failure.errno)
                if self._failure and self._failure.errno
                else "it did not start in time"
            )
            msg = f"cannot open the embedded broker on {self._wanted}: {reason}; choose another port, or 0 for any free"
            raise BrokerError(msg) from self._failure

    def stop(self) -> None:
        """Close every connection and end the thread; may be called again."""
        if self._loop is not None and self._thread.is_alive():
            self._loop.call_soon_threadsafe(self._stop.set)
            self._thread.join(STOP_TIMEOUT_S)

    async def _serve(self) -> None:
        self._loop = asyncio.get_running_loop()
        # The listener is "external" so that the port is opened, and its failure seen, here.
        listeners = {LISTENER: ListenerConfig(type=ListenerType.EXTERNAL)}
        plugins = {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}}
        broker = Broker(BrokerConfig(listeners=listeners, plugins=plugins))
        connections: set[asyncio.Task[None]] = set()

        def connected(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            task = asyncio.create_task(_attend(broker, reader, writer))
            connections.add(task)
            task.add_done_callback(connections.discard)

        await broker.start()
        try:
            server = await asyncio.start_server(connected, self._wanted.host, self._wanted.port)
        except OSError as error:
            self._failure = error
        else:
            self._address = replace(self._wanted, port=server.sockets[0].getsockname()[1])
            self._settled.set()
            await self._stop.wait()
            server.close()
        finally:
            self._settled.set()
            await broker.shutdown()
            for task in connections:  # those that never finished saying hello
                task.cancel()
            await asyncio.gather(*connections, return_exceptions=True)


async def _attend(broker: Broker, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    try:
        await broker.external_connected(StreamReaderAdapter(reader), StreamWriterAdapter(writer), LISTENER)
    except OSError as error:  # it left while it was answered, as one does that is refused MQTT 5
        logging.getLogger(__name__).info("a client of the embedded broker has gone: %s", error)
    finally:
        writer.close()
