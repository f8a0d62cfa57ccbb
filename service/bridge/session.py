"""The session with the broker: it outlives our connections and our crashes, and we alone say when it may forget.

A message is acknowledged by the one who settled it (``manual_ack``), on the connection it came by and on no other:
a packet identifier means nothing to another connection, where it may stand for a message not yet kept.
"""

import queue
import ssl
import sys
import threading
from collections import deque
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final

import msgspec
import paho.mqtt.client as mqtt
import structlog
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from service.bridge.broker import Broker
from service.bridge.topics import STATE, UP, Address, own_state_topic, read_topic

IN_HAND: Final = 20
"""Most messages we hold unacknowledged (MQTT 5 Receive Maximum; what Mosquitto allows MQTT 3.1.1 by itself)."""
_KEEPALIVE_S: Final = 30
_NEVER: Final = 0xFFFFFFFF
"""The session does not expire, as under MQTT 3.1.1 (MQTT 5.0 section 3.1.2.11.2)."""
_ONLY_IF_NEW: Final = 1
"""Retain handling: a retained message once, not at every connection (MQTT 5.0 section 3.8.3.1)."""
_MOST_RESULTS_WAITING: Final = 1000
_FAREWELL_S: Final = 2.0

log = structlog.get_logger()


@dataclass
class Delivery:
    """One message, as this connection brought it."""

    topic: str
    body: bytes
    qos: int
    packet_id: int
    received_at: datetime
    answer_to: str | None = None
    correlation: bytes | None = None
    faults: int = 0
    is_settled: bool = False

    @property
    def address(self) -> Address | None:
        """Who sent it; None for what is no gateway's."""
        return read_topic(self.topic)


