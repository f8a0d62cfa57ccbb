"""What became of readings, as every way in tells it."""

from collections.abc import Sequence
from typing import Any, Final

from service.domain.quantities import UCUM, Unit
from service.domain.readings import Refusal
from service.http.metrics import outcome
from service.operations.packs import MOST_LISTED, Receipt

STRICT: Final = "handling=strict"


def receipt_body(receipt: Receipt, root: str = "/readings") -> dict[str, Any]:
    """Return a receipt as it is shown; at most a hundred refused and disputed readings are listed.

    ``root`` points at the list of readings in the body.
    """
    disputes = [
        {"index": d.place, "value_in_force": d.value_in_force, "unit_in_force": UCUM[Unit(d.unit_in_force)]}
        for d in receipt.disputes[:MOST_LISTED]
    ]
    return {
        "received": receipt.received,
        "stored": receipt.stored,
        "duplicate": receipt.duplicate,
        "disputed": receipt.disputed,
        "held": receipt.held,
        "refused": refused_items(receipt.refused, root),
        "refused_count": receipt.refused_count,
        "disputes": disputes,
    }


def refused_items(refused: Sequence[tuple[int, Refusal]], root: str = "/readings") -> list[dict[str, Any]]:
    """Return refused readings as they are listed; ``line`` only where the body was made of lines."""
    return [refused_item(place, refusal, root) for place, refusal in refused[:MOST_LISTED]]


def refused_item(place: int, refusal: Refusal, root: str = "/readings") -> dict[str, Any]:
    """Return one refused reading as it is listed."""
    item: dict[str, Any] = {
        "index": place,
        "pointer": pointer_of(place, refusal, root),
        "type": f"/problems/reading-{refusal.code}",
        "detail": refusal.detail,
    }
    if refusal.line is not None:
        item["line"] = refusal.line
    return item


def pointer_of(place: int, refusal: Refusal, root: str = "/readings") -> str:
    """Return the RFC 6901 pointer to what is wrong, in the body or, of a line, in its readings."""
    return f"{root}/{place}/{refusal.member}".rstrip("/")


def count(receipt: Receipt) -> None:
    """Add a receipt to the service's counters."""
    for name, number in (
        ("stored", receipt.stored),
        ("duplicate", receipt.duplicate),
        ("held", receipt.held),
        ("disputed", receipt.disputed),
        ("refused", receipt.refused_count),
    ):
        if number:
            outcome(name).inc(number)
