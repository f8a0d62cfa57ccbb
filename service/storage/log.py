"""The log on disk: what waits to be appended, what was, and the nodes a proof needs."""

import uuid
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Final

from sqlalchemy import insert, text
from sqlmodel import Session

from service.domain.log import merkle
from service.domain.log.merkle import Place, Range
from service.storage.tables import log_leaf, log_node, log_word_key

SLACK: Final = timedelta(minutes=15)
"""How much later than it says a row may commit and still be found by the quick look; the nightly one finds all."""
_LONG_AGO: Final = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True)
class Due:
    """A row on record that has no leaf yet.

    Attributes
    ----------
    ref
        Names the row within its kind.
    about
        The pile, or the probe of a correction.
    recorded_at
        When it was recorded, as it says.
    row
        All there is of it.
    """

    kind: str
    ref: str
    about: uuid.UUID | None
    recorded_at: datetime
    row: Mapping[str, Any]


_LACKS_LEAF: Final = """
not exists (select from log_leaf l where l.organisation_id = r.organisation_id and l.kind = '{kind}' and l.ref = {ref})
"""


@dataclass(frozen=True)
class _Source:
    """Where the rows of a kind come from: a table ``r``, what names a row, and what tells that it is recent."""

    kind: str
    table: str
    ref: str
    about: str
    recorded_at: str
    recent: str
    condition: str = "true"


_ID_SINCE: Final = "r.id >= :since_id"
"""Ids hold the instant they were made at, so the key itself finds what is recent."""
SOURCES: Final = (
    _Source(
        "batch",
        "batch",
        "r.batch_id::text",
        "null::uuid",
        "r.received_at",
        "r.received_at >= :since",
        "r.seal is not null",
    ),
    _Source(
        "adoption",
        "adopted_batch",
        "r.batch_id || '/' || r.probe_id",
        "null::uuid",
        "r.adopted_at",
        "r.adopted_at >= :since",
    ),
    _Source("event", "pile_event", "r.id::text", "r.pile_id", "r.recorded_at", _ID_SINCE),
    _Source("correction", "reading_correction", "r.id::text", "r.probe_id", "r.recorded_at", _ID_SINCE),
    # A placement changes, and says not when: each version is dated when it is seen, after all that is dated itself.
    _Source("placement", "placement", "r.id || '@' || r.version", "r.pile_id", "now()", "true"),
    _Source("verdict", "verdict", "r.id::text", "r.pile_id", "r.issued_at", _ID_SINCE),
)


def lock(session: Session, organisation_id: int) -> None:
    """Let nobody else append to an organisation's log until the transaction ends."""
    session.execute(
        text("select pg_advisory_xact_lock(hashtextextended('heapledger.log', :organisation_id))"),
        {"organisation_id": organisation_id},
    )


def size_of(session: Session, organisation_id: int) -> int:
    """Return how many leaves an organisation's log has."""
    found = session.execute(
        text("select coalesce(max(leaf) + 1, 0) from log_leaf where organisation_id = :organisation_id"),
        {"organisation_id": organisation_id},
    ).scalar_one()
    return int(found)


def due(session: Session, organisation_id: int, *, everything: bool, most: int) -> list[Due]:
    """Return rows without a leaf, earliest first, at most so many.

    A row is looked for by the absence of its leaf, so one that committed late is not passed over. The quick look goes
    back from what the newest leaf was recorded at, by ``SLACK``; ``everything`` looks at all there is.
    """
    since = _LONG_AGO if everything else _quick_look_since(session, organisation_id)
    asked = {
        "organisation_id": organisation_id,
        "since": since,
        "since_id": _first_id(since),
        "most": most,
    }
    found = []
    for source in SOURCES:
        lacks = _LACKS_LEAF.format(kind=source.kind, ref=source.ref)
        statement = text(
            f"select {source.ref} as ref_, {source.about} as about_, {source.recorded_at} as recorded_at_, r.*"  # noqa: S608 - constants of ours
            f" from {source.table} r where r.organisation_id = :organisation_id and {source.condition}"
            f" and {source.recent} and {lacks} order by recorded_at_, ref_ limit :most"
        )
        found += [
            Due(source.kind, row["ref_"], row["about_"], row["recorded_at_"], dict(row))
            for row in session.execute(statement, asked).mappings()
        ]
    found.sort(key=lambda one: (one.recorded_at, one.kind, one.ref))
    return found[:most]


def _quick_look_since(session: Session, organisation_id: int) -> datetime:
    last = session.execute(
        text(
            "select recorded_at from log_leaf where organisation_id = :organisation_id order by leaf desc limit 1"
        ),
        {"organisation_id": organisation_id},
    ).scalar_one_or_none()
    return _LONG_AGO if last is None else max(_LONG_AGO, last - SLACK)


def _first_id(since: datetime) -> uuid.UUID:
    """Return an id as small as any UUIDv7 made at an instant (RFC 9562, 5.7)."""
    return uuid.UUID(int=(int(since.timestamp() * 1000) << 80) | (7 << 76) | (2 << 62))


