"""The gateway over MQTT 5: records as ``gateway.py`` does, and drains the same buffer through a broker.

    some-sensor | python gateway.py buffer.db --record
    MQTT_PASSWORD=... python mqtt_gateway.py buffer.db --broker localhost --login 1/orchard-north --every-s 60

The broker's acknowledgement (QoS 1) says that the broker has the pack: in memory, a little later on its disk, read by
nobody yet; and before the bridge has ever been there, that it has thrown it away. So readings are deleted at the
result, which 'heapledger bridge' sends after its commit. Pack and result find each other by correlation data made from
the body, and a result that waited at the broker while we were rebooting still settles its pack.
"""

import argparse
import hashlib
import json
import os
import queue
import random
import sys
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from reading_buffer import Buffer, only_one

LONGEST_PAUSE_S: Final = 15 * 60
THE_PACK_IS_WRONG: Final = {400, 413, 422, 500}
"""Of 500 the bridge has put the message aside: sent again unchanged it would only be put aside again."""


class Link:
    """A session the broker keeps while we are away: results wait there, and the last will tells that we are gone."""

    def __init__(self, host: str, port: int, login: str, password: str, *, is_tls: bool = False) -> None:
        self.ready = threading.Event()
        self.results: queue.Queue[tuple[bytes | None, bytes]] = queue.Queue()
        self._base, self._buffered, self._given = f"v1/{login}", 0, (b"", 0)
        self._acknowledged: set[int] = set()
        self._client = client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id=login, protocol=mqtt.MQTTv5
        )
        client.username_pw_set(login, password)
        if is_tls:
            client.tls_set()
        will = Properties(PacketTypes.WILLMESSAGE)  # type: ignore[no-untyped-call]
        session = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        will.WillDelayInterval = 60  # a short gap in the radio is no alarm
        session.SessionExpiryInterval = 0xFFFFFFFF
        client.will_set(f"{self._base}/state", json.dumps({"online": False}), 1, retain=True, properties=will)
        first_s = min(LONGEST_PAUSE_S, random.uniform(1, 5))  # noqa: S311 - not everybody at once
        client.reconnect_delay_set(first_s, LONGEST_PAUSE_S)  # type: ignore[arg-type]
        client.on_connect, client.on_subscribe = self._connected, self._subscribed
        client.on_disconnect, client.on_message, client.on_publish = self._lost, self._heard, self._published
        client.connect_async(host, port, 30, clean_start=False, properties=session)
        client.loop_start()

    def ask(self, body: bytes, within_s: float) -> dict[str, Any] | None:
        """Send a pack and return its result, or None if there is none in time."""
        token = hashlib.sha256(body).digest()[:16]
        # What the broker has not acknowledged yet, the client sends again by itself.
        if self._given[0] != token or self._given[1] in self._acknowledged:
            asked = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            asked.CorrelationData = token
            self._acknowledged.clear()
            self._given = token, self._client.publish(f"{self._base}/up/json", body, 1, properties=asked).mid
        until = time.monotonic() + within_s
        while (left_s := until - time.monotonic()) > 0:
            try:
                of, said = self.results.get(timeout=left_s)
            except queue.Empty:
                break
            if of == token:
                result: dict[str, Any] = json.loads(said)
                return result
        return None

    def tell(self, buffered: int, *, is_online: bool = True) -> mqtt.MQTTMessageInfo:
        """Tell that we are here and how much waits."""
        self._buffered = buffered
        state = {"online": is_online, "since": datetime.now(UTC).isoformat(), "buffered": buffered}
        return self._client.publish(f"{self._base}/state", json.dumps(state), 1, retain=True)

    def close(self, buffered: int) -> None:
        """Say goodbye; the session stays with the broker."""
        if self.ready.is_set():
            self.tell(buffered, is_online=False).wait_for_publish(5)
        self._client.disconnect()
        self._client.loop_stop()

    def _connected(self, client: mqtt.Client, _: Any, __: Any, reason: Any, ___: Any) -> None:  # noqa: ANN401
        if reason.is_failure:
            print(f"the broker says: {reason}", file=sys.stderr)
            return
        client.subscribe(f"{self._base}/down/result", 1)

    def _subscribed(self, *_: object) -> None:
        self.tell(self._buffered)
        self.ready.set()

    def _lost(self, *_: object) -> None:
        self.ready.clear()

    def _published(self, _: Any, __: Any, mid: int, reason: Any, ___: Any) -> None:  # noqa: ANN401
        self._acknowledged.add(mid)
        if reason.is_failure:
            print(f"the broker does not take it: {reason}", file=sys.stderr)

    def _heard(self, _client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        self.results.put((getattr(message.properties, "CorrelationData", None), bytes(message.payload)))


def drain(
    buffer: Buffer, link: Link, sleep: Callable[[float], None] = time.sleep, within_s: float = 60
) -> None:
    """Send until nothing waits: oldest first, one pack in flight."""
    failures = 0
    while link.ready.wait() and (pack := buffer.pack()) is not None:
        body, count, _ = pack
        said = link.ask(body, within_s)
        if said is not None and said.get("received") == count:
            buffer.settle(said["refused"])
            failures = 0
        elif said is not None and said.get("status") in THE_PACK_IS_WRONG:
            buffer.refuse(f"{said['status']}: {said['detail']}")
        elif said is not None and "status" in said:
            raise SystemExit(f"{said['detail']}; {buffer.waiting()} readings stay in the buffer")
        else:  # the bridge is away; the same bytes again are harmless
            pause_s = random.uniform(0, min(LONGEST_PAUSE_S, 2 ** min(failures, 10)))  # noqa: S311
            failures += 1
            print(f"no result; {buffer.waiting()} wait; again in {pause_s:.1f} s", file=sys.stderr)
            sleep(pause_s)


def main() -> None:
    """Drain a buffer."""
    options = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    options.add_argument("buffer", type=Path)
    options.add_argument("--broker", default="localhost")
    options.add_argument("--port", type=int, default=1883)
    options.add_argument("--tls", action="store_true")
    options.add_argument("--login", required=True, help="ORGANISATION/GATEWAY, such as 1/orchard-north")
    options.add_argument("--within-s", type=float, default=60, help="how long a result is waited for")
    options.add_argument(
        "--every-s", type=float, help="look again for ever; without it, end once nothing waits"
    )
    asked = options.parse_args()
    buffer = Buffer(asked.buffer)
    with only_one(asked.buffer):
        link = Link(
            asked.broker, asked.port, asked.login, os.environ.get("MQTT_PASSWORD", ""), is_tls=asked.tls
        )
        try:
            drain(buffer, link, within_s=asked.within_s)
            while asked.every_s:
                time.sleep(asked.every_s)
                link.tell(buffer.waiting())
                drain(buffer, link, within_s=asked.within_s)
        finally:
            link.close(buffer.waiting())
    print(json.dumps({"waiting": buffer.waiting(), "set_aside": len(buffer.set_aside())}))


if __name__ == "__main__":
    main()
