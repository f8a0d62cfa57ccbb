"""Shows the demo on a console: one row a pile, and what to look at next."""

from datetime import date, datetime
from typing import Final
from zoneinfo import ZoneInfo

from rich import box
from rich.table import Table

from service.demo.filled import Filled
from service.demo.places import SITES
from service.domain.authority import Caller, Scope
from service.domain.piles import Latest
from service.operations import piles
from service.operations.standing import Standing, standing
from service.storage import piles as stored
from service.storage.database import Database

_LOOK_AT: Final = (
    ("MY-07", "passed 74 °C"),
    ("HS-04", "built too small, stalled"),
    ("MY-03", "verdict lost to a gap in the readings"),
)
_MARKS: Final = {
    "met": "[green]✓[/green]",
    "under_way": "[yellow]…[/yellow]",
    "not_met": "[red]✗[/red]",
    "cannot_judge": "[magenta]?[/magenta]",
}
_LEGEND: Final = "✓ met, … under way, ✗ not met, ? cannot be judged"
_NARROW: Final = ("pile", "stage", "day", "hot", "cold", "turned", "next")
_NUMBERS: Final = frozenset({"day", "hot", "cold"})


def table(database: Database, filled: Filled, *, now: datetime) -> Table:
    """Return one row for each pile, worked out as its status is.

    Parameters
    ----------
    filled
        Whose piles.
    now
        Instant of the answer; aware.
    """
    sites = "; ".join(f"{key}: {SITES[key].name}" for key in filled.sites)
    shown = Table(
        title=filled.organisation,
        caption=f"{_LEGEND}. Temperatures in °C.\n{sites}.\nNothing here was measured. {now:%Y-%m-%d %H:%M} UTC.",
        box=box.SIMPLE_HEAD,
        padding=0,
        pad_edge=False,
    )
    for column in _NARROW:
        shown.add_column(column, no_wrap=True, justify="right" if column in _NUMBERS else "left")
    shown.add_column("verdicts", no_wrap=True)
    shown.add_column("warning")
    caller = Caller(filled.organisation_id, next(iter(filled.piles.values())), frozenset({Scope.READ}))
    site = None
    for label, pile_id in filled.piles.items():
        with database.begin(filled.organisation_id) as session:
            loaded = stored.load(session, piles.pile_of(session, caller, pile_id))
        key = label.split("-")[0]
        if key != site:
            shown.add_section()
            site = key
        shown.add_row(*_row(label, standing(loaded, now=now), ZoneInfo(loaded.site.time_zone)))
    return shown


def _row(label: str, found: Standing, zone: ZoneInfo) -> list[str]:
    told = found.status
    last = None if told.last_turn is None else told.last_turn.astimezone(zone).date()
    return [
        label,
        told.stage,
        "" if told.age_days is None else f"{told.age_days:.0f}",
        _heat(told.hottest),
        _heat(told.coldest),
        _day(last),
        _day(told.next_turn),
        "\n".join(f"{_MARKS[verdict.state]} {rule}" for rule, verdict in found.verdicts.items()),
        told.warnings[0].code.replace("_", " ") if told.warnings else "",
    ]


def _heat(latest: Latest | None) -> str:
    return "" if latest is None or latest.temperature_c is None else f"{latest.temperature_c:.1f}"


def _day(on: date | None) -> str:
    return "" if on is None else f"{on:%d %b}"


def addresses(filled: Filled, address: str) -> str:
    """Return what to look at, with lines to paste.

    Parameters
    ----------
    address
        Where the service listens, for example ``http://127.0.0.1:8000``.
    """
    if filled.is_new and filled.counts is not None:
        sent = filled.counts.readings
        came = (
            f"{filled.counts.piles} piles, {filled.counts.events} events, {sent.stored} readings stored"
            f" ({sent.held} held, {sent.disputed} disputed, {sent.duplicate} sent twice) in {filled.seconds:.1f} s."
        )
        may = f"This key may {', '.join(sorted(filled.scopes))} and is shown this once:"
    else:
        came = (
            "The demo was in the record already and was not written again; its readings end where they ended."
        )
        may = "A new key that may read alone, shown this once:"
    lines = [came, "", may, f"  export KEY={filled.key}", "", f"  documentation   {address}/docs"]
    for label, words in _LOOK_AT:
        if label in filled.piles:
            path = f"/v1/piles/{filled.piles[label]}/status"
            lines += ["", f"  {label}: {words}", f'  curl -s -H "Authorization: Bearer $KEY" {address}{path}']
    for label, path in filled.sheets.items():
        wanted = f"curl -s -o build-{label}.pdf -H \"Authorization: Bearer $KEY\" '{address}{path}'"
        lines += ["", f"  {label}: its build sheet, one page", f"  {wanted}"]
    return "\n".join(lines)
