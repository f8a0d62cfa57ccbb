"""Connections: one pool, one transaction at a time, always inside one organisation.

Row-level security is the wall underneath: each transaction names its organisation with a transaction-local
setting, and the role the service takes on owns nothing.
"""

from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from typing import Any, Final

import psycopg
from sqlalchemy import Engine, create_engine, event, text
from sqlalchemy.engine import make_url
from sqlalchemy.exc import DBAPIError, IntegrityError, InterfaceError, OperationalError
from sqlalchemy.exc import TimeoutError as PoolTimeout
from sqlalchemy.pool import PoolProxiedConnection
from sqlmodel import Session

from service.domain.errors import Conflict, StorageFull, Unavailable
from service.storage.packing import register
from service.storage.readings import Plain

__all__ = [
    "ORGANISATION_SETTING",
    "SERVICE_ROLE",
    "STEWARD_ROLE",
    "Database",
    "HeldPlain",
    "Session",
    "connect_engine",
    "enter",
    "sqlalchemy_url",
    "translated",
]

SERVICE_ROLE: Final = "heapledger_service"
STEWARD_ROLE: Final = "heapledger_steward"
"""Makes organisations and their first keys from the command line; cannot read any other table."""

ORGANISATION_SETTING: Final = "heapledger.organisation"

_ON_CONNECT: Final = (
    "set statement_timeout = '30s'",
    "set lock_timeout = '10s'",
    "set idle_in_transaction_session_timeout = '60s'",
    "set timezone = 'UTC'",
)

_SENTENCES: Final = {
    "uq_site_organisation_id_name": "a site with this name exists already; use another name",
    "uq_bay_organisation_id_site_id_label": "the site has a bay with this label; use another label",
    "uq_feedstock_organisation_id_code": "a feedstock with this code exists already; use another code",
    "uq_recipe_organisation_id_name": "a recipe with this name exists already; use another name",
    "uq_pile_organisation_id_site_id_label": "the site has a pile with this label; use another label",
    "uq_gateway_organisation_id_name": "a gateway with this name exists already; use another name",
    "uq_probe_organisation_id_serial": "a probe with this serial exists already; use the one on record",
    "uq_reading_profile_organisation_id_name": "a profile with this name exists already; use another name",
    "uq_own_rule_organisation_id_rule_number": (
        "somebody wrote a version of this rule at the same moment; read it and decide again"
    ),
    "uq_own_pattern_organisation_id_code": "a pattern with this code exists already; use another code, or change it",
    "uq_organisation_name": "an organisation with this name exists already",
    "ex_placement_one_place_at_a_time": (
        "the probe is placed elsewhere for part of that time; end the earlier placement first (set its 'to')"
    ),
}

_NO_ROOM: Final = "the record's disk is full; nothing was written; send it again once there is room"


def sqlalchemy_url(url: str) -> str:
    """Name the driver in a ``postgresql://`` URL."""
    parsed = make_url(url)
    return parsed.set(drivername="postgresql+psycopg").render_as_string(hide_password=False)


def connect_engine(url: str, *, role: str | None = None, pool_size: int = 12) -> Engine:
    """Return an engine whose connections take on ``role`` (the login's own when None)."""
    engine = create_engine(
        sqlalchemy_url(url),
        pool_size=pool_size,
        max_overflow=pool_size,
        pool_timeout=10,
        pool_pre_ping=True,
        connect_args={"connect_timeout": 5},
    )

    @event.listens_for(engine, "connect")
    def prepare(raw: Any, _record: object) -> None:  # noqa: ANN401 - the driver's own connection
        raw.autocommit = True
        for statement in _ON_CONNECT:
            raw.execute(statement)
        if role is not None:
            raw.execute(f"set role {role}")
        raw.autocommit = False
        register(raw)

    return engine


