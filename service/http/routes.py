"""Every router of the service."""

from fastapi import FastAPI

from service.http import (
    compliance,
    feedstocks,
    keys,
    mixes,
    piles,
    probes,
    recipes,
    schedules,
    sites,
    status,
    system,
)

VERSIONED = (sites, feedstocks, mixes, recipes, piles, status, probes, compliance, schedules, keys)


def include(app: FastAPI) -> None:
    """Mount the routers: the contract under ``/v1``, the system's own at the root."""
    for module in VERSIONED:
        app.include_router(module.router, prefix="/v1")
    app.include_router(system.router)