class BrokerSession:
    """Brings messages, takes acknowledgements and answers; reconnects by itself, with growing pauses."""

    def __init__(self, broker: Broker) -> None:
        self._broker = broker
        self._inbox: queue.Queue[Delivery] = queue.Queue(IN_HAND)
        self._in_order: deque[Delivery] = deque()
        self._connection_lock = threading.Lock()
        self._is_closing = False
        self._thread: threading.Thread | None = None
        self._state_topic = own_state_topic(broker.client_id)
        self._client = self._new_client()

    def open(self) -> None:
        """Start connecting; returns at once."""
        properties = None
        options: dict[str, Any] = {}
        if self._is_v5:
            properties = _properties(PacketTypes.CONNECT)
            properties.SessionExpiryInterval = _NEVER
            properties.ReceiveMaximum = IN_HAND
            options = {"clean_start": False, "properties": properties}
        self._client.connect_async(self._broker.host, self._broker.port, _KEEPALIVE_S, **options)
        before = set(threading.enumerate())
        self._client.loop_start()  # the client keeps its thread to itself
        self._thread = next(thread for thread in threading.enumerate() if thread not in before)

    def must_be_alive(self) -> None:
        """Raise if the thread that talks to the broker has died: better restarted than deaf."""
        if self._thread is not None and not self._thread.is_alive():
            raise RuntimeError("the thread that talks to the broker has ended")

    def take(self, most: int, *, wait_s: float) -> list[Delivery]:
        """Return up to ``most`` messages; waits for the first."""
        taken: list[Delivery] = []
        try:
            while len(taken) < most:
                taken.append(self._inbox.get(timeout=wait_s) if not taken else self._inbox.get_nowait())
        except queue.Empty:
            pass
        return taken

    def acknowledge(self, delivery: Delivery) -> None:
        """Let the broker forget a message, once those before it are settled too (MQTT 5.0, MQTT-4.6.0-2).

        One of an earlier connection is not acknowledged: it comes again, and is known then.
        """
        delivery.is_settled = True
        with self._connection_lock:
            while self._in_order and self._in_order[0].is_settled:
                first = self._in_order.popleft()
                self._client.ack(first.packet_id, first.qos)

    def tell(self, topic: str, body: bytes, media_type: str, correlation: bytes | None) -> None:
        """Send an answer; should too many wait for the broker, this one is given up."""
        properties = None
        if self._is_v5:
            properties = _properties(PacketTypes.PUBLISH)
            properties.ContentType = media_type
            if correlation is not None:
                properties.CorrelationData = correlation
        info = self._client.publish(topic, body, qos=1, properties=properties)
        if info.rc == mqtt.MQTT_ERR_QUEUE_SIZE:
            log.warning("result_given_up", topic=topic)

    def stop_taking(self) -> None:
        """Leave what comes from now on to the next run."""
        self._is_closing = True

    def close(self) -> None:
        """Say that we go, and go; the session stays with the broker."""
        self._is_closing = True
        if self._client.is_connected():
            try:
                self._publish_state(is_online=False).wait_for_publish(_FAREWELL_S)
            except (RuntimeError, ValueError):
                log.warning("farewell_not_sent")
        self._client.disconnect()
        self._client.loop_stop()

    @property
    def _is_v5(self) -> bool:
        return self._broker.version == "5"

    def _new_client(self) -> mqtt.Client:
        broker = self._broker
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=broker.client_id,
            clean_session=None if self._is_v5 else False,
            protocol=mqtt.MQTTv5 if self._is_v5 else mqtt.MQTTv311,
            manual_ack=True,
        )
        if broker.user is not None:
            client.username_pw_set(broker.user, broker.password)
        if broker.is_tls:
            client.tls_set_context(ssl.create_default_context())
        client.will_set(self._state_topic, _state(is_online=False), qos=1, retain=True)
        client.max_queued_messages_set(_MOST_RESULTS_WAITING)
        client.reconnect_delay_set(1, 60)
        client.on_pre_connect = self._new_connection
        client.on_connect = self._connected
        client.on_connect_fail = self._not_reached
        client.on_disconnect = self._disconnected
        client.on_subscribe = self._subscribed
        client.on_message = self._received
        return client

    def _new_connection(self, *_: object) -> None:
        with self._connection_lock:
            self._in_order.clear()

    def _connected(
        self,
        client: mqtt.Client,
        _data: object,
        flags: mqtt.ConnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        if reason.is_failure:
            log.error("broker_refused", reason=str(reason), user=self._broker.user, remedy=_REMEDY)
            return
        log.info("broker_reached", host=self._broker.host, session_kept=flags.session_present)
        if self._is_v5:
            client.subscribe(
                [
                    (UP, SubscribeOptions(qos=1, retainHandling=_ONLY_IF_NEW)),
                    (STATE, SubscribeOptions(qos=1, noLocal=True)),
                ]
            )
        else:
            client.subscribe([(UP, 1), (STATE, 1)])
        self._publish_state(is_online=True)

    def _not_reached(self, _client: mqtt.Client, _data: object) -> None:
        # The client calls this while it handles the error, and tells of it in no other way.
        reason = str(sys.exc_info()[1])
        log.warning("broker_not_reached", host=self._broker.host, port=self._broker.port, reason=reason)

    def _disconnected(
        self,
        _client: mqtt.Client,
        _data: object,
        _flags: mqtt.DisconnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        self._new_connection()
        if not self._is_closing:
            log.warning("broker_lost", reason=str(reason))

    def _subscribed(
        self,
        _client: mqtt.Client,
        _data: object,
        _packet_id: int,
        reasons: list[ReasonCode],
        _properties: Properties | None,
    ) -> None:
        for topic, reason in zip((UP, STATE), reasons, strict=True):
            if reason.is_failure:
                log.error("subscription_refused", topic=topic, reason=str(reason), user=self._broker.user)
            else:
                log.info("subscribed", topic=topic)

    def _received(self, client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            log.warning("topic_unreadable", bytes=len(message.payload))
            client.ack(message.mid, message.qos)
            return
        properties = message.properties
        delivery = Delivery(
            topic,
            bytes(message.payload),
            message.qos,
            message.mid,
            datetime.now(UTC),
            getattr(properties, "ResponseTopic", None),
            getattr(properties, "CorrelationData", None),
        )
        with self._connection_lock:
            self._in_order.append(delivery)
        # A full box stops the reading of the socket, and with it the broker; nothing is dropped.
        while not self._is_closing:
            try:
                self._inbox.put(delivery, timeout=0.5)
            except queue.Full:
                continue
            return

    def _publish_state(self, *, is_online: bool) -> mqtt.MQTTMessageInfo:
        return self._client.publish(self._state_topic, _state(is_online=is_online), qos=1, retain=True)


_REMEDY: Final = "see HEAPLEDGER_BROKER_URL, HEAPLEDGER_BROKER_PASSWORD and the broker's password file"


def _state(*, is_online: bool) -> bytes:
    told: dict[str, object] = {"online": is_online}
    if is_online:
        told["since"] = datetime.now(UTC)
    return msgspec.json.encode(told)


def _properties(packet_type: int) -> Properties:
    return Properties(packet_type)  # type: ignore[no-untyped-call]
