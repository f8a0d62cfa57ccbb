"""What a caller can change of piles: register, change, and add what happened."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any
from uuid import UUID

from sqlmodel import Session

from service.domain.authority import Caller
from service.domain.errors import Conflict, FieldError, Invalid, NotFound
from service.domain.piles import fresh_material, in_force
from service.domain.readings import FUTURE_TOLERANCE
from service.operations import sites
from service.operations.handover import follow_record
from service.operations.patterns import with_pattern
from service.operations.reopening import LONG_PAST, reopen
from service.operations.replanning import after_build, after_change, after_turn
from service.operations.stock_loads import follow_load
from service.storage import piles as stored
from service.storage import records, rules
from service.storage.lineages import joinings_of
from service.storage.tables import BayRow, PileEventRow, PileRow, RecipeRow


def create_pile(session: Session, caller: Caller, values: Mapping[str, Any]) -> PileRow:
    """Register a pile at a site.

    Raises
    ------
    Invalid
        The site, bay or recipe is not one of the caller's, a rule is unknown, or the pattern does not fit.
    """
    sites.must_be_own_site(session, caller, values["site_id"])
    values = with_pattern(session, caller, values, values["site_id"])
    _must_fit(session, caller, values["site_id"], values)
    row = records.add(session, PileRow(organisation_id=caller.organisation_id, **values))
    follow_record(session, row)
    return row


def pile_of(session: Session, caller: Caller, pile_id: UUID, *, lock: bool = False) -> PileRow:
    """Return a pile this caller may touch."""
    row = records.find(session, PileRow, caller.organisation_id, pile_id, lock=lock)
    caller.must_reach_site(row.site_id, "pile")
    return row


def change_pile(
    session: Session, caller: Caller, pile_id: UUID, version: int, changes: Mapping[str, Any]
) -> PileRow:
    """Change a pile under its version; giving or changing the build's instant leaves its trace among the events."""
    row = pile_of(session, caller, pile_id, lock=True)
    changes = with_pattern(session, caller, changes, row.site_id)
    _must_fit(session, caller, row.site_id, changes)
    built_was, recipe_was = row.built_at, row.recipe_id
    changed = records.change(session, row, version, changes)
    if changed.built_at != built_was:
        _trace_build(session, caller, changed, built_was)
        after_build(session, changed, now=datetime.now(UTC))
        follow_record(session, changed)
    if (changed.built_at, changed.recipe_id) != (built_was, recipe_was):
        reopen(session, caller.organisation_id, LONG_PAST)
    return changed


def _trace_build(session: Session, caller: Caller, pile: PileRow, built_was: datetime | None) -> None:
    was, now = (None if one is None else one.isoformat() for one in (built_was, pile.built_at))
    at = built_was or pile.built_at
    assert at is not None, "a build that was changed was, or is"
    records.add(
        session,
        PileEventRow(
            organisation_id=caller.organisation_id,
            pile_id=pile.id,
            kind="observe",
            at=at,
            note="The instant of the build was changed."
            if built_was
            else "The instant of the build was given.",
            details={"built_at_was": was, "built_at_is": now},
            recorded_by=caller.credential_id,
        ),
    )


def _must_fit(session: Session, caller: Caller, site_id: UUID, values: Mapping[str, Any]) -> None:
    errors = []
    bay_id, recipe_id = values.get("bay_id"), values.get("recipe_id")
    if bay_id is not None and not _is_bay_of(session, caller, site_id, bay_id):
        errors.append(FieldError("/bay_id", f"no bay with id {bay_id} at the pile's site; register it first"))
    if recipe_id is not None:
        try:
            records.find(session, RecipeRow, caller.organisation_id, recipe_id)
        except NotFound:
            errors.append(FieldError("/recipe_id", f"no recipe with id {recipe_id}; write it first"))
    known = rules.book(session, caller.organisation_id) if values.get("rules") else {}
    errors += [
        FieldError(f"/rules/{place}", f"{rule} is not a rule of this service; GET /v1/rules lists them")
        for place, rule in enumerate(values.get("rules") or ())
        if rule not in known
    ]
    if errors:
        raise Invalid(*errors)


def _is_bay_of(session: Session, caller: Caller, site_id: UUID, bay_id: UUID) -> bool:
    try:
        return records.find(session, BayRow, caller.organisation_id, bay_id).site_id == site_id
    except NotFound:
        return False


@dataclass(frozen=True)
class Happening:
    """Something that happened to a pile, as it is told."""

    kind: str
    at: datetime
    details: Mapping[str, Any] = field(default_factory=dict)
    crew: str | None = None
    note: str | None = None
    corrects: UUID | None = None


