"""Every router of the service."""

from fastapi import FastAPI

from service.http import (
    calibrations,
    compliance,
    corrections,
    evaluating,
    evidence,
    feedstocks,
    gateways,
    imports,
    keys,
    log,
    organisation,
    piles,
    probes,
    profiles,
    quarantine,
    readings,
    recipes,
    schedules,
    sites,
    solving,
    status,
    streams,
    system,
    units,
)

VERSIONED = (
    sites,
    feedstocks,
    evaluating,
    solving,
    recipes,
    piles,
    readings,
    status,
    gateways,
    probes,
    calibrations,
    corrections,
    profiles,
    quarantine,
    compliance,
    evidence,
    log,
    schedules,
    keys,
    organisation,
    streams,
    imports,
    units,
)


def include(app: FastAPI) -> None:
    """Mount the routers: the contract under ``/v1``, the system's own at the root."""
    for module in VERSIONED:
        app.include_router(module.router, prefix="/v1")
    app.include_router(system.router)
