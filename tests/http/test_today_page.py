"""The day's page as a phone without scripts uses it, and every way to get its link or its form wrong."""

import json
import re
import shutil
import subprocess
import threading
import time
from datetime import timedelta
from pathlib import Path
from typing import Any
from uuid import UUID

import pytest
import uvicorn
from PIL import Image

from service.http.today_pages import rendering
from service.storage.database import Database
from service.storage.tables import ApiKeyRow
from tests.builders import a_bay
from tests.conftest import Tenant
from tests.http.days import (
    a_crewed_site,
    a_hand_probe,
    a_line,
    a_planned_task,
    a_standing_pile,
    now,
    the_list,
    today,
)
from tests.http.html_pages import Seen, seen
from tests.http.test_exchange import problem_of
from tests.http.test_today import events_of


def a_link(tenant: Tenant, site: dict[str, Any], **told: Any) -> str:
    answer = tenant.call("POST", f"/v1/sites/{site['id']}/today-links", told)
    assert answer.status_code == 201, answer.text
    assert answer.headers["cache-control"] == "no-store"
    path: str = answer.json()["path"]
    return path


def visit(tenant: Tenant, path: str, status: int = 200) -> Seen:
    return seen(tenant.client.get(path), status)


def send(tenant: Tenant, page: Seen, **typed: str) -> Any:
    return tenant.client.post(page.forms[0]["action"], data=page.fields(**typed), follow_redirects=False)


class TestLink:
    def test_its_crew_and_days(self, tenant: Tenant, database: Database) -> None:
        site, _ = a_line(tenant, database)
        a_planned_task(database, tenant, site, "Oak", "screen", crew="Year 10")
        path = a_link(tenant, site, crew="Year 9", to=str(today() + timedelta(2)))
        page = visit(tenant, path)
        assert f"{site['name']}, Year 9" in page.text
        assert "Etc/UTC" in page.text
        assert "Screen" not in page.text
        assert page.text.index("Turn: Oak") < page.text.index("Turn: Ash") < page.text.index("Build: Elm")

    def test_it_is_no_key(self, tenant: Tenant) -> None:
        site = a_crewed_site(tenant)
        token = a_link(tenant, site).removeprefix("/today/")
        assert tenant.call("GET", f"/v1/sites/{site['id']}", key=token).status_code == 401

    def test_any_change_of_it_is_unknown(self, tenant: Tenant) -> None:
        site = a_crewed_site(tenant)
        path = a_link(tenant, site, crew="Year 9")
        organisation, prefix, secret, first, last, crew = path.removeprefix("/today/").split(".")
        other = ("A" if secret[0] != "A" else "B") + secret[1:]
        year = str(int(last[:4]) + 1) + last[4:]
        for parts in (
            (organisation, prefix, other, first, last, crew),
            (organisation, prefix, secret, first, year, crew),
            (organisation, prefix, secret, first, last, "WWVhciAxMA"),
            (organisation, prefix, secret, first, last, ""),
            ("7fffffff", prefix, secret, first, last, crew),
            ("ffffffff", prefix, secret, first, last, crew),
            ("nothing",),
        ):
            page = visit(tenant, "/today/" + ".".join(parts), 404)
            assert "This link is not known" in page.text
        assert visit(tenant, path)

    def test_it_ends_with_its_days_by_rotation_and_by_revoking(
        self, tenant: Tenant, database: Database
    ) -> None:
        site = a_crewed_site(tenant, crews=["Year 9", "Year 10"])
        nine, ten = (a_link(tenant, site, crew=crew) for crew in ("Year 9", "Year 10"))
        again = a_link(tenant, site, crew="Year 9", rotate=True)
        assert "replaced by a new one" in visit(tenant, nine, 410).text
        visit(tenant, ten)
        visit(tenant, again)
        made = tenant.post(f"/v1/sites/{site['id']}/today-links", {"rotate": True})
        assert made["revoked"] == 2
        tenant.post(f"/v1/keys/{made['id']}/revoke", None)
        for path in (ten, again, made["path"]):
            visit(tenant, path, 410)
        later = a_link(tenant, site, **{"from": str(today() + timedelta(1))})
        assert "starts on" in visit(tenant, later, 403).text
        short = tenant.post(f"/v1/sites/{site['id']}/today-links", {})
        with database.begin(tenant.organisation_id) as session:
            row = session.get_one(ApiKeyRow, (tenant.organisation_id, UUID(short["id"])))
            row.expires_at = row.created_at
        assert "days of this link are over" in visit(tenant, short["path"], 410).text

    def test_what_does_not_fit(self, tenant: Tenant) -> None:
        site = a_crewed_site(tenant)
        refused: tuple[tuple[dict[str, Any], str], ...] = (
            ({"crew": "Nobody"}, "/crew"),
            ({"from": "2020-01-01"}, "/from"),
            ({"from": "2190-01-01"}, "/from"),
            ({"to": "2020-01-01"}, "/to"),
            ({"to": "2190-01-01"}, "/to"),
            ({"days": 3}, "/days"),
        )
        for told, pointer in refused:
            answer = tenant.call("POST", f"/v1/sites/{site['id']}/today-links", told)
            assert [one["pointer"] for one in problem_of(answer, 422)["errors"]] == [pointer]

    def test_another_sites_key_makes_none(self, tenant: Tenant) -> None:
        site = a_crewed_site(tenant)
        key = tenant.key_for("write", site_id=a_crewed_site(tenant)["id"])
        problem_of(tenant.call("POST", f"/v1/sites/{site['id']}/today-links", {}, key=key), 404)


