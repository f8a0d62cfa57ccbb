"""What of each feedstock lies at a site, from what came in and went out; and what will be there in time."""

from service.domain.stocks.amounts import Told, UnitOfStock, amount_in, exact
from service.domain.stocks.arrivals import Arrivals, Delivered, arrivals_ahead
from service.domain.stocks.ledger import Gap, Ledger, Lot, ledger
from service.domain.stocks.movements import ADDS, KINDS, TAKES, Kind, Movement, in_force
from service.domain.stocks.outlook import Holding, ItemOutlook, Outlook, Verdict, outlook

__all__ = [
    "ADDS",
    "KINDS",
    "TAKES",
    "Arrivals",
    "Delivered",
    "Gap",
    "Holding",
    "ItemOutlook",
    "Kind",
    "Ledger",
    "Lot",
    "Movement",
    "Outlook",
    "Told",
    "UnitOfStock",
    "Verdict",
    "amount_in",
    "arrivals_ahead",
    "exact",
    "in_force",
    "ledger",
    "outlook",
]
