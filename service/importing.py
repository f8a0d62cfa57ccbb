"""A file of readings taken in past the network, through the one write path."""

import json
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

from service.domain.authority import Caller
from service.domain.errors import Invalid
from service.http.formats.bag import read_bag
from service.http.formats.read import pack_of
from service.operations.readings import BatchNumbers, Receipt, ingest
from service.storage import readings as stored_readings
from service.storage.database import Database


def bags_of(file: Path, most: int) -> Iterator[bytes]:
    """Yield a file as bags of at most ``most`` readings.

    Raises
    ------
    Invalid
        The file is JSON and holds no readings.
    """
    text = file.read_text(encoding="utf-8-sig")
    try:
        whole = json.loads(text)
        readings = [json.dumps(one) for one in whole.get("readings", [whole])]
    except json.JSONDecodeError:
        readings = [_one_line(line) for line in text.splitlines() if line.strip()]
    except (TypeError, AttributeError) as error:
        remedy = 'holds no readings; give {"readings": [...]} or one reading a line'
        raise Invalid.field("/readings", remedy) from error
    for start in range(0, len(readings), most):
        yield f'{{"readings":[{",".join(readings[start : start + most])}]}}'.encode()


def _one_line(line: str) -> str:
    """Return a line as JSON; one that is none becomes a text, which is refused by its place."""
    try:
        json.loads(line)
    except ValueError:
        return json.dumps(line)
    return line


def keep_bag(database: Database, caller: Caller, body: bytes, total: Receipt) -> None:
    """Keep one bag in its own transaction and add what became of it to ``total``."""
    now = datetime.now(UTC)
    bag = read_bag(body, now=now, most=sys.maxsize)
    with database.begin_plain(caller.organisation_id) as connection:
        pack = pack_of(bag, caller, now=now, before=total.received)
        probes = stored_readings.instruments(connection, caller.organisation_id, sorted(set(bag.serials)))
        (receipt,) = ingest(connection, caller.organisation_id, [pack], probes, BatchNumbers())
    total.received += receipt.received
    total.stored += receipt.stored
    total.duplicate += receipt.duplicate
    total.held += receipt.held
    total.disputes += receipt.disputes
    total.refused += receipt.refused