@dataclass(frozen=True)
class Leaf:
    """A leaf to be appended.

    Attributes
    ----------
    word_key
        Ties a person's words to the entry; None where there are none.
    """

    due: Due
    entry: str
    word_key: bytes | None = None


def append(session: Session, organisation_id: int, size: int, leaves: Sequence[Leaf]) -> None:
    """Append leaves to a log of some size, which the caller has locked."""
    hashes = [merkle.leaf_hash(one.entry.encode()) for one in leaves]
    edge = merkle.complete(0, size)
    at = nodes(session, organisation_id, edge)
    made = merkle.grow(size, [at[place] for place in edge], hashes)
    session.execute(
        insert(log_leaf),
        [
            {
                "organisation_id": organisation_id,
                "leaf": size + number,
                "kind": one.due.kind,
                "ref": one.due.ref,
                "about": one.due.about,
                "entry": one.entry,
                "hash": hashes[number],
                "recorded_at": one.due.recorded_at,
            }
            for number, one in enumerate(leaves)
        ],
    )
    above = [
        {"organisation_id": organisation_id, "level": one.level, "place": one.place, "hash": one.hash}
        for one in made
        if one.level
    ]
    if above:
        session.execute(insert(log_node), above)
    keys = [
        {"organisation_id": organisation_id, "leaf": size + number, "key": one.word_key}
        for number, one in enumerate(leaves)
        if one.word_key is not None
    ]
    if keys:
        session.execute(insert(log_word_key), keys)


_NODES: Final = text("""
select n.level, n.place, n.hash
from unnest(cast(:levels as int[]), cast(:places as bigint[])) as i (level, place)
join log_node n on n.organisation_id = :organisation_id and n.level = i.level and n.place = i.place
union all
select 0, l.leaf, l.hash from log_leaf l
where l.organisation_id = :organisation_id and l.leaf = any(cast(:leaves as bigint[]))
""")


def nodes(session: Session, organisation_id: int, places: Iterable[Place]) -> dict[Place, bytes]:
    """Return the hashes of complete nodes; one that is gone or cut is given as no bytes, and proves nothing."""
    wanted = list(dict.fromkeys(places))
    above = [place for place in wanted if place[0]]
    rows = session.execute(
        _NODES,
        {
            "organisation_id": organisation_id,
            "levels": [level for level, _ in above],
            "places": [place for _, place in above],
            "leaves": [place for level, place in wanted if not level],
        },
    ).all()
    found = {(int(level), int(place)): bytes(one) for level, place, one in rows}
    return {place: found.get(place, b"") for place in wanted}


def range_hashes(session: Session, organisation_id: int, ranges: Sequence[Range]) -> list[bytes]:
    """Return the hash of each range of leaves."""
    places = {one: merkle.complete(*one) for one in ranges}
    at = nodes(session, organisation_id, [place for some in places.values() for place in some])
    folded = {one: merkle.fold([at[place] for place in some]) for one, some in places.items()}
    return [folded[one] for one in ranges]


def root_of(session: Session, organisation_id: int, size: int) -> bytes:
    """Return the root of a log at some size it has or had."""
    return range_hashes(session, organisation_id, [(0, size)])[0]


@dataclass(frozen=True)
class OnLog:
    """A leaf as it was appended, and the key to a person's words in it, unless that was deleted."""

    leaf: int
    kind: str
    ref: str
    entry: str
    word_key: bytes | None


_LEAVES: Final = """
select l.leaf, l.kind, l.ref, l.entry, k.key
from log_leaf l left join log_word_key k on k.organisation_id = l.organisation_id and k.leaf = l.leaf
where l.organisation_id = :organisation_id and {which} order by l.leaf
"""
_ABOUT: Final = text(_LEAVES.format(which="l.about = any(cast(:about as uuid[]))"))
_NAMED: Final = text(_LEAVES.format(which="l.kind = :kind and l.ref = any(cast(:refs as text[]))"))
_ONE: Final = text(_LEAVES.format(which="l.leaf = :leaf"))


def leaves_about(session: Session, organisation_id: int, about: Sequence[uuid.UUID]) -> list[OnLog]:
    """Return the leaves about some piles and probes, in the order of the log."""
    return _leaves(session, _ABOUT, organisation_id=organisation_id, about=list(about))


def leaves_named(session: Session, organisation_id: int, kind: str, refs: Sequence[str]) -> list[OnLog]:
    """Return the leaves of some rows of a kind."""
    return _leaves(session, _NAMED, organisation_id=organisation_id, kind=kind, refs=list(refs))


def leaf_at(session: Session, organisation_id: int, leaf: int) -> OnLog | None:
    """Return one leaf."""
    found = _leaves(session, _ONE, organisation_id=organisation_id, leaf=leaf)
    return found[0] if found else None


def _leaves(session: Session, statement: Any, **asked: object) -> list[OnLog]:  # noqa: ANN401 - a text clause
    rows = session.execute(statement, asked).all()
    return [OnLog(leaf, kind, ref, entry, key and bytes(key)) for leaf, kind, ref, entry, key in rows]
