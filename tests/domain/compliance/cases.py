"""Worked cases of the published texts, each with the words of the law it turns on.

The expected figures are arithmetic on those words: 15 days are 360 h, a reading below the limit ends the heat at
the reading before it, and heat begins again with the next reading that qualifies.
"""

from tests.domain.compliance.cases_record import RECORD_CASES
from tests.domain.compliance.cases_time import TIME_CASES
from tests.domain.compliance.cases_turning import TURNING_CASES

CASES = [*TIME_CASES, *TURNING_CASES, *RECORD_CASES]
