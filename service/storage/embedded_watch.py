"""Brings the embedded PostgreSQL up again when it died under those who use it.

After the crash of one of its processes it recovers by itself. It gives up when it is killed whole, or when the disk is
too full for its recovery; nobody else would start it then.
"""

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

import structlog

from service.storage.embedded import EmbeddedServer, EmbeddedServerError

_LOOK_EVERY_S: Final = 0.25
_LONGEST_PAUSE_S: Final = 8.0

log = structlog.get_logger()


@contextmanager
def watched(server: EmbeddedServer) -> Iterator[None]:
    """Keep a started server alive; leave the object alone meanwhile."""
    ending = threading.Event()
    thread = threading.Thread(target=_watch, args=(server, ending), name="embedded-watch", daemon=True)
    thread.start()
    try:
        yield
    finally:
        ending.set()
        thread.join()


def _watch(server: EmbeddedServer, ending: threading.Event) -> None:
    pause_s = _LOOK_EVERY_S
    while not ending.wait(pause_s):
        try:
            if server.has_died():
                log.warning("record_died", data_dir=str(server.data_dir))
                server.start()
                log.warning("record_is_back", data_dir=str(server.data_dir))
            pause_s = _LOOK_EVERY_S
        except (EmbeddedServerError, OSError) as error:
            pause_s = min(2 * pause_s, _LONGEST_PAUSE_S)
            log.error("record_does_not_come_back", tries_again_in_s=pause_s, because=str(error))  # noqa: TRY400
