"""How often one key may post, told in the RateLimit fields of the IETF draft (draft-ietf-httpapi-ratelimit-headers-10).

Counted in each web process by itself: with several, a key may post that many times as often. It protects the service
from a gateway gone wild, it is not a bill.
"""

import math
import random
import time
from dataclasses import dataclass
from typing import Final
from uuid import UUID

from fastapi.responses import JSONResponse
from limits import RateLimitItemPerMinute
from limits.storage import MemoryStorage
from limits.strategies import FixedWindowRateLimiter

from service.http.problems import problem

POLICY: Final = "posts"
_WINDOW_S: Final = 60
_JITTER_S: Final = 5


@dataclass(frozen=True)
class Allowance:
    """What is left to a key in its window."""

    most: int
    remaining: int
    reset_s: int
    is_spent: bool

    @property
    def fields(self) -> dict[str, str]:
        """The two RateLimit fields."""
        return {
            "RateLimit-Policy": f'"{POLICY}";q={self.most};w={_WINDOW_S};qu="requests"',
            "RateLimit": f'"{POLICY}";r={self.remaining};t={self.reset_s}',
        }

    def refusal(self) -> JSONResponse:
        """Answer 429: come back after the window, each gateway at a moment of its own."""
        wait_s = self.reset_s + random.randint(0, _JITTER_S)  # noqa: S311 - jitter, not a secret
        return problem(
            429,
            "quota-exceeded",
            "Too many requests",
            f"this key may post {self.most} times a minute; nothing was kept; send the same bytes again after"
            f" {wait_s} s, and put more readings into each post",
            headers={**self.fields, "Retry-After": str(wait_s)},
        )


class Quota:
    """Counts the posts of each key.

    Parameters
    ----------
    per_minute
        Most posts of a key in a minute; 0 counts nothing.
    """

    def __init__(self, per_minute: int) -> None:
        self._limit = RateLimitItemPerMinute(per_minute) if per_minute else None
        self._limiter = FixedWindowRateLimiter(MemoryStorage())

    def spend(self, credential_id: UUID) -> Allowance | None:
        """Count one post; None when nothing is counted."""
        if self._limit is None:
            return None
        key = str(credential_id)
        is_spent = not self._limiter.hit(self._limit, key)
        reset_at, remaining = self._limiter.get_window_stats(self._limit, key)
        left_s = max(1, math.ceil(reset_at - time.time()))
        return Allowance(self._limit.amount, remaining, left_s, is_spent)
