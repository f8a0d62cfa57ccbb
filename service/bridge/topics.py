"""The topics: who speaks, in which form, and where the answer goes.

``v1/{organisation}/{gateway}/up/{form}``, ``v1/{organisation}/{gateway}/state`` and below
``v1/{organisation}/{gateway}/down/``; the bridge itself tells its state at ``v1/bridge/{client_id}/state``.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from service.http.formats.bodies import BAG, LINES, SENML_CBOR, SENML_JSON, TABLE

FORMS: Final[Mapping[str, str]] = {
    "json": BAG,
    "senml-json": SENML_JSON,
    "senml-cbor": SENML_CBOR,
    "csv": TABLE,
    "ndjson": LINES,
}
"""Last level of a topic -> media type. No ``+`` in a topic: to the broker it is a wildcard."""

UP: Final = "v1/+/+/up/+"
STATE: Final = "v1/+/+/state"

_NUMBER: Final = re.compile(r"[1-9][0-9]{0,9}")
_LARGEST_NUMBER: Final = 2**31 - 1
_LONGEST_TOPIC: Final = 65_535
_BRIDGE: Final = "bridge"


@dataclass(frozen=True)
class Address:
    """Where a message came in.

    Attributes
    ----------
    organisation, gateway
        As the topic has them.
    form
        The last level of ``up/{form}``; None for a gateway's state.
    """

    organisation: str
    gateway: str
    form: str | None

    @property
    def organisation_id(self) -> int | None:
        """The organisation's number, or None where the topic has no such number."""
        if not _NUMBER.fullmatch(self.organisation) or int(self.organisation) > _LARGEST_NUMBER:
            return None
        return int(self.organisation)

    def answer_topic(self, wanted: str | None) -> str:
        """Return where the result goes: where the gateway wants it (MQTT 5), if that is below its own ``down/``.

        Anywhere else a gateway could have the bridge speak to others, or to itself in an endless loop.
        """
        down = f"v1/{self.organisation}/{self.gateway}/down/"
        if (
            wanted is not None
            and wanted.startswith(down)
            and len(wanted.encode()) <= _LONGEST_TOPIC
            and not set(wanted[len(down) :]) & {"+", "#", "\x00"}
            and wanted != down
        ):
            return wanted
        return f"{down}result"


def read_topic(topic: str) -> Address | None:
    """Return who speaks at a topic, or None for what is no gateway's."""
    if "\x00" in topic:
        return None
    match topic.split("/"):
        case ["v1", organisation, gateway, "up", form] if organisation != _BRIDGE:
            return Address(organisation, gateway, form)
        case ["v1", organisation, gateway, "state"] if organisation != _BRIDGE:
            return Address(organisation, gateway, None)
        case _:
            return None


def own_state_topic(client_id: str) -> str:
    """Return where a bridge tells whether it is there."""
    return f"v1/{_BRIDGE}/{client_id}/state"