class TestForm:
    def test_an_item_is_kept_and_told_on_the_list(self, tenant: Tenant, database: Database) -> None:
        site, ids = a_line(tenant, database)
        path = a_link(tenant, site, crew="Year 9")
        page = visit(tenant, f"{path}/{ids['oak']}")
        assert "Heat and steam" in page.text
        assert "mask" in page.text
        answer = send(
            tenant, page, height_m="1,05", moisture_feel="right", temperature="57.5", position="core-1"
        )
        assert answer.status_code == 303
        assert answer.headers["cache-control"] == "no-store"
        told = visit(tenant, answer.headers["location"])
        assert "Kept: Turn: Oak" in told.text
        assert "rules count it" in told.text, told.text[-900:]
        assert re.search(r"Turn: Oak: \d\d:\d\d on .*, by Year 9", told.text)
        turn, move, observed = events_of(tenant, ids["piles"]["Oak"])
        assert (turn["kind"], turn["details"]["height_m"], turn["crew"]) == ("turn", 1.05, "Year 9")
        assert move["kind"] == "move"
        assert (observed["details"]["temperature_c"], observed["details"]["moisture_feel"]) == (57.5, "right")
        assert "smell" not in observed["details"]

    def test_sent_twice_is_kept_once(self, tenant: Tenant, database: Database) -> None:
        site, ids = a_line(tenant, database)
        page = visit(tenant, f"{a_link(tenant, site)}/{ids['ash']}")
        first, second = (send(tenant, page, height_m="0.9") for _ in range(2))
        assert (first.status_code, second.status_code) == (303, 303)
        assert first.headers["location"] == second.headers["location"]
        assert [one["kind"] for one in events_of(tenant, ids["piles"]["Ash"])] == ["turn", "move"]

    def test_two_phones_with_different_words(self, tenant: Tenant, database: Database) -> None:
        site, ids = a_line(tenant, database)
        path = f"{a_link(tenant, site)}/{ids['ash']}"
        one, other = visit(tenant, path), visit(tenant, path)
        assert send(tenant, one, height_m="0.9").status_code == 303
        refused = seen(send(tenant, other, height_m="0.7", note="we turned it too"), 409)
        assert "It is on record as done" in refused.text
        assert refused.fields()["height_m"] == "0.7"
        assert refused.fields()["note"] == "we turned it too"
        assert len(events_of(tenant, ids["piles"]["Ash"])) == 2

    def test_what_was_typed_stays(self, tenant: Tenant, database: Database) -> None:
        site, ids = a_line(tenant, database)
        page = visit(tenant, f"{a_link(tenant, site)}/{ids['ash']}")
        empty = {"height_m": "", "temperature": "", "done_at": "", "water_l": ""}
        rest = {"note": "<b>steam & smoke</b>", "smell": "ammonia", "unit": "f", "watered": "yes"}
        for name, text in (
            ("height_m", "tall"),
            ("height_m", "0"),
            ("height_m", "21"),
            ("temperature", "1e3"),
            ("temperature", "900"),
            ("done_at", "25:00"),
            ("done_at", "soon"),
            ("water_l", "-3"),
            ("note", "x" * 4001),
        ):
            typed = rest | {name: text}
            page = seen(send(tenant, page, **(empty | typed)), 422)
            assert page.title.startswith("Not kept yet")
            assert {one: page.fields()[one] for one in typed} == typed
            assert [one for one in page.links if one.startswith("#") and one != "#form"] == [f"#{name}"]
            wrong = next(one for one in page.controls if one.attributes.get("id") == name)
            assert wrong.attributes["aria-invalid"] == "true"
            assert f"{name}-wrong" in wrong.attributes["aria-describedby"]
        assert events_of(tenant, ids["piles"]["Ash"]) == []
        assert send(tenant, page, **empty, note="well").status_code == 303

    def test_everything_wrong_is_said_at_once(self, tenant: Tenant, database: Database) -> None:
        site, ids = a_line(tenant, database)
        page = visit(tenant, f"{a_link(tenant, site)}/{ids['ash']}")
        shown = seen(send(tenant, page, height_m="tall", temperature="900", done_at="soon"), 422)
        assert {"#height_m", "#temperature", "#done_at"} <= set(shown.links)

    def test_a_time_that_has_not_come(self, tenant: Tenant) -> None:
        """West of Greenwich it is still morning; a time of the evening lies ahead."""
        site = a_crewed_site(tenant)
        zones = {"Etc/GMT+12": -12, "Pacific/Kiritimati": 14}
        zone = next(name for name, hours in zones.items() if (now() + timedelta(hours=hours)).hour < 22)
        site = tenant.call("PATCH", f"/v1/sites/{site['id']}", {"time_zone": zone}, If_Match='"1"').json()
        pile = a_standing_pile(tenant, site, "Ash")
        on = the_list(tenant, site)["on"]
        page = visit(tenant, f"{a_link(tenant, site)}/{on}.check.{pile['id'].replace('-', '')}")
        shown = seen(send(tenant, page, done_at="23:59"), 422)
        assert "has not come yet" in shown.text
        assert shown.fields()["done_at"] == "23:59"

    def test_a_dangerous_temperature_is_answered_in_red(self, tenant: Tenant, database: Database) -> None:
        site, ids = a_line(tenant, database)
        page = visit(tenant, f"{a_link(tenant, site)}/{ids['check']}")
        answer = send(tenant, page, temperature="200", unit="f", position="")  # 93.3 Cel
        told = tenant.client.get(answer.headers["location"])
        assert "93.33 °C can be the start of a fire" in seen(told).text
        assert 'class="box danger" role="status"' in told.text

    def test_what_others_wrote_is_text(self, tenant: Tenant, database: Database) -> None:
        site = a_crewed_site(tenant)
        a_standing_pile(tenant, site, "<script>alert(1)</script>")
        a_planned_task(database, tenant, site, "<script>alert(1)</script>", "check", reason="<img src=x>")
        page = visit(tenant, a_link(tenant, site))
        assert "<script>alert(1)</script>" in page.text
        assert "<img src=x>" in page.text

    def test_an_item_that_is_not_there(self, tenant: Tenant, database: Database) -> None:
        _, ids = a_line(tenant, database)
        elsewhere = a_crewed_site(tenant)
        path = a_link(tenant, elsewhere)
        for item in ("nothing", ids["ash"], "00000000-0000-7000-8000-000000000000"):
            visit(tenant, f"{path}/{item}", 404)
            seen(tenant.client.post(f"{path}/{item}", data={"note": "x"}), 404)
        assert events_of(tenant, ids["piles"]["Ash"]) == []

    def test_only_a_form_is_taken(self, tenant: Tenant, database: Database) -> None:
        site, ids = a_line(tenant, database)
        path = f"{a_link(tenant, site)}/{ids['ash']}"
        assert tenant.client.post(path, json={"height_m": 1}).status_code == 415
        assert tenant.client.post(path, data={"note": "x" * 3_000_000}).status_code == 413
        many = {"height_m": "no"} | {f"f{n}": "x" for n in range(5000)}
        seen(tenant.client.post(path, data=many), 422)
        kept = tenant.client.post(path, data={"note": "n\x00ul", "once": "short"}, follow_redirects=False)
        assert kept.status_code == 303
        assert events_of(tenant, ids["piles"]["Ash"])[0]["note"] == "nul"

    def test_the_build_sheet_is_at_hand(self, tenant: Tenant, database: Database) -> None:
        measures = [{"name": "barrow", "kind": "barrow", "volume_l": 80}]
        site = a_crewed_site(tenant, measures=measures)
        bay = a_bay(tenant, site["id"], label="1")
        mix = [
            {"feedstock": "leaves-loose-dry", "volume_m3": 1},
            {"feedstock": "horse-manure", "volume_m3": 0.5},
        ]
        recipe = tenant.post("/v1/recipes", {"name": "Autumn", "ingredients": mix})
        body = {"site_id": site["id"], "label": "Elm", "bay_id": bay["id"], "recipe_id": recipe["id"]}
        tenant.post("/v1/piles", body)
        build = a_planned_task(database, tenant, site, "Elm", "build")
        path = f"{a_link(tenant, site)}/{build}"
        assert f"{path}/sheet" in visit(tenant, path).links
        sheet = tenant.client.get(f"{path}/sheet")
        assert sheet.headers["cache-control"] == "no-store"
        assert "barrow" in sheet.text
        listed = the_list(tenant, site)["items"][0]["links"]["build_sheet"]
        assert "barrow" in tenant.call("GET", listed).text


