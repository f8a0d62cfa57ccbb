"""What a caller can change of feedstocks, and which figure of a feedstock is in force."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date
from typing import Any, Final
from uuid import UUID

from sqlmodel import Session

from service.domain.authority import Caller
from service.domain.errors import Conflict, Invalid
from service.domain.recipes import Ingredient, library
from service.domain.recipes.analyses import OF_DRY_MATTER, measured, range_of
from service.domain.recipes.feedstock import FIGURES
from service.domain.recipes.in_force import lay
from service.domain.recipes.ingredient import check_figures
from service.domain.recipes.origin import Origin
from service.operations import sites
from service.storage import feedstocks as stored
from service.storage import records
from service.storage.tables import AnalysisRow, FeedstockRow

FIELDS: Final = (*FIGURES, "lignin_method")
"""What a record keeps of a material."""
_OF_WITHDRAWAL: Final = frozenset({"kind", "withdraws", "note", "basis"})


def create_feedstock(session: Session, caller: Caller, values: Mapping[str, Any]) -> FeedstockRow:
    """Register a feedstock of the organisation, or of one site alone."""
    _must_own(session, caller, values.get("site_id"), "feedstocks")
    _must_agree(values)
    return records.add(session, FeedstockRow(organisation_id=caller.organisation_id, **values))


def change_feedstock(
    session: Session, caller: Caller, feedstock_id: UUID, version: int, changes: Mapping[str, Any]
) -> FeedstockRow:
    """Change a feedstock under its version."""
    row = records.find(session, FeedstockRow, caller.organisation_id, feedstock_id, lock=True)
    _must_own(session, caller, row.site_id, "feedstocks")
    _must_agree({**{name: getattr(row, name) for name in ("name", *FIELDS)}, **changes})
    return records.change(session, row, version, changes)


def add_analysis(
    session: Session, caller: Caller, feedstock_id: UUID, values: Mapping[str, Any]
) -> AnalysisRow:
    """Add a measurement, or the withdrawal of one; the record is only ever added to.

    Parameters
    ----------
    values
        ``kind`` (a laboratory's when left out), ``sampled_on``, figures by name, what was weighed or felt, the
        accuracies as ``plus_minus``, ``site_id`` where it counts at one site alone.

    Raises
    ------
    Invalid
        The measurement is not of its kind, measures nothing, or contradicts itself.
    """
    row = records.find(session, FeedstockRow, caller.organisation_id, feedstock_id)
    _must_be_whole(values)
    if values.get("kind") == "withdraw":
        return _withdraw(session, caller, row, values)
    site_id = values.get("site_id")
    _must_own(session, caller, site_id or row.site_id, "analyses of feedstocks")
    if site_id is not None and row.site_id not in (None, site_id):
        raise Invalid.field("/site_id", f"'{row.code}' belongs to another site alone; leave it out")
    kind = values.get("kind") or "laboratory"
    found = measured(
        kind,
        {
            **values,
            "figures": {name: values.get(name) for name in FIGURES},
            "plus_minus": values.get("plus_minus") or {},
        },
    )
    _must_agree({"name": row.name, "lignin_method": values.get("lignin_method"), **found.figures})
    told: dict[str, Any] = dict(found.figures)
    return records.add(
        session,
        AnalysisRow(
            organisation_id=caller.organisation_id,
            feedstock_id=row.id,
            kind=kind,
            site_id=site_id,
            sampled_on=values["sampled_on"],
            valid_until=values.get("valid_until"),
            method=values.get("method") or kind.replace("_", " "),
            note=values.get("note"),
            lignin_method=values.get("lignin_method"),
            plus_minus=dict(found.plus_minus) or None,
            raw=dict(found.raw) or None,
            **told,
        ),
    )


def _must_be_whole(values: Mapping[str, Any]) -> None:
    """Refuse an entry that lacks something, or holds what has no place in it."""
    sampled_on, valid_until = values.get("sampled_on"), values.get("valid_until")
    if values.get("kind") == "withdraw":
        if values.get("withdraws") is None:
            raise Invalid.field(
                "/withdraws", "a withdrawal names the analysis that no longer holds; give its id"
            )
        if not values.get("note"):
            raise Invalid.field("/note", "a withdrawal gives its reason; say why in a few words")
        stray = sorted(
            name for name, value in values.items() if value is not None and name not in _OF_WITHDRAWAL
        )
        if stray:
            raise Invalid.field(
                f"/{stray[0]}", "a withdrawal holds kind, withdraws and note alone; leave it out"
            )
    elif values.get("withdraws") is not None:
        raise Invalid.field("/withdraws", "belongs to an entry of kind withdraw; leave it out")
    elif sampled_on is None:
        raise Invalid.field("/sampled_on", "is missing; give the day the sample was taken")
    elif valid_until is not None and valid_until < sampled_on:
        raise Invalid.field(
            "/valid_until", f"{valid_until} lies before {sampled_on}; give a later day or none"
        )


def _withdraw(session: Session, caller: Caller, row: FeedstockRow, values: Mapping[str, Any]) -> AnalysisRow:
    """Write the entry that takes an analysis out of force; the analysis itself stays on record."""
    named = stored.analysis_of(session, caller.organisation_id, row.id, values["withdraws"])
    if named is None or named.kind == "withdraw":
        raise Invalid.field("/withdraws", "no analysis of this feedstock has this id; list its analyses")
    _must_own(session, caller, named.site_id or row.site_id, "analyses of feedstocks")
    if stored.withdrawn_among(session, caller.organisation_id, [named.id]):
        raise Conflict("this analysis was withdrawn before; add a new one if it holds after all")
    return records.add(
        session,
        AnalysisRow(
            organisation_id=caller.organisation_id,
            feedstock_id=row.id,
            kind="withdraw",
            site_id=named.site_id,
            sampled_on=named.sampled_on,
            method="withdraw",
            note=values["note"],
            withdraws=named.id,
        ),
    )


def _must_own(session: Session, caller: Caller, site_id: UUID | None, thing: str) -> None:
    if site_id is None:
        caller.must_be_organisation_wide(thing)
    else:
        sites.must_be_own_site(session, caller, site_id)


def _must_agree(values: Mapping[str, Any]) -> None:
    figures: dict[str, Any] = {name: values.get(name) for name in FIELDS}
    errors = check_figures(Ingredient(name=values["name"], **figures), "")
    if errors:
        raise Invalid(*errors)


def feedstock_in_force(
    session: Session, caller: Caller, feedstock_id: UUID, *, site_id: UUID | None, on: date | None
) -> tuple[FeedstockRow, Ingredient]:
    """Return a feedstock with the figures that hold at a site on a day; today when no day is named."""
    if site_id is not None:
        sites.site_of(session, caller, site_id)
    row = records.find(session, FeedstockRow, caller.organisation_id, feedstock_id)
    analyses = stored.valid_analyses(
        session, caller.organisation_id, [row.id], site_id=site_id or row.site_id, on=on
    )
    return row, known_of(row, analyses.get(row.id, []))


def known_of(row: FeedstockRow, analyses: Sequence[AnalysisRow]) -> Ingredient:
    """Return a feedstock with its figures in force and where each comes from.

    The shipped library lies lowest, then the organisation's own figures, then the analyses in the order given, of
    which the last wins.
    """
    shipped = library().get(row.code)
    under = Ingredient(name=row.name, category=row.category)
    if shipped is not None:
        under = replace(shipped.ingredient(), name=row.name, category=row.category or shipped.category)
    own = Origin("feedstock", row.source or "the organisation's own figure", "given")
    known = lay(under, _told_by(row), own)
    for analysis in analyses:
        figures = _told_by(analysis)
        known = lay(known, figures, {name: _origin(analysis, name) for name in figures})
    return known


def _told_by(row: FeedstockRow | AnalysisRow) -> dict[str, float | str]:
    return {name: value for name in FIELDS if (value := getattr(row, name)) is not None}


def _origin(analysis: AnalysisRow, name: str) -> Origin:
    plus_minus, raw = (analysis.plus_minus or {}).get(name), analysis.raw or {}
    low, high = range_of(name, getattr(analysis, name), plus_minus) if name in FIGURES else (None, None)
    was_turned = raw.get("basis") == "as_is" and name in raw and name in OF_DRY_MATTER
    return Origin(
        "analysis",
        f"analysis of {analysis.sampled_on} ({analysis.method})",
        "measured",
        low,
        high,
        plus_minus,
        str(analysis.id),
        "printed in % of the material as it lies, turned into % of dry matter" if was_turned else "",
    )


def in_force(row: FeedstockRow, analyses: Sequence[AnalysisRow]) -> tuple[dict[str, float], dict[str, str]]:
    """Return a feedstock's figures in force and, in words, where each comes from; see :func:`known_of`."""
    known = known_of(row, analyses)
    figures = {name: value for name in FIGURES if (value := getattr(known, name)) is not None}
    return figures, {name: in_words(known.origins[name]) for name in figures}


def in_words(origin: Origin) -> str:
    """Return where a figure came from as a list of sources prints it."""
    if origin.came_from == "derived":
        return f"derived: {origin.note}"
    return {"library": "shipped library", "given": "given in the recipe"}.get(origin.came_from, origin.source)
