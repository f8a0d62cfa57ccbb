"""A post's body: received under its limits, inflated, and read in its form by the key's own manner."""

from collections.abc import AsyncIterator, Mapping, Sequence
from datetime import datetime

from starlette.types import Receive

from service.domain.authority import Caller
from service.domain.errors import Invalid, TooLarge
from service.http.asking import Asked
from service.http.formats.bodies import BAG, TABLE, Manner, read_body
from service.http.formats.codings import IDENTITY, Inflater
from service.http.formats.read import Sorted, Unreadable, show
from service.http.formats.table import read_table
from service.http.formats.table_layout import TableLayout, layout_of
from service.http.formats.uplink import UplinkProfile, profile_of, read_uplink
from service.storage import profiles
from service.storage import readings as stored
from service.storage.database import Database


async def receive_pieces(receive: Receive) -> AsyncIterator[bytes]:
    """Yield a body as it comes.

    Raises
    ------
    Unreadable
        The connection ended before the body did.
    """
    more = True
    while more:
        message = await receive()
        if message["type"] == "http.disconnect":
            raise Unreadable("the connection ended before the body did; send it again")
        piece: bytes = message.get("body", b"")
        if piece:
            yield piece
        more = message.get("more_body", False)


async def receive_body(receive: Receive, headers: Mapping[str, str], coding: str, most: int) -> bytes:
    """Return a whole body, inflated.

    Raises
    ------
    TooLarge
        It has more than ``most`` bytes on the wire or inflated; raised before they are in memory.
    Unreadable
        It was cut off, or is not of its coding.
    """
    length = headers.get("content-length", "")
    if length.isdigit() and int(length) > most:
        raise too_large(most)
    inflater = Inflater(coding, most)
    parts: list[bytes] = []
    size = 0
    async for piece in receive_pieces(receive):
        size += len(piece)
        if size > most:
            raise too_large(most)
        parts.append(piece if coding == IDENTITY else inflater.feed(piece))
    if coding != IDENTITY:
        inflater.finish()
    return b"".join(parts)


def too_large(most: int) -> TooLarge:
    """Return the refusal of a body over its limit."""
    return TooLarge(
        f"this address takes at most {most} bytes in one request; halve it and send both halves,"
        " or send it with 'Prefer: respond-async'"
    )


class Readers:
    """Reads bodies for one web process.

    Parameters
    ----------
    most
        Most readings in one request.
    """

    def __init__(self, database: Database, *, most: int) -> None:
        self._database = database
        self._most = most

    def read(self, caller: Caller, asked: Asked, body: bytes, *, now: datetime) -> Sorted:
        """Read a body in the form its head names.

        Raises
        ------
        Invalid
            The envelope does not fit, or the profile is not known or of another kind.
        Unreadable
            The body is not of its media type.
        TooLarge
            It holds too many readings.
        """
        if asked.media_type == TABLE:
            layout = self.layout(caller, asked.profile)
            return read_table(body, layout, now=now, most=self._most, time_zone=asked.time_zone)
        if asked.profile is not None:
            return read_uplink(body, self._uplink(caller, asked), now=now, most=self._most)
        manner = Manner(asked.is_live, asked.time_zone, self._aliases(caller))
        return read_body(asked.media_type, body, manner=manner, now=now, most=self._most)

    def layout(self, caller: Caller, name: str | None) -> TableLayout:
        """Return how a table is read: by the profile it names, else with our own header."""
        if name is None:
            return TableLayout()
        return layout_of(self._definition(caller, name, "table"))

    def _uplink(self, caller: Caller, asked: Asked) -> UplinkProfile:
        if asked.media_type != BAG:
            raise Invalid.field("/profile", f"goes with {BAG} or {TABLE}, not with {asked.media_type}")
        assert asked.profile is not None
        return profile_of(self._definition(caller, asked.profile, "uplink"))

    def _definition(self, caller: Caller, name: str, kind: str) -> Mapping[str, object]:
        with self._database.begin(caller.organisation_id) as session:
            row = profiles.by_name(session, caller.organisation_id, name)
        if row is None or row.kind != kind:
            raise Invalid.field("/profile", f"no {kind} profile {show(name)}; POST /v1/profiles makes one")
        return row.definition

    def _aliases(self, caller: Caller) -> Mapping[str, str]:
        return {} if caller.gateway is None else caller.gateway.aliases

    def unknown(self, caller: Caller, serials: Sequence[str]) -> set[str]:
        """Return those serials of which no probe is registered."""
        with self._database.begin_plain(caller.organisation_id) as connection:
            return set(serials) - set(stored.instruments(connection, caller.organisation_id, serials))
