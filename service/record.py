"""Where the record is: the server that ``DATABASE_URL`` names, or one of our own in the data folder."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from service.settings import Settings
from service.storage.embedded import EmbeddedServer
from service.storage.embedded_watch import watched
from service.storage.migrating import migrate


@dataclass(frozen=True)
class Record:
    """How to reach the record.

    Attributes
    ----------
    service_url
        The login the service uses; it owns nothing.
    owner_url
        The login that owns the schema, for migrations and for making organisations.
    is_embedded
        Whether the server is our own.
    """

    service_url: str
    owner_url: str
    is_embedded: bool


@contextmanager
def open_record(settings: Settings, *, migrated: bool = True) -> Iterator[Record]:
    """Give the record, started if it is our own, and brought to the newest schema."""
    if settings.database_url is not None:
        url = settings.database_url.get_secret_value()
        owner = url if settings.owner_url is None else settings.owner_url.get_secret_value()
        record = Record(url, owner, is_embedded=False)
        if migrated:
            migrate(record.owner_url)
        yield record
        return
    server = EmbeddedServer(settings.data_dir)
    with server as logins, watched(server):
        record = Record(logins.service.url, logins.owner.url, is_embedded=True)
        if migrated:
            migrate(record.owner_url)
        yield record