def luminance(colour: str) -> float:
    """WCAG 2.2, relative luminance."""
    full = colour.lstrip("#")
    full = full if len(full) == 6 else "".join(letter * 2 for letter in full)
    parts = [int(full[place : place + 2], 16) / 255 for place in (0, 2, 4)]
    red, green, blue = (
        part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """WCAG 2.2, contrast ratio."""
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_every_pair_of_colours_is_readable() -> None:
    """WCAG 2.2: 1.4.3 asks for 4.5 between text and ground, 1.4.11 for 3 between a field's edge and its ground.

    Black on white is 21 by the text of the standard.
    """
    assert round(contrast("#000", "#fff"), 6) == 21
    style = rendering._STYLE
    grounds = sorted(set(re.findall(r"background: (#\w+)", style)))
    dark = [one for one in grounds if contrast(one, "#fff") > 4.5]
    light = [one for one in grounds if one not in dark]
    assert dark == sorted({"#24512f", "#a1121f", "#8a4b00"})
    for colour in set(re.findall(r"[^-]color: (#\w+)", style)) - {"#fff"}:
        assert min(contrast(colour, ground) for ground in light) >= 4.5, colour
    edges = set(re.findall(r"(?:solid|border-color:|outline: 4px solid) (#\w+)", style))
    assert edges
    for edge in edges:
        assert contrast(edge, "#fff") >= 3, edge


CHROMIUM = shutil.which("chromium")


@pytest.mark.skipif(CHROMIUM is None, reason="needs Debian's chromium")
def test_in_a_browser_at_phone_width(tenant: Tenant, database: Database, tmp_path: Path) -> None:
    """A real browser without scripts lays the pages out 320 wide with nothing cut off or beside the edge."""
    assert CHROMIUM is not None
    site, ids = a_line(tenant, database)
    elder = a_standing_pile(tenant, site, "Elder with a rather long name in bay nine")
    a_hand_probe(tenant, elder, (3, 80.0), (1, 93.0))
    path = a_link(tenant, site, crew="Year 9")
    profile = tmp_path / "profile"
    (profile / "Default").mkdir(parents=True)
    no_scripts = {"profile": {"default_content_setting_values": {"javascript": 2}}}
    (profile / "Default" / "Preferences").write_text(json.dumps(no_scripts))
    served = uvicorn.Server(uvicorn.Config(tenant.client.app, port=0, lifespan="off", log_level="error"))
    thread = threading.Thread(target=served.run, daemon=True)
    thread.start()
    while not served.started:
        time.sleep(0.05)
    port = served.servers[0].sockets[0].getsockname()[1]
    try:
        for name, page in (("list", path), ("item", f"{path}/{ids['ash']}")):
            picture = tmp_path / f"{name}.png"
            subprocess.run(
                [
                    CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
                    "--disable-background-networking", "--disable-component-update", "--disable-sync",
                    "--hide-scrollbars", f"--user-data-dir={profile}", "--window-size=320,3600",
                    f"--screenshot={picture}", f"http://127.0.0.1:{port}{page}",
                ],
                check=True, capture_output=True, timeout=60,
            )  # fmt: skip
            with Image.open(picture) as image:
                shown = image.convert("L")
            width, height = shown.size
            assert (width, height) == (320, 3600)
            assert shown.crop((16, 0, width - 16, height)).getextrema()[0] < 60, "there is dark text"
            # The page keeps 16 px free on either side; what is too wide would run into it.
            assert shown.crop((width - 12, 0, width, height)).getextrema() == (255, 255)
    finally:
        served.should_exit = True
        thread.join()