def record_event(
    session: Session, caller: Caller, pile_id: UUID, happening: Happening, *, now: datetime
) -> PileEventRow:
    """Add what happened to a pile's record, and let the site's stock follow a load; nothing on record is changed.

    Raises
    ------
    Invalid
        It lies in the future, or names a bay, pile or event that does not fit.
    Conflict
        The pile is merged or closed over itself.
    """
    # What moves stock is recorded one after the other: two corrections of one load must not both give it back.
    pile = pile_of(session, caller, pile_id, lock=happening.kind in {"load", "correct"})
    _must_have_happened(happening, now)
    _must_name_own(session, caller, pile, happening)
    _must_have_stood(session, pile, happening)
    row = records.add(
        session,
        PileEventRow(
            organisation_id=caller.organisation_id,
            pile_id=pile.id,
            kind=happening.kind,
            at=happening.at,
            crew=happening.crew,
            note=happening.note,
            details=dict(happening.details),
            corrects=happening.corrects,
            recorded_at=now,
            recorded_by=caller.credential_id,
        ),
    )
    follow_load(session, caller, pile, row, now=now)
    _follow_plan(session, pile, happening, now)
    follow_record(session, pile)
    # What a correction corrects may lie long before it.
    reopen(session, caller.organisation_id, LONG_PAST if happening.corrects is not None else happening.at)
    return row


def _follow_plan(session: Session, pile: PileRow, happening: Happening, now: datetime) -> None:
    """Have the site's plan mended where what happened is not what it says."""
    if happening.kind == "turn":
        after_turn(session, pile, happening.at, now=now)
    elif happening.kind in {"close", "merge", "split", "correct"}:
        because = f"{pile.label}: '{happening.kind}' was recorded"
        after_change(session, pile.organisation_id, pile.site_id, because, now=now)


def _must_have_happened(happening: Happening, now: datetime) -> None:
    instants = {"/at": happening.at}
    replacement = happening.details.get("replacement")
    if replacement is not None:
        instants["/replacement/at"] = datetime.fromisoformat(replacement["at"])
    for pointer, at in instants.items():
        if at > now + FUTURE_TOLERANCE:
            raise Invalid.field(pointer, f"{at.isoformat()} has not come yet; record it when it has happened")


def _must_have_stood(session: Session, pile: PileRow, happening: Happening) -> None:
    """Refuse a turn of a pile of which nothing was there yet; one that was being filled may have been turned."""
    told = happening.details.get("replacement")
    kind = happening.kind if told is None else told["kind"]
    at = happening.at if told is None else datetime.fromisoformat(told["at"])
    if kind != "turn" or pile.built_at is None or at >= pile.built_at:
        return
    events = stored.events_of(session, pile.organisation_id, pile.id)
    came = [
        one.at
        for one in joinings_of(session, pile.organisation_id, pile.id, events)
        if one.child_id == pile.id
    ]
    if not any(one <= at for one in (*fresh_material(in_force(events)), *came)):
        raise Invalid.field(
            "/at" if told is None else "/replacement/at",
            f"{at.isoformat()} lies before the pile was built at {pile.built_at.isoformat()}, and nothing had been"
            " loaded; give when it was turned, or correct the pile's built_at first",
        )


def _must_name_own(session: Session, caller: Caller, pile: PileRow, happening: Happening) -> None:
    details = happening.details
    if happening.corrects is not None:
        _must_be_correctable(session, caller, pile, happening.corrects)
        details = details.get("replacement") or {}
    at = "/replacement" if happening.corrects is not None else ""
    bay_id = details.get("bay_id")
    if bay_id is not None and not _is_bay_of(session, caller, pile.site_id, UUID(bay_id)):
        raise Invalid.field(f"{at}/bay_id", f"no bay with id {bay_id} at the pile's site; register it first")
    named = {
        f"{at}/with_pile_id": details.get("with_pile_id"),
        f"{at}/into_pile_id": details.get("into_pile_id"),
        **{f"{at}/into_pile_ids/{i}": other for i, other in enumerate(details.get("into_pile_ids", ()))},
    }
    for pointer, other in named.items():
        if other is None:
            continue
        if UUID(other) == pile.id:
            raise Conflict("a pile cannot be merged with itself or split into itself; name another pile")
        try:
            pile_of(session, caller, UUID(other))
        except NotFound as error:
            raise Invalid.field(pointer, f"no pile with id {other}; register it first") from error


def _must_be_correctable(session: Session, caller: Caller, pile: PileRow, event_id: UUID) -> None:
    try:
        target = records.find(session, PileEventRow, caller.organisation_id, event_id)
    except NotFound:
        target = None
    if target is None or target.pile_id != pile.id:
        raise Invalid.field(
            "/corrects", f"no event with id {event_id} on this pile; take an id from its events"
        )
    if target.kind == "correct":
        raise Invalid.field(
            "/corrects",
            f"{event_id} is itself a correction; correct the entry it names ({target.corrects}) again",
        )