@contextmanager
def translated() -> Iterator[None]:
    """Turn what the driver says into the trade's own refusals."""
    try:
        yield
    except psycopg.errors.DiskFull as error:
        raise StorageFull(_NO_ROOM) from error
    except psycopg.errors.CheckViolation as error:
        if error.diag.constraint_name is not None:
            raise
        raise Unavailable(
            "the record has no month for these readings yet; nothing was kept; 'heapledger migrate' makes it"
        ) from error
    except IntegrityError as error:
        constraint = getattr(getattr(error.orig, "diag", None), "constraint_name", None)
        sentence = _SENTENCES.get(constraint or "")
        if sentence is None:
            raise
        raise Conflict(sentence) from error
    except (
        OperationalError,
        InterfaceError,
        PoolTimeout,
        psycopg.OperationalError,
        psycopg.InterfaceError,
        psycopg.errors.IdleInTransactionSessionTimeout,  # of the class InternalError
    ) as error:
        if isinstance(getattr(error, "orig", None), psycopg.errors.DiskFull):
            raise StorageFull(_NO_ROOM) from error
        raise Unavailable("the record cannot be reached just now; nothing was written; try again") from error
    except DBAPIError as error:
        if error.connection_invalidated:
            raise Unavailable("the record was cut off; nothing was written; try again") from error
        raise


class Database:
    """The service's way to the record.

    Parameters
    ----------
    engine
        An engine whose connections have taken on the service role.
    """

    def __init__(self, engine: Engine) -> None:
        self.engine = engine

    @contextmanager
    def begin(self, organisation_id: int) -> Iterator[Session]:
        """Open one transaction inside one organisation; commit at the end, roll back on any error."""
        with translated(), Session(self.engine, expire_on_commit=False) as session, session.begin():
            enter(session, organisation_id)
            yield session

    @contextmanager
    def begin_plain(self, organisation_id: int) -> Iterator[Plain]:
        """Open the same transaction on the driver's own connection, for the write path of readings."""
        with translated(), self.engine.connect() as connection, connection.begin():
            plain: Plain = connection.connection.driver_connection  # type: ignore[assignment]
            plain.execute("select set_config(%s, %s, true)", (ORGANISATION_SETTING, str(organisation_id)))
            yield plain

    def hold_plain(self) -> "HeldPlain":
        """Return a connection to keep, for a thread that writes all day."""
        return HeldPlain(self.engine)

    def ping(self) -> None:
        """Ask the server for an answer; raise ``Unavailable`` when none comes."""
        with translated(), self.engine.connect() as connection:
            connection.execute(text("select 1"))

    def close(self) -> None:
        """Give the connections back."""
        self.engine.dispose()


class HeldPlain:
    """One connection kept by one thread; replaced when it broke."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._held: PoolProxiedConnection | None = None

    @contextmanager
    def begin(self, organisation_id: int, *, pipelined: bool = False) -> Iterator[Plain]:
        """Open one transaction inside one organisation; commit at the end, roll back on any error.

        Parameters
        ----------
        pipelined
            What does not wait for an answer shares a round trip. Only for what a socket's buffer takes at once: the
            driver, once it waits for answers, sends no more of what it still holds, and both sides would wait for ever.
        """
        with translated():
            if self._held is None:
                self._held = self._engine.raw_connection()
            plain: Plain = self._held.driver_connection  # type: ignore[assignment]
            try:
                with plain.pipeline() if pipelined else nullcontext():
                    plain.execute(
                        "select set_config(%s, %s, true)",
                        (ORGANISATION_SETTING, str(organisation_id)),
                        prepare=True,
                    )
                    yield plain
                    plain.commit()
            except BaseException:
                self._mend(plain)
                raise

    def _mend(self, plain: Plain) -> None:
        try:
            plain.rollback()
        except psycopg.Error:
            assert self._held is not None
            self._held.invalidate()
            self._held = None

    def close(self) -> None:
        """Give the connection back."""
        if self._held is not None:
            self._held.close()
            self._held = None


def enter(session: Session, organisation_id: int) -> None:
    """Name the organisation for the present transaction."""
    session.execute(
        text("select set_config(:name, :value, true)"),
        {"name": ORGANISATION_SETTING, "value": str(organisation_id)},
    )
