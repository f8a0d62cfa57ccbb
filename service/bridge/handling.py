"""What becomes of one message: kept as readings or state, or put aside with the reason. Never neither."""

import hashlib
import time
from collections import Counter
from concurrent.futures import Future
from dataclasses import dataclass
from datetime import datetime
from typing import Final

import msgspec
import psycopg
import sqlalchemy.exc
import structlog

from service.bridge.session import Delivery
from service.bridge.states import read_state
from service.bridge.topics import FORMS, Address, read_topic
from service.domain.authority import Caller
from service.domain.errors import DomainError, Invalid, StorageFull, TooLarge, Unavailable
from service.http import problems
from service.http.formats.bodies import BAG, Manner, read_body
from service.http.formats.read import Unreadable, pack_of, show
from service.http.receipts import receipt_body
from service.operations import bridging
from service.operations.bridging import Unusable
from service.operations.intake import Intake
from service.operations.packs import Receipt
from service.settings import Settings
from service.storage import gateways
from service.storage.database import Database

NOT_NOW: Final = (
    Unavailable,
    StorageFull,
    psycopg.ProgrammingError,
    psycopg.InternalError,
    sqlalchemy.exc.ProgrammingError,
    sqlalchemy.exc.InternalError,
)
"""The record cannot take anything just now, or has not the schema we know: the message stays with the broker."""
FAULTS_FORGIVEN: Final = 3
"""After so many unforeseen errors over one message it is put aside; unacknowledged it would block the rest."""
_LONGEST_COMMIT_S: Final = 120
_TRUST_S: Final = 5.0
_MOST_REMEMBERED: Final = 10_000

log = structlog.get_logger()


@dataclass(frozen=True)
class Answer:
    """What a gateway is told, and where."""

    topic: str
    body: bytes
    media_type: str
    correlation: bytes | None


Begun = Future[Receipt] | Answer | None
"""Readings on their way to the disk, or what there is to tell of a message that is settled already."""


