"""Public holidays a site may choose closures from, by country and part of it, as the ``holidays`` library has them.

The library's data change with its releases, so that what a site chose is kept with date and name and never asked again.
"""

import datetime as dt
import difflib
import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from importlib.metadata import version
from typing import Final

import holidays
from holidays.registry import COUNTRIES

from service.domain.calendars.calendar import Closure, HolidayChosen
from service.domain.errors import FieldError, Invalid

SOURCE: Final = f"holidays {version('holidays')}"
"""The library (MIT licence) with its version."""
_NAMED: Final = 5


@dataclass(frozen=True)
class PublicHoliday:
    """A date and its name in the local language, and in English where there is one."""

    on: dt.date
    name: str
    name_en: str | None


@dataclass(frozen=True)
class Offer:
    """The public holidays of one year.

    Attributes
    ----------
    country, subdivision, year
        What was asked for; without a subdivision those of the whole country.
    days
        By date.
    subdivisions
        Codes of the country's parts, with their names where known.
    source
        What offers it, with its version.
    """

    country: str
    subdivision: str | None
    year: int
    days: tuple[PublicHoliday, ...]
    subdivisions: Mapping[str, str | None]
    source: str = SOURCE


def offered(country: str, subdivision: str | None, year: int, *, at: str = "") -> Offer:
    """Return the public holidays of a country, or a part of it, in a year.

    Only those of the library's category ``public``: neither bank, school nor optional ones, nor those of single
    communities.

    Parameters
    ----------
    country, subdivision
        ISO 3166-1 alpha-2 code, and the second half of an ISO 3166-2 code, for example ``PT`` and ``11``.
    year
        Of the Gregorian calendar.
    at
        Pointer to what holds the three.

    Raises
    ------
    Invalid
        One of them is not known; names near ones.
    """
    if country not in _countries():
        raise Invalid.field(f"{at}/country", _unknown_country(country))
    parts = _parts(country)
    if subdivision is not None and subdivision not in parts:
        raise Invalid.field(f"{at}/subdivision", _unknown_part(country, subdivision, parts))
    first, last = _reach(country)
    if not first <= year <= last:
        detail = f"{year} is out of reach for {country}; give {first} to {last}"
        raise Invalid.field(f"{at}/year", detail)
    return Offer(country, subdivision, year, _days(country, subdivision, year), parts)


def chosen(country: str, subdivision: str | None, keep: Sequence[dt.date], *, at: str) -> tuple[Closure, ...]:
    """Return the closures for the public holidays a site keeps.

    Parameters
    ----------
    country, subdivision
        As for :func:`offered`.
    keep
        Their dates.
    at
        Pointer to what holds the three.

    Raises
    ------
    Invalid
        A date is no public holiday there; names near ones.
    """
    offers: dict[int, Offer] = {}
    found, errors = [], []
    for index, on in enumerate(keep):
        if on.year not in offers:
            offers[on.year] = _offered_for(country, subdivision, on, at=at, index=index)
        days = offers[on.year].days
        match = next((day for day in days if day.on == on), None)
        if match is None:
            errors.append(FieldError(f"{at}/keep/{index}", _no_holiday(on, offers[on.year])))
        else:
            holiday = HolidayChosen(country, subdivision, match.name, match.name_en, SOURCE)
            found.append(Closure(on, match.name, holiday))
    if errors:
        raise Invalid(*errors)
    return tuple(found)


def _offered_for(country: str, subdivision: str | None, on: dt.date, *, at: str, index: int) -> Offer:
    """Return the offer of a kept date's year; it is the date that is wrong if the year is out of reach."""
    try:
        return offered(country, subdivision, on.year, at=at)
    except Invalid as error:
        if error.errors[0].pointer == f"{at}/year":
            raise Invalid.field(f"{at}/keep/{index}", error.errors[0].detail) from error
        raise


@lru_cache(maxsize=500)
def _days(country: str, subdivision: str | None, year: int) -> tuple[PublicHoliday, ...]:
    # The language is always named: without one the library follows the machine's own.
    local = _made(country, subdivision, year, None)
    english = _english(local.supported_languages)
    in_english = {} if english is None else _made(country, subdivision, year, english)
    named = _made(country, subdivision, year, local.default_language) if local.default_language else local
    return tuple(PublicHoliday(on, named[on], in_english.get(on)) for on in sorted(named))


def _made(
    country: str, subdivision: str | None, year: int | None, language: str | None
) -> holidays.HolidayBase:
    return holidays.country_holidays(country, subdiv=subdivision, years=year, language=language)


def _english(languages: Collection[str]) -> str | None:
    if "en_US" in languages:
        return "en_US"
    return next((language for language in sorted(languages) if language.startswith("en")), None)


@cache
def _countries() -> Mapping[str, str]:
    """Return the known countries: names by code."""
    known = holidays.list_supported_countries(include_aliases=False)
    names = {entry[1]: re.sub(r"(?<=[a-z])(?=[A-Z])", " ", entry[0]) for entry in COUNTRIES.values()}
    return {code: names.get(code, code) for code in sorted(known)}


@cache
def _parts(country: str) -> Mapping[str, str | None]:
    entity = _made(country, None, None, None)
    names = {code: name for name, code in entity.subdivisions_aliases.items()}
    return {code: names.get(code) for code in entity.subdivisions}


@cache
def _reach(country: str) -> tuple[int, int]:
    entity = _made(country, None, None, None)
    return max(entity.start_year, dt.MINYEAR), min(entity.end_year, dt.MAXYEAR)


def _unknown_country(country: str) -> str:
    known = _countries()
    codes = difflib.get_close_matches(country.upper(), known, n=_NAMED, cutoff=0.5)
    spelt = {_initials(name): code for code, name in known.items() if " " in name}
    spelt |= {name.casefold(): code for code, name in known.items()}
    by_name = difflib.get_close_matches(country.casefold(), spelt, n=_NAMED, cutoff=0.6)
    near = list(dict.fromkeys([*(spelt[name] for name in by_name), *codes]))[:_NAMED]
    told = f"; near it: {', '.join(f'{code} ({known[code]})' for code in near)}" if near else ""
    return f"'{country}' is no known country; give its ISO 3166-1 code of two letters, such as PT{told}"


def _initials(name: str) -> str:
    return "".join(word[0] for word in name.casefold().split())


def _unknown_part(country: str, subdivision: str, parts: Mapping[str, str | None]) -> str:
    if not parts:
        return (
            f"'{subdivision}' is not known: {country} has no parts with holidays of their own; leave it out"
        )
    words = {word.casefold(): code for code, name in parts.items() for word in (code, name) if word}
    matches = difflib.get_close_matches(subdivision.casefold(), words, n=_NAMED, cutoff=0.5)
    near = list(dict.fromkeys(words[match] for match in matches)) or list(parts)[:_NAMED]
    named = ", ".join(f"{code} ({parts[code]})" if parts[code] else code for code in near)
    return (
        f"'{subdivision}' is no known part of {country}; near it: {named}; leave it out for the whole country"
    )


def _no_holiday(on: dt.date, offer: Offer) -> str:
    place = offer.country if offer.subdivision is None else f"{offer.country}-{offer.subdivision}"
    near = sorted(sorted(offer.days, key=lambda day: abs((day.on - on).days))[:2], key=lambda day: day.on)
    named = ", ".join(f"{day.on} {day.name}" for day in near)
    told = f"; nearest: {named}" if named else ""
    return (
        f"{on} is no public holiday of {place}{told}; for any other closed day give a closure with a reason"
    )
