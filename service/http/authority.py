"""Authority in the signature: ``caller: CanRead`` names the scope an endpoint asks for."""

import time
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Annotated, Final

from fastapi import Depends, Request, Security
from fastapi.security import HTTPAuthorizationCredentials, HTTPBearer

from service.domain.authority import Caller, Scope
from service.domain.errors import NotAllowed, NotAuthenticated
from service.operations import keys
from service.storage.database import Database as Record

BEARER: Final = HTTPBearer(
    auto_error=False, scheme_name="key", description="A key made with `heapledger key create`."
)
_MOST_CACHED: Final = 10_000


class Authenticator:
    """Checks keys, and trusts a checked one for a few seconds.

    The check opens and closes its own short transaction before the endpoint opens one.
    """

    def __init__(self, database: Record, *, trust_s: float) -> None:
        self._database = database
        self._trust_s = trust_s
        self._checked: dict[str, tuple[float, Caller]] = {}

    def known(self, token: str) -> Caller | None:
        """Return the bearer if the token was checked a moment ago; touches no record."""
        entry = self._checked.get(token)
        return entry[1] if entry is not None and time.monotonic() - entry[0] < self._trust_s else None

    def check(self, token: str | None) -> Caller:
        """Return the bearer of a token.

        Raises
        ------
        NotAuthenticated
            No token, or one that is unknown, expired or revoked.
        """
        if not token:
            raise NotAuthenticated("send 'Authorization: Bearer <key>'; 'heapledger key create' makes a key")
        caller = self.known(token)
        if caller is None:
            with self._database.begin(keys.organisation_of(token)) as session:
                caller = keys.authenticate(session, token, now=datetime.now(UTC))
            if len(self._checked) >= _MOST_CACHED:
                self._checked.clear()
            self._checked[token] = (time.monotonic(), caller)
        return caller


def must_have(caller: Caller, *scopes: Scope) -> Caller:
    """Return the caller if its key carries one of ``scopes``.

    Raises
    ------
    NotAllowed
        The key has none of them.
    """
    if caller.scopes.isdisjoint(scopes):
        wanted = "' or '".join(scopes)
        raise NotAllowed(f"this key lacks the scope '{wanted}'; use a key that has it")
    return caller


def _with(*scopes: Scope) -> Callable[..., Caller]:
    def checked(
        request: Request,
        credentials: Annotated[HTTPAuthorizationCredentials | None, Security(BEARER)],
    ) -> Caller:
        authenticator: Authenticator = request.app.state.authenticator
        return must_have(authenticator.check(credentials.credentials if credentials else None), *scopes)

    checked.__name__ = f"with_{'_or_'.join(scopes)}"
    return checked


CanRead = Annotated[Caller, Depends(_with(Scope.READ))]
CanIngest = Annotated[Caller, Depends(_with(Scope.INGEST))]
CanReadOrIngest = Annotated[Caller, Depends(_with(Scope.READ, Scope.INGEST))]
"""For what a key that only ingests may see of its own."""
CanWrite = Annotated[Caller, Depends(_with(Scope.WRITE))]
CanWriteOrAdmin = Annotated[Caller, Depends(_with(Scope.WRITE, Scope.ADMIN))]
CanAdmin = Annotated[Caller, Depends(_with(Scope.ADMIN))]


def _database(request: Request) -> Record:
    database: Record = request.app.state.database
    return database


Database = Annotated[Record, Depends(_database)]
