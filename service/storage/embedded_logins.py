"""Ways into the embedded PostgreSQL, for the drivers there are."""

from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

from psycopg.conninfo import make_conninfo

from service.storage.embedded_cluster import DATABASE, PORT


@dataclass(frozen=True)
class Login:
    """One role's way in; use :func:`dataclasses.replace` for another database of the same server."""

    user: str
    socket_folder: Path
    database: str = DATABASE

    @property
    def conninfo(self) -> str:
        """For psycopg."""
        return make_conninfo(host=str(self.socket_folder), port=PORT, user=self.user, dbname=self.database)

    @property
    def url(self) -> str:
        """For SQLAlchemy."""
        folder = quote(str(self.socket_folder), safe="")
        return f"postgresql+psycopg://{self.user}@/{self.database}?host={folder}&port={PORT}"


@dataclass(frozen=True)
class Logins:
    """Ways in: ``owner`` migrates and is superuser, ``service`` owns nothing and is what requests run as."""

    owner: Login
    service: Login
