"""How to reach a broker: its address, the credentials for it, and a client set up so that no report is lost."""

import ipaddress
import logging
import ssl
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, Self
from urllib.parse import urlsplit

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from pydantic import SecretStr, ValidationError, model_validator
from pydantic_settings import BaseSettings, SettingsConfigDict

from ingest.errors import BrokerError

log = logging.getLogger(__name__)

VERSIONS = {"5": MQTTProtocolVersion.MQTTv5, "3.1.1": MQTTProtocolVersion.MQTTv311}
PORTS = {"mqtt": 1883, "mqtts": 8883}  # IANA service names mqtt and secure-mqtt
KEEPALIVE_S = 60
CONNECT_TIMEOUT_S = 5.0
SESSION_EXPIRY_S = 30 * 86_400  # the broker keeps our session and its queue over an outage of this length
RECEIVE_MAXIMUM = 10_000  # messages a broker may send us before the first is acknowledged
PACKET_MAX_BYTES = 16 * 1024 * 1024  # a broker drops what is larger, unseen by us


@dataclass(frozen=True)
class BrokerAddress:
    """Where a broker listens, whether it speaks TLS there, and whether it keeps a session for a client that is away."""

    host: str
    port: int
    tls: bool = False
    keeps_sessions: bool = True

    @classmethod
    def parse(cls, url: str) -> Self:
        """The address that `mqtt://host:port` or `mqtts://host:port` names; the port may be left out.

        Raises
        ------
        BrokerError
            The text is no such address, or it carries credentials.
        """
        if "@" in url:
            msg = (
                "broker address: credentials do not belong in the address, where others can read them; "
                "set JOULEBOOK_BROKER_USER and JOULEBOOK_BROKER_PASSWORD or JOULEBOOK_BROKER_PASSWORD_FILE"
            )
            raise BrokerError(msg)
        try:
            parts = urlsplit(url.strip())
            port = parts.port
        except ValueError as error:
            msg = f"broker address {url!r}: {error}; expected mqtt://host:port or mqtts://host:port"
            raise BrokerError(msg) from error
        extra = parts.path.strip("/") or parts.query or parts.fragment
        if parts.scheme not in PORTS or not parts.hostname or extra or port == 0:
            msg = f"broker address {url!r}: expected mqtt://host:port or mqtts://host:port"
            raise BrokerError(msg)
        return cls(parts.hostname, port or PORTS[parts.scheme], parts.scheme == "mqtts")

    def __str__(self) -> str:
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{'mqtts' if self.tls else 'mqtt'}://{host}:{self.port}"


def is_loopback(host: str) -> bool:
    """Whether the host is this machine and no other can reach it."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


class BrokerSettings(BaseSettings):
    """Credentials and certificates for the broker, from the environment: JOULEBOOK_BROKER_USER and so on."""

    model_config = SettingsConfigDict(env_prefix="JOULEBOOK_BROKER_", extra="ignore", hide_input_in_errors=True)

    version: Literal["5", "3.1.1"] = "5"
    user: str | None = None
    password: SecretStr | None = None
    password_file: Path | None = None
    ca_file: Path | None = None
    client_certificate: Path | None = None
    client_key: Path | None = None

    @model_validator(mode="after")
    def _belong_together(self) -> Self:
        if self.password is not None and self.password_file is not None:
            raise ValueError("JOULEBOOK_BROKER_PASSWORD and JOULEBOOK_BROKER_PASSWORD_FILE are both set; keep one")
        if self.user is None and (self.password is not None or self.password_file is not None):
            raise ValueError("a broker password is set without JOULEBOOK_BROKER_USER; set the user too")
        if (self.client_certificate is None) != (self.client_key is None):
            msg = "JOULEBOOK_BROKER_CLIENT_CERTIFICATE and JOULEBOOK_BROKER_CLIENT_KEY go together; set both or neither"
            raise ValueError(msg)
        return self

    @classmethod
    def load(cls) -> Self:
        """The settings of this environment.

        Raises
        ------
        BrokerError
            Two of them contradict each other.
        """
        try:
            return cls()
        except ValidationError as error:
            raise BrokerError(_one_line(error)) from None

    def secret(self) -> str | None:
        """The password, from the environment or its file."""
        if self.password_file is None:
            return self.password.get_secret_value() if self.password is not None else None
        try:
            return self.password_file.read_text(encoding="utf-8").rstrip("\r\n")
        except (OSError, UnicodeDecodeError) as error:
            msg = f"cannot read {self.password_file} named by JOULEBOOK_BROKER_PASSWORD_FILE: {error}; mend or unset it"
            raise BrokerError(msg) from error


def _one_line(error: ValidationError) -> str:
    first = error.errors()[0]
    if not first["loc"]:
        return first["msg"].removeprefix("Value error, ")
    return f"JOULEBOOK_BROKER_{first['loc'][0]}".upper() + f": {first['msg']}"


def make_client(address: BrokerAddress, settings: BrokerSettings, client_id: str) -> Client:
    """A client, not yet connected, that keeps its session and acknowledges a message only when told to.

    Raises
    ------
    BrokerError
        A password or certificate file cannot be read, or certificates are set for an address without TLS.
    """
    client = Client(
        CallbackAPIVersion.VERSION2,
        client_id,
        clean_session=None if settings.version == "5" else not address.keeps_sessions,
        protocol=VERSIONS[settings.version],
        manual_ack=True,
    )
    client.connect_timeout = CONNECT_TIMEOUT_S
    if settings.user is not None:
        client.username_pw_set(settings.user, settings.secret())
        if not address.tls and not is_loopback(address.host):
            log.warning("broker: the password goes over the network to %s in plain text; use mqtts://", address.host)
    if address.tls:
        _set_tls(client, settings)
    elif settings.ca_file is not None or settings.client_certificate is not None:
        msg = f"broker certificates are set but {address} is not encrypted; use mqtts:// or unset them"
        raise BrokerError(msg)
    return client


def _set_tls(client: Client, settings: BrokerSettings) -> None:
    files = [str(f) if f else None for f in (settings.ca_file, settings.client_certificate, settings.client_key)]
    try:
        client.tls_set(ca_certs=files[0], certfile=files[1], keyfile=files[2])
    except (OSError, ssl.SSLError, ValueError) as error:
        named = ", ".join(f for f in files if f)
        msg = f"cannot use the broker certificates {named}: {error}; check the files"
        raise BrokerError(msg) from error


def connect(client: Client, address: BrokerAddress) -> None:
    """Open the connection and send CONNECT with a session that outlives it (MQTT 5.0 section 3.1.2.11).

    Raises
    ------
    OSError
        The broker cannot be reached.
    """
    if client.protocol != MQTTProtocolVersion.MQTTv5:
        client.connect(address.host, address.port, KEEPALIVE_S)
        return
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # paho leaves it untyped
    properties.SessionExpiryInterval = SESSION_EXPIRY_S
    properties.ReceiveMaximum = RECEIVE_MAXIMUM
    properties.MaximumPacketSize = PACKET_MAX_BYTES
    client.connect(
        address.host, address.port, KEEPALIVE_S, clean_start=not address.keeps_sessions, properties=properties
    )
