"""What a site's stock limits a mix to, laid over the materials of a request."""

from collections import Counter
from collections.abc import Sequence
from datetime import datetime
from typing import TypeVar
from uuid import UUID

from service.domain.authority import Caller
from service.domain.errors import Invalid, NotFound
from service.http.authority import Database
from service.http.mixes import MaterialIn
from service.operations import stocks
from service.storage.sites import zone_of

Listed = TypeVar("Listed", bound=MaterialIn)
"""With ``max_kg``, ``spoils_on`` and ``spoils_in_days``."""


def within_stock(
    listed: Sequence[Listed], caller: Caller, database: Database, site_id: UUID | None
) -> list[Listed]:
    """Return the materials with no more of each than lies at the site, and the day the first of it spoils.

    A feedstock the site keeps no stock of is not limited: nobody knows what there is. Reads, and leaves the record.

    Raises
    ------
    Invalid
        No site is named, or a feedstock stands twice and would be counted twice.
    """
    if site_id is None:
        raise Invalid.field("/site_id", "name the site whose stock limits the mix, or leave stock out")
    codes = [one.feedstock for one in listed if one.feedstock is not None]
    twice = [code for code, times in Counter(codes).items() if times > 1]
    if twice:
        raise Invalid.field(
            "/ingredients", f"'{twice[0]}' stands twice and there is one stock of it; name it once"
        )
    try:
        with database.begin(caller.organisation_id) as session:
            zone = zone_of(session, caller.organisation_id, site_id)
            limits = stocks.limits(session, caller, site_id, codes, today=datetime.now(zone).date())
    except NotFound as error:
        raise Invalid.field("/site_id", f"no site with id {site_id}; register it first") from error
    return [one if one.feedstock not in limits else _limited(one, limits[one.feedstock]) for one in listed]


def _limited(one: Listed, limit: stocks.StockLimit) -> Listed:
    asked: dict[str, object] = one.model_dump()
    changes: dict[str, object] = {}
    if limit.max_kg is not None:
        most = asked["max_kg"]
        changes["max_kg"] = limit.max_kg if not isinstance(most, float) else min(most, limit.max_kg)
    if asked["spoils_on"] is None and asked["spoils_in_days"] is None:
        changes["spoils_on"] = limit.spoils_on
    return one.model_copy(update=changes)
