"""The bridge process put together: from an MQTT broker to the record, one message at a time, none lost.

A message is acknowledged after the commit that keeps it, as readings or in quarantine. While the record cannot be
reached nothing is acknowledged: what waits, waits with the broker.
"""

import signal
import threading
import time
from collections import deque
from collections.abc import Sequence
from concurrent.futures import Future
from types import FrameType
from typing import Final

import structlog

from service.bridge.broker import Broker, broker_of
from service.bridge.handling import FAULTS_FORGIVEN, NOT_NOW, Answer, Begun, Handler
from service.bridge.session import IN_HAND, BrokerSession, Delivery
from service.operations.intake import Intake
from service.settings import Settings
from service.storage.database import SERVICE_ROLE, Database, connect_engine

__all__ = ["Broker", "broker_of", "run"]

_TICK_S: Final = 0.25
_FIRST_PAUSE_S: Final = 0.25
_LONGEST_PAUSE_S: Final = 30.0
_COUNTED_EVERY_S: Final = 60.0

log = structlog.get_logger()


def run(settings: Settings, broker: Broker, service_url: str) -> None:
    """Carry messages until told to stop by SIGTERM or SIGINT; what is in hand then is finished first."""
    stopping = threading.Event()

    def stop(_signal: int, _frame: FrameType | None) -> None:
        stopping.set()

    signal.signal(signal.SIGTERM, stop)
    signal.signal(signal.SIGINT, stop)
    database = Database(connect_engine(service_url, role=SERVICE_ROLE, pool_size=2))
    # One writer, so that of two values for one instant the first to arrive stays in force.
    intake = Intake(database, writers=1)
    session = BrokerSession(broker)
    handler = Handler(database, intake, settings)
    session.open()
    log.info("bridge_started", host=broker.host, port=broker.port, client_id=broker.client_id)
    try:
        Carrying(session, handler).until(stopping)
    finally:
        session.close()
        intake.close()
        database.close()
        log.info("bridge_stopped", **handler.counts)


class Carrying:
    """The loop: takes messages, settles those that arrive together in one commit, acknowledges each."""

    def __init__(self, session: BrokerSession, handler: Handler) -> None:
        self._session = session
        self._handler = handler
        self._waiting: deque[Delivery] = deque()
        self._pause_s = _FIRST_PAUSE_S
        self._retry_at = 0.0
        self._count_at = time.monotonic() + _COUNTED_EVERY_S

    def until(self, stopping: threading.Event) -> None:
        """Carry on until told to stop."""
        while not stopping.is_set():
            self._session.must_be_alive()
            self._log_counts()
            room = IN_HAND - len(self._waiting)
            if not room:
                stopping.wait(_TICK_S)
            batch = self._session.take(room, wait_s=_TICK_S)
            is_due = bool(self._waiting) and time.monotonic() >= self._retry_at
            if is_due:
                batch = [*self._waiting, *batch]
                self._waiting.clear()
            if batch:
                self._pace(self._round(batch), is_due=is_due)
        self._session.stop_taking()

    def _pace(self, settled: int, *, is_due: bool) -> None:
        """Let the pause before the next attempt grow while nothing can be kept."""
        if settled:
            self._pause_s = _FIRST_PAUSE_S
        elif is_due:
            self._pause_s = min(2 * self._pause_s, _LONGEST_PAUSE_S)
        if settled or is_due:
            self._retry_at = time.monotonic() + self._pause_s

    def _round(self, batch: Sequence[Delivery]) -> int:
        """Try every message of a batch, then settle them in their order; return how many are settled."""
        begun: list[tuple[Delivery, Begun]] = []
        settled = 0
        for place, delivery in enumerate(batch):
            try:
                begun.append((delivery, self._handler.begin(delivery)))
            except NOT_NOW as error:
                self._keep_for_later(batch[place:], error)
                break
            except Exception as error:  # noqa: BLE001 - one message must not stop the others
                settled += self._forgive(delivery, error)
        return settled + sum(self._finish(delivery, one) for delivery, one in begun)

    def _finish(self, delivery: Delivery, begun: Begun) -> bool:
        """Settle a message if it could be kept; return whether it is settled."""
        try:
            answer = self._handler.finish(delivery, begun) if isinstance(begun, Future) else begun
        except NOT_NOW as error:
            self._keep_for_later([delivery], error)
            return False
        except TimeoutError:
            raise  # the writing thread is gone or stuck: better restarted than deaf
        except Exception as error:  # noqa: BLE001 - one message must not stop the others
            return self._forgive(delivery, error)
        self._settle(delivery, answer)
        return True

    def _forgive(self, delivery: Delivery, error: Exception) -> bool:
        """Try a message again that met an unforeseen error, then put it aside; return whether it is settled."""
        delivery.faults += 1
        log.error("message_failed", topic=delivery.topic, faults=delivery.faults, exc_info=error)
        if delivery.faults <= FAULTS_FORGIVEN:
            self._waiting.append(delivery)
            return False
        try:
            answer = self._handler.give_up(delivery)
        except Exception as again:  # noqa: BLE001 - it cannot even be put aside: it stays with the broker
            self._keep_for_later([delivery], again)
            return False
        self._settle(delivery, answer)
        return True

    def _keep_for_later(self, deliveries: Sequence[Delivery], error: Exception) -> None:
        if not self._waiting:
            log.warning("record_refuses", reason=str(error), cause=str(error.__cause__ or ""))
        self._waiting.extend(deliveries)

    def _settle(self, delivery: Delivery, answer: Answer | None) -> None:
        """Tell the gateway and let the broker forget; a crash between the two tells it twice."""
        if answer is not None:
            self._session.tell(answer.topic, answer.body, answer.media_type, answer.correlation)
        self._session.acknowledge(delivery)

    def _log_counts(self) -> None:
        if time.monotonic() >= self._count_at:
            self._count_at = time.monotonic() + _COUNTED_EVERY_S
            log.info("bridge_counted", waiting=len(self._waiting), **self._handler.counts)
