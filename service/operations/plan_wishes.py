"""What is wished of a site's line, settled as it is kept: patterns, rules and recipes looked up, each pile named."""

from collections.abc import Iterator, Mapping
from dataclasses import asdict
from datetime import date, timedelta
from typing import Any

from sqlmodel import Session

from service.domain.authority import Caller
from service.domain.errors import FieldError, Invalid
from service.domain.lines.request import LONGEST_HORIZON_DAYS, MOST_PILES, Work
from service.domain.schedules import kept_pattern, read_pattern
from service.operations.patterns import pattern_named
from service.operations.stock_answers import needs
from service.storage import plans as stored
from service.storage.lines import LineFacts


def settled(session: Session, caller: Caller, facts: LineFacts, asked: Mapping[str, Any]) -> dict[str, Any]:
    """Return a wish as it is kept; what it names is looked up now and stays as it is now.

    Parameters
    ----------
    asked
        The request's body.

    Raises
    ------
    Invalid
        It names a pattern, rule or recipe there is not, or a pile that stands or is over.
    """
    if not 1 <= asked["days"] <= LONGEST_HORIZON_DAYS:
        raise Invalid.field(
            "/days", f"{asked['days']} days cannot be planned; give 1 to {LONGEST_HORIZON_DAYS}"
        )
    wish = _Settling(session, caller, facts, asked)
    return {
        "last": (facts.today + timedelta(asked["days"] - 1)).isoformat(),
        "piles": wish.piles(),
        "standing_pattern": wish.pattern(asked, "") if _names_pattern(asked) else None,
        "orders": [{**one, "by": one["by"].isoformat()} for one in asked["orders"]],
        "arrivals": [{**one, "on": one["on"].isoformat()} for one in asked["arrivals"]],
        "stock_kg": asked["stock_kg"],
        "grades": asked["grades"],
        "kept_pct": asked["kept_pct"],
        "work": asdict(Work(**asked["work"])),
        "cures_in_bay": asked["cures_in_bay"],
        "on_hand_m3": asked["on_hand_m3"],
        "reliability": asked["reliability"],
        "within_s": asked["within_s"],
    }


def _names_pattern(one: Mapping[str, Any]) -> bool:
    return one.get("pattern") is not None or one.get("pattern_code") is not None


class _Settling:
    """The parts of a wish being looked up."""

    def __init__(self, session: Session, caller: Caller, facts: LineFacts, asked: Mapping[str, Any]) -> None:
        self._session, self._caller, self._facts, self._asked = session, caller, facts, asked
        self._taken = set(facts.piles) | {
            row.pile for row in stored.every_task(session, caller.organisation_id, facts.site.id)
        }

    def piles(self) -> list[dict[str, Any]]:
        """Return every pile wished for, by a name of its own."""
        found = [
            pile
            for place, one in enumerate(self._asked["piles"])
            for pile in self._named(one, f"/piles/{place}")
        ]
        if len(found) > MOST_PILES:
            detail = f"{len(found)} piles are too many for one plan; give at most {MOST_PILES}"
            raise Invalid.field("/piles", detail)
        return found

    def _named(self, one: Mapping[str, Any], at: str) -> Iterator[dict[str, Any]]:
        kept = {
            "pattern": self.pattern(one if _names_pattern(one) else self._asked, at),
            "volume_m3": one["volume_m3"],
            "rule": self._rule(one["rule"], at),
            "needs_kg": self._needs(one, at),
            "earliest": _text(one["earliest"]),
            "latest": _text(one["latest"]),
            "bays": one["bays"],
            "is_spare": one["is_spare"],
        }
        if one["count"] is None:
            self._must_be_free(one["name"], at)
            yield {"name": one["name"], **kept}
            return
        number = 0
        for _ in range(one["count"]):
            number += 1
            while f"{one['name']} {number}" in self._taken:
                number += 1
            yield {"name": f"{one['name']} {number}", **kept}

    def _must_be_free(self, name: str, at: str) -> None:
        there = self._facts.piles.get(name)
        if there is not None and (there.built_on is not None or there.stage == "closed"):
            what = "is over" if there.stage == "closed" else "stands already and is planned by itself"
            raise Invalid.field(f"{at}/name", f"pile '{name}' {what}; wish for a new one by another name")

    def pattern(self, one: Mapping[str, Any], at: str) -> dict[str, Any]:
        """Return the pattern something gives or names."""
        at = at if one is not self._asked else ""
        if one.get("pattern") is not None and one.get("pattern_code") is not None:
            raise Invalid.field(f"{at}/pattern_code", "stands beside pattern; give one of the two")
        if one.get("pattern_code") is not None:
            try:
                named = pattern_named(self._session, self._caller, one["pattern_code"], self._facts.site.id)
            except Invalid as error:
                raise Invalid.field(f"{at}/pattern_code", error.errors[0].detail) from error
            return kept_pattern(named.pattern)
        if one.get("pattern") is None:
            raise Invalid.field(
                f"{at}/pattern_code",
                "no turning pattern is given, here or for all piles; GET /v1/schedules/patterns lists some",
            )
        pattern = read_pattern(one["pattern"])
        errors = pattern.errors(f"{at}/pattern")
        if errors:
            raise Invalid(*errors)
        return kept_pattern(pattern)

    def _rule(self, rule: str | None, at: str) -> str | None:
        if rule is not None and rule not in self._facts.book:
            detail = f"{rule} is not a rule of this service; GET /v1/rules lists them"
            raise Invalid.field(f"{at}/rule", detail)
        return rule

    def _needs(self, one: Mapping[str, Any], at: str) -> dict[str, float]:
        needed = dict(one["needs_kg"])
        if one["recipe_id"] is None:
            return needed
        if needed:
            raise Invalid.field(f"{at}/needs_kg", "stands beside recipe_id; give one of the two")
        try:
            found = needs(self._session, self._caller, one["recipe_id"], volume_m3=one["volume_m3"])
        except Invalid as error:
            raise Invalid(*(FieldError(f"{at}{e.pointer}", e.detail) for e in error.errors)) from error
        return {need.feedstock: need.mass_kg for need in found if need.feedstock is not None}


def _text(on: date | None) -> str | None:
    return None if on is None else on.isoformat()
