"""The tables, by noun; ``organisation_id`` stands first in every primary, unique and foreign key."""

from sqlmodel import SQLModel

from service.storage.tables.columns import NAMING

SQLModel.metadata.naming_convention = NAMING

from service.storage.tables.answers import IdempotentAnswerRow  # noqa: E402 - the naming comes first
from service.storage.tables.imports import (  # noqa: E402
    QuarantinedMessageRow,
    ReadingImportRow,
    ReadingProfileRow,
    ReadingStreamRow,
    import_chunk,
    import_refusal,
)
from service.storage.tables.log import adopted_batch, log_leaf, log_node, log_word_key  # noqa: E402
from service.storage.tables.materials import AnalysisRow, FeedstockRow, RecipeRow  # noqa: E402
from service.storage.tables.organisations import ApiKeyRow, OrganisationRow  # noqa: E402
from service.storage.tables.piles import OwnRuleRow, PileEventRow, PileRow, VerdictRow  # noqa: E402
from service.storage.tables.plans import (  # noqa: E402
    CalendarFeedRow,
    LinePlanRow,
    OwnPatternRow,
    PlanTaskRow,
    SiteCalendarRow,
)
from service.storage.tables.probes import (  # noqa: E402
    CalibrationRow,
    GatewayRow,
    GatewayStateRow,
    PlacementRow,
    ProbeRow,
    ReadingCorrectionRow,
)
from service.storage.tables.readings import batch, disputed_reading, held_reading, reading  # noqa: E402
from service.storage.tables.sites import BayRow, SiteRow  # noqa: E402
from service.storage.tables.stocks import StockBalanceRow, StockMovementRow  # noqa: E402

metadata = SQLModel.metadata

__all__ = [
    "AnalysisRow",
    "ApiKeyRow",
    "BayRow",
    "CalendarFeedRow",
    "CalibrationRow",
    "FeedstockRow",
    "GatewayRow",
    "GatewayStateRow",
    "IdempotentAnswerRow",
    "LinePlanRow",
    "OrganisationRow",
    "OwnPatternRow",
    "OwnRuleRow",
    "PileEventRow",
    "PileRow",
    "PlacementRow",
    "PlanTaskRow",
    "ProbeRow",
    "QuarantinedMessageRow",
    "ReadingCorrectionRow",
    "ReadingImportRow",
    "ReadingProfileRow",
    "ReadingStreamRow",
    "RecipeRow",
    "SiteCalendarRow",
    "SiteRow",
    "StockBalanceRow",
    "StockMovementRow",
    "VerdictRow",
    "adopted_batch",
    "batch",
    "disputed_reading",
    "held_reading",
    "import_chunk",
    "import_refusal",
    "log_leaf",
    "log_node",
    "log_word_key",
    "metadata",
    "reading",
]
