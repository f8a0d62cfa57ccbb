"""The console command."""

import json
import logging
import os
import signal
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from datetime import UTC, datetime
from pathlib import Path
from types import FrameType
from typing import Annotated
from uuid import UUID

import typer
import uvicorn
from rich.console import Console
from rich.progress import Progress
from rich.table import Table

from service.domain.authority import Caller, Scope
from service.domain.errors import DomainError
from service.importing import FORMATS, asked_of_file, keep_shown, refused_lines, told
from service.operations import organisations, signing
from service.operations.packs import Receipt
from service.record import Record, open_record
from service.settings import Settings
from service.storage.database import SERVICE_ROLE, STEWARD_ROLE, Database, connect_engine
from service.storage.embedded import EmbeddedServerError

app = typer.Typer(
    help="Heapledger: recipes, turning schedules and time-temperature verdicts for hot, turned compost piles.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)
keys_app = typer.Typer(help="Make, list and revoke API keys.", no_args_is_help=True)
app.add_typer(keys_app, name="key")
out = Console()
err = Console(stderr=True)

Port = Annotated[int, typer.Option(min=1, max=65535, help="The port to listen on.")]
Host = Annotated[str | None, typer.Option(help="The address to listen on; HEAPLEDGER_HOST when absent.")]
Organisation = Annotated[str, typer.Option(help="The organisation's name.")]


def main() -> None:
    """Run the command; what can be mended is said in one sentence."""
    try:
        app()
    except (DomainError, EmbeddedServerError) as error:
        err.print(f"[red]heapledger:[/red] {error}", highlight=False)
        raise SystemExit(1) from error


@contextmanager
def _record(*, migrated: bool = True) -> Iterator[tuple[Settings, Record]]:
    # A stop signal that comes before uvicorn listens must still stop the embedded server.
    signal.signal(signal.SIGTERM, _stop)
    settings = Settings()
    with err.status("starting the record ..."):
        opening = open_record(settings, migrated=migrated)
        record = opening.__enter__()
    try:
        yield settings, record
    finally:
        opening.__exit__(None, None, None)


@app.command()
def serve(
    port: Port = 8000,
    host: Host = None,
    workers: Annotated[int, typer.Option(min=1, max=64, help="Web processes.")] = 1,
    migrated: Annotated[
        bool, typer.Option("--migrate/--no-migrate", help="Bring the schema up first (needs its owner).")
    ] = True,
    at_work: Annotated[
        bool, typer.Option("--work/--no-work", help="Run jobs, too; 'heapledger work' runs them alone.")
    ] = True,
) -> None:
    """Serve the API; with no DATABASE_URL, on a PostgreSQL of our own in the data folder."""
    from service.worker import working  # noqa: PLC0415 - slow to load: whoever makes a key should not wait for it

    with _record(migrated=migrated) as (settings, record):
        out.print(f"Heapledger serves http://{host or settings.host}:{port} (documentation: /docs)")
        if not record.is_embedded:
            out.print("on the server that DATABASE_URL names")
        else:
            out.print(f"on its own PostgreSQL in {settings.data_dir}", soft_wrap=True)
        with working(record.service_url, record.owner_url, settings) if at_work else nullcontext():
            _serve(settings, record, port=port, host=host, workers=workers)


@app.command()
def work(
    migrated: Annotated[
        bool, typer.Option("--migrate/--no-migrate", help="Bring the schema up first (needs its owner).")
    ] = True,
) -> None:
    """Run jobs until told to stop, for a service that serves with --no-work."""
    from service.worker import working  # noqa: PLC0415 - slow to load: whoever makes a key should not wait for it

    logging.basicConfig(level=logging.WARNING)
    with (
        _record(migrated=migrated) as (settings, record),
        working(record.service_url, record.owner_url, settings) as worker,
    ):
        out.print("Heapledger runs jobs")
        worker.join()


def _serve(settings: Settings, record: Record, *, port: int, host: str | None, workers: int) -> None:
    """Serve until told to stop."""
    logging.basicConfig(level=logging.WARNING)
    os.environ["DATABASE_URL"] = record.service_url
    if record.is_embedded and settings.log_key is None:
        os.environ["HEAPLEDGER_LOG_KEY"] = signing.kept_key(settings.data_dir)
    options = {
        "host": host or settings.host,
        "port": port,
        "log_level": "warning",
        "access_log": False,
        "server_header": False,
        "proxy_headers": False,  # nothing here asks whence or by which scheme a request came
        # A body that never comes to its end must not keep the service from stopping; a container is given ten seconds.
        "timeout_graceful_shutdown": 5,
    }
    if workers == 1:
        from service.app import create_app  # noqa: PLC0415 - slow to load: whoever makes a key should not wait for it

        uvicorn.run(create_app(Settings()), **options)  # type: ignore[arg-type]
    else:
        uvicorn.run("service.app:from_environment", factory=True, workers=workers, **options)  # type: ignore[arg-type]


def _stop(_signal: int, _frame: FrameType | None) -> None:
    raise SystemExit(0)


@app.command()
def migrate() -> None:
    """Bring the record to the newest schema, and make the months of readings that are due."""
    with _record():
        out.print("the record has the newest schema")


@app.command()
def demo(
    port: Port = 8000,
    host: Host = None,
    serving: Annotated[bool, typer.Option("--serve/--no-serve", help="Go on serving afterwards.")] = True,
) -> None:
    """Fill the record with three invented sites and simulated readings, show their piles, and serve."""
    from service.demo import filling  # noqa: PLC0415 - slow to load: whoever makes a key should not wait for it
    from service.worker import working  # noqa: PLC0415 - slow to load: whoever makes a key should not wait for it

    with _record() as (settings, record):
        database = _database(record)
        with _steward(record) as steward, Progress(console=err, transient=True) as progress:
            filled = filling.fill(database, steward, now=datetime.now(UTC), progress=progress)
        address = f"http://{host or settings.host}:{port}"
        out.print(filling.table(database, filled, now=datetime.now(UTC)))
        out.print(filling.addresses(filled, address), highlight=False, soft_wrap=True)
        database.close()
        if serving:
            with working(record.service_url, record.owner_url, settings):
                _serve(settings, record, port=port, host=host, workers=1)


@app.command()
def bridge(
    migrated: Annotated[
        bool, typer.Option("--migrate/--no-migrate", help="Bring the schema up first (needs its owner).")
    ] = True,
) -> None:
    """Carry gateways' messages from the MQTT broker that HEAPLEDGER_BROKER_URL names into the record."""
    from service.bridge import broker_of  # noqa: PLC0415 - slow to load: whoever makes a key should not wait for it
    from service.bridge import run as run_bridge  # noqa: PLC0415 - slow to load: whoever makes a key should not wait for it

    broker = broker_of(Settings())
    with _record(migrated=migrated) as (settings, record):
        run_bridge(settings, broker, record.service_url)


@keys_app.command("create")
def key_create(
    organisation: Organisation,
    scopes: Annotated[str, typer.Option(help="Comma-separated: read, write, ingest, admin.")] = "read",
    site: Annotated[UUID | None, typer.Option(help="Limit the key to this site's id.")] = None,
    name: Annotated[str, typer.Option(help="What the key is for.")] = "command line",
    quiet: Annotated[bool, typer.Option("--quiet", help="Print the key alone.")] = False,
) -> None:
    """Make a key, and the organisation if it is new. The key is shown this once."""
    wanted = _scopes(scopes)
    with _record() as (_, record), _steward(record) as steward:
        made = organisations.create_key(steward, organisation, name=name, scopes=wanted, site_id=site)
    if quiet:
        typer.echo(made.token)
        return
    out.print(f"key {made.row.prefix} of {organisation} for {', '.join(sorted(wanted))}; write it down now:")
    out.print(made.token, highlight=False, soft_wrap=True)


@keys_app.command("list")
def key_list(organisation: Organisation) -> None:
    """List an organisation's keys; the keys themselves are kept nowhere."""
    with _record() as (_, record), _steward(record) as steward:
        rows = organisations.list_keys(steward, organisation)
    table = Table("prefix", "name", "scopes", "site", "made", "last used", "revoked")
    for row in rows:
        table.add_row(
            row.prefix,
            row.name,
            ", ".join(row.scopes),
            str(row.site_id or "all"),
            f"{row.created_at:%Y-%m-%d %H:%M}",
            "" if row.last_used_at is None else f"{row.last_used_at:%Y-%m-%d %H:%M}",
            "" if row.revoked_at is None else f"{row.revoked_at:%Y-%m-%d %H:%M}",
        )
    out.print(table)


@keys_app.command("revoke")
def key_revoke(
    organisation: Organisation,
    prefix: Annotated[str, typer.Argument(help="The key's prefix, as 'key list' shows it.")],
) -> None:
    """Revoke a key; a running service stops taking it within seconds."""
    with _record() as (_, record), _steward(record) as steward:
        organisations.revoke_key(steward, organisation, prefix, now=datetime.now(UTC))
    out.print(f"key {prefix} is revoked")


@app.command("import")
def import_file(
    file: Annotated[Path, typer.Argument(exists=True, dir_okay=False, help="May end in .gz or .zst.")],
    organisation: Organisation,
    form: Annotated[
        str | None,
        typer.Option("--format", help=f"{', '.join(FORMATS)}; by the file's suffix when absent."),
    ] = None,
    profile: Annotated[str | None, typer.Option(help="The profile that says how the file is read.")] = None,
    time_zone: Annotated[str | None, typer.Option(help="Of a table's times without offset.")] = None,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Read and judge everything, keep nothing.")
    ] = False,
) -> None:
    """Keep a file of readings; doing so again is harmless. Ends with 2 if readings were refused."""
    asked = asked_of_file(file, form, profile=profile, time_zone=time_zone, is_dry_run=dry_run)
    total = Receipt(0)
    with _record() as (settings, record):
        with _steward(record) as steward:
            organisation_id = organisations.id_of(steward, organisation)
        database = _database(record)
        caller = Caller(organisation_id, UUID(int=0), frozenset({Scope.INGEST}))
        try:
            with Progress(console=err, transient=True) as progress:
                broke = keep_shown(database, settings, caller, file, asked, total, progress)
        finally:
            database.close()
    out.print(told(total, is_dry_run=dry_run))
    for line in (*refused_lines(total), *broke.texts):
        err.print(line, highlight=False, markup=False, soft_wrap=True)
    code = broke.code or (2 if total.refused_count else 0)
    if code:
        raise typer.Exit(code)


@app.command()
def openapi() -> None:
    """Print the OpenAPI document."""
    from service.app import create_app  # noqa: PLC0415 - slow to load: whoever makes a key should not wait for it

    database = Database(connect_engine("postgresql://nobody@localhost:1/none"))
    typer.echo(json.dumps(create_app(Settings(), database=database).openapi(), indent=2, sort_keys=True))


def _scopes(text: str) -> frozenset[Scope]:
    try:
        return frozenset(Scope(word.strip()) for word in text.split(",") if word.strip())
    except ValueError as error:
        known = ", ".join(Scope)
        raise typer.BadParameter(f"{error}; use a comma-separated list of {known}") from error


def _database(record: Record) -> Database:
    return Database(connect_engine(record.service_url, role=SERVICE_ROLE))


@contextmanager
def _steward(record: Record) -> Iterator[Database]:
    database = Database(connect_engine(record.owner_url, role=STEWARD_ROLE, pool_size=1))
    try:
        yield database
    finally:
        database.close()
