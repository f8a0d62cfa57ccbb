"""The demo in a real record: everything arrives, once."""

import datetime as dt
import io
import uuid
from collections.abc import Iterator
from dataclasses import dataclass

import pytest
from fastapi.testclient import TestClient
from pypdf import PdfReader
from rich.console import Console
from rich.progress import Progress
from sqlalchemy import text

from service.app import create_app
from service.demo import filling
from service.demo.bags import DISPUTED
from service.demo.filled import Filled
from service.demo.places import ORGANISATION
from service.demo.scenario import Scenario, make, registered
from service.domain.authority import Caller, Scope
from service.operations import organisations, piles
from service.operations.standing import standing
from service.settings import Settings
from service.storage import piles as stored_piles
from service.storage.database import SERVICE_ROLE, STEWARD_ROLE, Database, connect_engine
from tests.conftest import Urls, _copy, drop_database
from tests.demo.looking import AUTUMN, verdict


@dataclass(frozen=True)
class Demo:
    """A filled record and what was to be in it."""

    urls: Urls
    database: Database
    steward: Database
    filled: Filled
    scenario: Scenario
    now: dt.datetime

    def one(self, query: str) -> int:
        with self.database.begin(self.filled.organisation_id) as session:
            return int(session.execute(text(query)).scalar_one())


@pytest.fixture(scope="module")
def demo(logins, template) -> Iterator[Demo]:
    name, urls = _copy(logins, template)
    database = Database(connect_engine(urls.service, role=SERVICE_ROLE))
    steward = Database(connect_engine(urls.owner, role=STEWARD_ROLE, pool_size=1))
    now = dt.datetime.fromisoformat(AUTUMN)
    progress = Progress(console=Console(quiet=True))
    filled = filling.fill(database, steward, now=now, progress=progress)
    assert [task.description for task in progress.tasks if not task.finished] == []
    yield Demo(urls, database, steward, filled, make(now), now)
    database.close()
    steward.close()
    drop_database(logins.owner, name)


class TestWhatIsThere:
    def test_all_readings_are_kept_held_or_disputed(self, demo: Demo) -> None:
        counts = demo.filled.counts
        assert counts is not None
        sent = counts.readings
        assert sent.received == demo.scenario.readings
        assert sent.received == sent.stored + sent.duplicate + sent.disputed + sent.held
        assert sent.refused == 0
        assert demo.one("select count(*) from reading") == sent.stored
        assert demo.one("select count(*) from held_reading") == sent.held > 30
        assert demo.one("select count(*) from disputed_reading") == sent.disputed == DISPUTED

    def test_each_bag_is_a_batch(self, demo: Demo) -> None:
        assert demo.one("select count(*) from batch") == len(demo.scenario.bags)

    def test_late_readings_show_in_their_batch(self, demo: Demo) -> None:
        late_h = demo.one(
            "select max(extract(epoch from b.received_at - r.observed_at) / 3600) from reading r"
            " join batch b using (organisation_id, batch_id)"
        )
        assert 40 <= late_h <= 47

    def test_everything_else_is_there(self, demo: Demo) -> None:
        entries = sum(map(len, demo.scenario.entries.values()))
        expected = {
            "site": 3,
            "bay": 15,
            "gateway": 4,
            "feedstock": 12,
            "analysis": 2,
            "recipe": 4,
            "probe": len(registered()),
            "placement": len(demo.scenario.stays),
            "pile": len(demo.scenario.piles),
            "pile_event": entries,
            "verdict": 1,
        }
        assert {table: demo.one(f"select count(*) from {table}") for table in expected} == expected

    def test_what_is_counted_is_there(self, demo: Demo) -> None:
        counts = demo.filled.counts
        assert counts is not None
        assert (counts.sites, counts.piles) == (3, len(demo.scenario.piles))
        assert counts.probes == len(registered())
        assert counts.events == demo.one("select count(*) from pile_event")

    def test_every_pile_says_that_it_is_simulated(self, demo: Demo) -> None:
        assert demo.one("select count(*) from pile where label not like '%(simulated)'") == 0
        assert demo.filled.organisation.endswith("(simulated)")

    def test_a_correction_names_the_entry_it_corrects(self, demo: Demo) -> None:
        query = "select count(*) from pile_event c join pile_event o on o.id = c.corrects and o.pile_id = c.pile_id"
        assert demo.one(query) == 2

    def test_its_fahrenheit_is_kept_as_recorded(self, demo: Demo) -> None:
        assert demo.one("select max(value) from reading where unit = 2") > 140


