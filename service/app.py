"""The web process put together."""

import gc
import importlib.metadata
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from fastapi import FastAPI
from starlette.routing import Route
from starlette.types import ASGIApp, Receive, Scope, Send

from service.http import problems, routes
from service.http.authority import Authenticator
from service.http.ingest import ADDRESS, IngestRoute
from service.http.limits import BodyLimits
from service.http.metrics import measured
from service.http.openapi import describe
from service.operations.intake import Intake
from service.operations.signing import Signer
from service.settings import Settings
from service.storage.database import SERVICE_ROLE, Database, connect_engine


class Service(FastAPI):
    """The app, which takes posted readings past the framework's own layers (six calls deep, at each request)."""

    ingest: ASGIApp | None = None

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on."""
        posts = scope["type"] == "http" and scope["path"] == ADDRESS and scope["method"] == "POST"
        if posts and self.ingest is not None:
            await self.ingest(scope, receive, send)
        else:
            await super().__call__(scope, receive, send)


def create_app(settings: Settings, *, database: Database | None = None) -> FastAPI:
    """Return the service as an ASGI app.

    Parameters
    ----------
    database
        The record to use; opened from ``settings.database_url`` when None.
    """
    if database is None:
        if settings.database_url is None:
            raise ValueError("no database: give one, or set DATABASE_URL")
        url = settings.database_url.get_secret_value()
        database = Database(connect_engine(url, role=SERVICE_ROLE, pool_size=settings.pool_size))
    authenticator = Authenticator(database, trust_s=settings.key_cache_s)
    intake = Intake(database, writers=settings.ingest_writers)

    @asynccontextmanager
    async def life(_app: FastAPI) -> AsyncIterator[None]:
        # What start-up made lives as long as the process; without it each collection is short (measured).
        gc.collect()
        gc.freeze()
        gc.set_threshold(20_000)
        yield
        intake.close()
        database.close()

    app = Service(
        title="Heapledger",
        version=importlib.metadata.version("heapledger"),
        summary="Recipes, turning schedules and time-temperature verdicts for hot, turned compost piles.",
        lifespan=life,
        generate_unique_id_function=lambda route: route.name,
        redirect_slashes=False,
    )
    app.state.database = database
    app.state.authenticator = authenticator
    app.state.settings = settings
    app.state.signer = (
        None if settings.log_key is None else Signer(settings.log_name, settings.log_key.get_secret_value())
    )
    problems.install(app)
    ingest = IngestRoute(authenticator, intake, database, settings)
    app.router.routes.append(Route(ADDRESS, ingest, methods=["POST"], name="post_readings"))
    routes.include(app)
    describe(app)
    larger = {"/v1/compliance/check": settings.max_check_bytes}
    app.add_middleware(
        BodyLimits,
        max_body_bytes=settings.max_body_bytes,
        larger=larger,
        unlimited=frozenset({ADDRESS}),
        forms=("/today/",),
    )
    app.add_middleware(measured)
    app.ingest = ingest
    return app


def from_environment() -> FastAPI:
    """Return the app of a worker process, from its environment."""
    return create_app(Settings())
