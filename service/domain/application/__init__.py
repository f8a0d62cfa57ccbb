"""What finished compost holds, gives to plants, cost the air, and asks of those who spread it."""

from .after import After, Bed, Treated, after
from .amounts import Spread
from .cautions import Bioassay, Caution
from .emissions import Emissions
from .losses import MassLoss
from .lot import Lot
from .nitrogen import AvailableNitrogen
from .nutrients import Nutrient, Nutrients

__all__ = [
    "After",
    "AvailableNitrogen",
    "Bed",
    "Bioassay",
    "Caution",
    "Emissions",
    "Lot",
    "MassLoss",
    "Nutrient",
    "Nutrients",
    "Spread",
    "Treated",
    "after",
]