class TestVerdicts:
    def test_are_those_of_the_scenario_reading_for_reading(self, demo: Demo) -> None:
        caller = Caller(demo.filled.organisation_id, uuid.UUID(int=0), frozenset({Scope.READ}))
        for one in demo.scenario.piles:
            with demo.database.begin(caller.organisation_id) as session:
                row = piles.pile_of(session, caller, demo.filled.piles[one.pile.label])
                loaded = stored_piles.load(session, row)
            found = standing(loaded, now=demo.now)
            assert set(found.verdicts) == set(one.pile.rules)
            for rule, told in found.verdicts.items():
                expected = verdict(demo.scenario, one.pile.label, rule)
                assert (told.readings_digest, told.state) == (expected.readings_digest, expected.state), (
                    one.pile.label
                )


class TestAgain:
    def test_is_not_filled_twice(self, demo: Demo) -> None:
        tables = ("reading", "pile", "pile_event", "batch", "site", "verdict")
        before = [demo.one(f"select count(*) from {table}") for table in tables]
        again = filling.fill(demo.database, demo.steward, now=demo.now + dt.timedelta(days=1))
        assert [demo.one(f"select count(*) from {table}") for table in tables] == before
        assert not again.is_new
        assert again.counts is None
        assert again.scopes == {Scope.READ}
        assert again.key != demo.filled.key
        assert again.organisation_id == demo.filled.organisation_id
        assert dict(again.piles) == dict(demo.filled.piles)
        assert dict(again.sites) == dict(demo.filled.sites)
        assert "already" in filling.addresses(again, "http://localhost:8000")

    def test_one_that_was_cut_short_leaves_nothing_and_is_filled_the_next_time(
        self, fresh: Urls, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        database = Database(connect_engine(fresh.service, role=SERVICE_ROLE))
        steward = Database(connect_engine(fresh.owner, role=STEWARD_ROLE, pool_size=1))
        now = dt.datetime.fromisoformat(AUTUMN)
        with monkeypatch.context() as patched:
            patched.setattr("service.demo.filling.send", _cut_short)
            with pytest.raises(KeyboardInterrupt):
                filling.fill(database, steward, now=now)
        organisation_id = organisations.id_of(steward, ORGANISATION)
        with database.begin(organisation_id) as session:
            counted = session.execute(text("select count(*) from pile")).scalar_one()
        assert counted == 0
        whole = filling.fill(database, steward, now=now)
        assert whole.is_new
        assert whole.organisation_id == organisation_id
        database.close()
        steward.close()


def _cut_short(*_positional: object, **_named: object) -> None:
    raise KeyboardInterrupt


class TestShown:
    def test_one_row_for_each_pile(self, demo: Demo) -> None:
        console = Console(width=200, record=True, file=io.StringIO())
        console.print(filling.table(demo.database, demo.filled, now=demo.now))
        shown = console.export_text()
        assert ORGANISATION in shown
        assert all(label in shown for label in demo.filled.piles)
        assert set("✓…✗?") <= set(shown.partition("met,")[0])
        by_pile = {line.split()[0]: line for line in shown.splitlines() if line.strip()}
        assert "✓ us-nop-windrow" in by_pile["MY-01"]
        assert "? us-nop-windrow" in by_pile["MY-03"]
        assert "too hot" in by_pile["MY-07"]
        assert "not heating" in by_pile["HS-04"]
        for stage in ("planned", "filling", "hot", "curing", "ready", "closed"):
            assert f" {stage} " in shown

    def test_shows_what_the_status_says(self, demo: Demo) -> None:
        app = create_app(
            Settings(key_cache_s=0), database=Database(connect_engine(demo.urls.service, role=SERVICE_ROLE))
        )
        with TestClient(app) as client:
            lines = filling.addresses(demo.filled, "").splitlines()
            paths = [line.rpartition(" ")[2].strip("'") for line in lines if "curl" in line]
            answers = [
                client.get(path, headers={"Authorization": f"Bearer {demo.filled.key}"}) for path in paths
            ]
        assert [answer.status_code for answer in answers] == [200] * 6
        assert [answer.json()["label"] for answer in answers[:3]] == [
            "MY-07 (simulated)",
            "HS-04 (simulated)",
            "MY-03 (simulated)",
        ]
        sheets = [PdfReader(io.BytesIO(answer.content)) for answer in answers[3:]]
        assert [len(sheet.pages) for sheet in sheets] == [1, 1, 1]
        for sheet, told in zip(sheets, ("Terrace mix", "Yard mix", "Glasshouse mix"), strict=True):
            assert told in sheet.pages[0].extract_text()

    def test_the_address_is_where_the_service_listens(self, demo: Demo) -> None:
        said = filling.addresses(demo.filled, "http://127.0.0.1:8123")
        assert "http://127.0.0.1:8123/docs" in said
        assert demo.filled.key in said


class TestKey:
    def test_may_read_write_and_send(self, demo: Demo) -> None:
        assert demo.filled.scopes == {Scope.READ, Scope.WRITE, Scope.INGEST}
        assert demo.filled.key.startswith("hlk_")
