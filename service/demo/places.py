"""The invented network: three sites in three climates, their bays, crews and gateways. Nothing here exists."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta
from types import MappingProxyType
from typing import Final, Literal

from service.demo.climate import Climate
from service.domain.build_sheets import Measure

ORGANISATION: Final = "Three Slopes Compost Network (simulated)"
"""The one organisation of the demo; its name says what it is."""

OUTAGE_AFTER_TURN: Final = timedelta(hours=9)

BayKind = Literal["cage", "open_bay", "windrow_strip"]


@dataclass(frozen=True)
class Bay:
    """A numbered place where a pile stands."""

    label: str
    kind: BayKind
    volume_m3: float
    height_m: float | None = None


@dataclass(frozen=True)
class Outage:
    """A stretch in which a gateway had no line; told by one of the two: how long ago, or after which turn.

    Attributes
    ----------
    lasted
        How long.
    readings
        ``late``: kept in the gateway and sent together afterwards; ``lost``: gone.
    began_before_now
        How long before the end of the scenario it began.
    after_turn
        Label of a pile and which of its turns, counted from 1; it began ``OUTAGE_AFTER_TURN`` later.
    """

    lasted: timedelta
    readings: Literal["late", "lost"]
    began_before_now: timedelta | None = None
    after_turn: tuple[str, int] | None = None


@dataclass(frozen=True)
class Gateway:
    """A device that sends what its probes said, every few hours."""

    name: str
    site: str
    sends_every: timedelta = timedelta(hours=6)
    outages: tuple[Outage, ...] = ()


@dataclass(frozen=True)
class Site:
    """A place with piles.

    Attributes
    ----------
    key
        Short name inside the scenario, and the prefix of its pile labels.
    name, time_zone, latitude_deg, longitude_deg, climate_words, work_days, crews
        As they are recorded.
    climate
        What its simulated air follows.
    bays
        Where piles stand.
    closures_ago_days
        Days without a crew, counted back from the last day of the scenario; negative ones are still to come.
    hour
        When its crew turns, local.
    turned_with
        How it turns.
    measures, lifting_limit_kg
        What it measures with, and what one of its crew may lift; None for the common guideline.
    """

    key: str
    name: str
    time_zone: str
    latitude_deg: float
    longitude_deg: float
    climate_words: str
    climate: Climate
    work_days: tuple[str, ...]
    crews: tuple[str, ...]
    bays: tuple[Bay, ...]
    closures_ago_days: tuple[int, ...]
    hour: int
    turned_with: Literal["fork", "loader", "turner"]
    measures: tuple[Measure, ...]
    lifting_limit_kg: float | None = None


_SITES: Final = (
    Site(
        key="HS",
        name="Encosta Orchard School (simulated)",
        time_zone="Europe/Lisbon",
        latitude_deg=41.1,
        longitude_deg=-7.6,
        climate_words="Terraced hillside; mild wet winters, hot dry summers. Invented for the demo.",
        climate=Climate(mean_c=15.5, season_c=7.5, day_c=5.0, weather_c=2.2, solar_offset_h=-0.5),
        work_days=("mon", "tue", "wed", "thu", "fri"),
        crews=("orchard class", "kitchen class"),
        bays=(
            Bay("Cage 1", "cage", 1.0, 1.1),
            Bay("Cage 2", "cage", 1.0, 1.1),
            Bay("Bay 1", "open_bay", 3.0, 1.3),
            Bay("Bay 2", "open_bay", 3.0, 1.3),
            Bay("Bay 3", "open_bay", 3.0, 1.3),
            Bay("Curing bay", "open_bay", 8.0),
        ),
        closures_ago_days=(*range(128, 133), *range(50, 53), -5),
        hour=10,
        turned_with="fork",
        measures=(
            Measure("barrow", "barrow", volume_l=85),
            Measure("bucket", "bucket", volume_l=12),
            Measure("can", "can", volume_l=10),
        ),
        lifting_limit_kg=10.0,
    ),
    Site(
        key="MY",
        name="Mill Street Allotment Yard (simulated)",
        time_zone="America/New_York",
        latitude_deg=41.6,
        longitude_deg=-73.9,
        climate_words="City yard; cold snowy winters, warm humid summers. Invented for the demo.",
        climate=Climate(mean_c=11.5, season_c=12.0, day_c=4.5, weather_c=2.8, solar_offset_h=-4.9),
        work_days=("tue", "thu", "sat", "sun"),
        crews=("weekday crew", "weekend crew"),
        bays=(
            Bay("Strip A", "windrow_strip", 14.0, 1.5),
            Bay("Strip B", "windrow_strip", 14.0, 1.5),
            Bay("Strip C", "windrow_strip", 14.0, 1.5),
            Bay("Bay 4", "open_bay", 4.0, 1.4),
            Bay("Curing pad", "windrow_strip", 30.0),
        ),
        closures_ago_days=(146, 79),
        hour=9,
        turned_with="loader",
        measures=(
            Measure("yard barrow", "barrow", volume_l=100),
            Measure("bucket", "bucket", volume_l=20),
            Measure("can", "can", volume_l=12),
        ),
    ),
    Site(
        key="GH",
        name="Lumi Glasshouse Market Garden (simulated)",
        time_zone="Europe/Helsinki",
        latitude_deg=61.5,
        longitude_deg=24.0,
        climate_words="Northern garden, piles under glass kept above freezing. Invented for the demo.",
        climate=Climate(mean_c=13.0, season_c=8.5, day_c=4.0, weather_c=1.5, solar_offset_h=1.6, floor_c=4.0),
        work_days=("mon", "tue", "wed", "thu", "fri", "sat"),
        crews=("growers",),
        bays=(
            Bay("House bay 1", "open_bay", 4.0, 1.4),
            Bay("House bay 2", "open_bay", 4.0, 1.4),
            Bay("House strip", "windrow_strip", 10.0, 1.5),
            Bay("Curing corner", "open_bay", 12.0),
        ),
        closures_ago_days=(97,),
        hour=8,
        turned_with="fork",
        measures=(
            Measure("barrow", "barrow", volume_l=70),
            Measure("bucket", "bucket", volume_l=10),
            Measure("scale", "scale", mass_kg=1),
            Measure("can", "can", volume_l=9),
        ),
    ),
)
SITES: Final[Mapping[str, Site]] = MappingProxyType({site.key: site for site in _SITES})

GATEWAYS: Final = (
    Gateway("hillside-gateway", "HS"),
    Gateway("yard-gateway-east", "MY"),
    Gateway(
        "yard-gateway-west",
        "MY",
        outages=(Outage(timedelta(hours=31), "lost", after_turn=("MY-03", 2)),),
    ),
    Gateway(
        "glasshouse-gateway",
        "GH",
        outages=(Outage(timedelta(hours=40), "late", began_before_now=timedelta(days=5, hours=3)),),
    ),
)