class Handler:
    """Settles messages through the same write path as HTTP; counts what became of them."""

    def __init__(self, database: Database, intake: Intake, settings: Settings) -> None:
        self._database = database
        self._intake = intake
        self._most_bytes = settings.max_bag_bytes
        self._most_records = settings.max_records
        self._known: dict[tuple[int, str], tuple[float, Caller]] = {}
        self.counts: Counter[str] = Counter()

    def begin(self, delivery: Delivery) -> Begun:
        """Start on a message; readings are on their way then, anything else is settled.

        Raises
        ------
        Unavailable, StorageFull
            Nothing was kept; try again later. Also whatever else is in ``NOT_NOW``.
        """
        now = delivery.received_at
        address = delivery.address
        if address is None:
            self.counts["not_ours"] += 1
            return None
        organisation_id = self._organisation(address)
        if organisation_id is None:
            digest = hashlib.sha256(delivery.body).hexdigest()
            log.warning("organisation_unknown", topic=show(delivery.topic), sha256=digest)
            self.counts["organisation_unknown"] += 1
            return None
        try:
            caller = self._caller(organisation_id, address.gateway)
            if address.form is None:
                self._note_state(caller, delivery.body, now)
                return None
            return self._submit(caller, address.form, delivery.body, now)
        except NOT_NOW:
            raise
        except (DomainError, Unreadable) as error:
            return self._put_aside(delivery, error)

    def finish(self, delivery: Delivery, receipt: "Future[Receipt]") -> Answer:
        """Wait until the readings are on disk, and return what to tell of them.

        Raises
        ------
        Unavailable, StorageFull
            Nothing was kept; try again later. Also whatever else is in ``NOT_NOW``.
        """
        try:
            kept = receipt.result(_LONGEST_COMMIT_S)
        except NOT_NOW:
            raise
        except DomainError as error:
            return self._put_aside(delivery, error)
        self.counts["kept"] += 1
        address = read_topic(delivery.topic)
        is_bag = address is not None and FORMS.get(address.form or "") == BAG
        body = receipt_body(kept, "/readings" if is_bag else "")
        return self._answer(delivery, msgspec.json.encode(body), "application/json")

    def give_up(self, delivery: Delivery) -> Answer:
        """Put aside a message over which we failed again and again, by our own fault."""
        return self._put_aside(delivery, None)

    def _organisation(self, address: Address) -> int | None:
        """Return the organisation's number if there is such an organisation."""
        organisation_id = address.organisation_id
        if organisation_id is None or self._remembered(organisation_id, address.gateway) is not None:
            return organisation_id
        with self._database.begin(organisation_id) as session:
            return organisation_id if gateways.organisation_exists(session, organisation_id) else None

    def _caller(self, organisation_id: int, gateway: str) -> Caller:
        """Return a gateway's authority; a change of the gateway counts within seconds."""
        caller = self._remembered(organisation_id, gateway)
        if caller is None:
            with self._database.begin(organisation_id) as session:
                caller = bridging.caller_for(session, organisation_id, gateway)
            if len(self._known) >= _MOST_REMEMBERED:
                self._known.clear()
            self._known[organisation_id, gateway] = (time.monotonic(), caller)
        return caller

    def _remembered(self, organisation_id: int, gateway: str) -> Caller | None:
        since, caller = self._known.get((organisation_id, gateway), (0.0, None))
        return caller if caller is not None and time.monotonic() - since < _TRUST_S else None

    def _note_state(self, caller: Caller, body: bytes, now: datetime) -> None:
        if not body:  # the retained state was cleared
            return
        told = read_state(body)
        with self._database.begin(caller.organisation_id) as session:
            bridging.note_state(session, caller, told, now=now)
        self.counts["states"] += 1

    def _submit(self, caller: Caller, form: str, body: bytes, now: datetime) -> "Future[Receipt]":
        if form not in FORMS:
            known = ", ".join(FORMS)
            raise Invalid.field("", f"the topic ends in up/{show(form)}; the forms are {known}")
        if len(body) > self._most_bytes:
            raise TooLarge(f"a message takes at most {self._most_bytes} bytes; halve it and send both halves")
        assert caller.gateway is not None
        manner = Manner(aliases=caller.gateway.aliases)
        bag = read_body(FORMS[form], body, manner=manner, now=now, most=self._most_records)
        return self._intake.submit(pack_of(bag, caller, now=now))

    def _put_aside(self, delivery: Delivery, error: DomainError | Unreadable | None) -> Answer:
        """Quarantine a message and return what to tell of it; ``error`` is None where the fault is ours."""
        address = delivery.address
        assert address is not None
        assert address.organisation_id is not None
        shown = _problem(error)
        reason = "a fault of the service; see its log" if error is None else str(error)
        message = Unusable(
            address.gateway, delivery.topic, FORMS.get(address.form or ""), delivery.body, reason
        )
        with self._database.begin(address.organisation_id) as session:
            kept_as = bridging.quarantine(
                session,
                address.organisation_id,
                message,
                now=delivery.received_at,
                most_bytes=self._most_bytes,
            )
        log.warning("message_quarantined", topic=show(delivery.topic), id=str(kept_as), reason=reason)
        self.counts["quarantined"] += 1
        return self._answer(delivery, shown, problems.MEDIA_TYPE)

    def _answer(self, delivery: Delivery, body: bytes, media_type: str) -> Answer:
        address = delivery.address
        assert address is not None
        return Answer(address.answer_topic(delivery.answer_to), body, media_type, delivery.correlation)


def _problem(error: DomainError | Unreadable | None) -> bytes:
    """Return the body HTTP would answer with."""
    if error is None:
        detail = "the fault was logged and the message kept for a person to look at"
        shown = problems.problem(500, "internal", "A fault of the service", detail)
    elif isinstance(error, DomainError):
        shown = problems.of_domain_error(error)
    else:
        shown = problems.problem(400, "unreadable", "The body cannot be read", str(error))
    return bytes(shown.body)
