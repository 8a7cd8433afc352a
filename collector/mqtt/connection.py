"""The only place that makes an MQTT client from `[broker]`: user, password, encryption, and the wording of failures."""

from __future__ import annotations

import secrets
import ssl
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from collector.config.settings import Broker
from collector.mqtt.wire import Client
from forecaster.domain.errors import ConfigError
from forecaster.texts.catalogue import Said, words

CONNECT_S = 10.0
"""How long a broker may take to accept a connection, and to answer on it [s]."""


def client(
    broker: Broker,
    client_id: str,
    protocol: int = mqtt.MQTTv311,
    *,
    keeps_session: bool = False,
    manual_ack: bool = False,
    reconnects: bool = True,
) -> Client:
    """A client for the broker, not connected yet.

    protocol : MQTTv311, which every broker supports, or MQTTv5
    keeps_session : whether the broker keeps messages while the client is away (MQTT 3.1.1; set on connecting in MQTT 5)
    manual_ack : whether the caller acknowledges messages; reconnects : whether a lost connection is opened again
    Errors: ConfigError where password_file or ca_file cannot be read.
    """
    options: dict[str, Any] = {} if protocol == mqtt.MQTTv5 else {"clean_session": not keeps_session}
    made = Client(
        CallbackAPIVersion.VERSION2,
        client_id=client_id,
        protocol=MQTTProtocolVersion(protocol),
        manual_ack=manual_ack,
        reconnect_on_failure=reconnects,
        **options,
    )
    if broker.user is not None:
        made.username_pw_set(broker.user, broker.password())
    if broker.tls:
        made.tls_set_context(_trust(broker))
    made.connect_timeout = CONNECT_S
    return made


def passing_name() -> str:
    """A client id for single use: the broker keeps nothing for it, and it evicts no other client."""
    return f"outlast-listener-{secrets.token_hex(4)}"


def why_not(broker: Broker, error: OSError) -> str:
    """Why a connection could not be opened, and what to check, in one line."""
    where = f"{broker.host}:{broker.port}"
    if isinstance(error, ssl.SSLError):
        return words()("broker.no_encrypted_connection_to_look_at", where=where, error=str(error))
    return words()("broker.no_broker_answers_at_look_at", where=where, value=error.strerror or error)


def _trust(broker: Broker) -> ssl.SSLContext:
    """The TLS context: trusts the authorities of ca_file, or the system's where none is named."""
    try:
        context = ssl.create_default_context(cafile=None if broker.ca_file is None else str(broker.ca_file))
    except OSError as error:  # an ssl.SSLError is one
        problem = Said("config.no_certificate_of_an_authority_can", value=error.strerror or error)
        raise ConfigError(
            str(broker.ca_file), "broker.ca_file", problem, Said("config.name_a_readable_file_of_pem")
        ) from error
    context.sslsocket_class = _ClosedOnFailure
    return context


class _ClosedOnFailure(ssl.SSLSocket):
    """Closes the connection when the handshake fails; paho would leave it open until garbage collection."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except OSError:
            self.close()
            raise
