"""The evidence pack and the curve: the same facts as everywhere else, on pages that can be read and checked.

Outside checks: pypdf reads the pages back, expat the drawings, and the rules of RFC 9110 (13.1.2, If-None-Match).
"""

import io
import json
import re
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import typst
from PIL import Image
from pypdf import PdfReader

from service.domain.curves import Drawing, draw
from service.http.evidence_models import EvidenceOut
from service.http.evidence_pages import to_pdf
from service.http.evidence_pages.glyphs import held, printable
from tests.builders import a_bag, a_bay, a_pile, a_placement, a_probe, a_reading, a_site, at
from tests.conftest import Tenant
from tests.domain.curves.making import a_line, a_record
from tests.http.test_exchange import NO_ONE, problem_of

RULE = "us-nop-windrow"
GAP = (200, 240)
SECRET = "Maria Beispiel"  # noqa: S105 - a name of a person, which must not be printed
LONG = "Abschnitt-Nord-" * 13 + "Ende."
SCRIPTS = "Компостный бурт · Κομπόστ · կոմպոստ · 堆肥场 · 堆肥"


@dataclass(frozen=True)
class Kept:
    """A pile with something of everything on record."""

    pile: dict[str, Any]
    probe: dict[str, Any]
    verdict: dict[str, Any]

    @property
    def path(self) -> str:
        return f"/v1/piles/{self.pile['id']}"


def a_kept_pile(tenant: Tenant, **overrides: Any) -> Kept:
    """Make a closed pile: loads, turns (one mistaken), a gap, a correction, a calibration, a sample, a verdict."""
    site = a_site(tenant, crews=["weekend crew"], time_zone="America/Chicago")
    bay = a_bay(tenant, site["id"], label="Bay 7", volume_m3=12)
    tenant.post("/v1/feedstocks", {"code": "leaves", "name": "Leaves, sieved", "source": "weighed by hand"})
    ingredients = [
        {
            "feedstock": "leaves",
            "mass_kg": 400,
            "moisture_pct": 45,
            "carbon_nitrogen_ratio": 40,
            "nitrogen_pct": 1.1,
        },
        {
            "name": "grass",
            "mass_kg": 200,
            "moisture_pct": 78,
            "carbon_nitrogen_ratio": 17,
            "nitrogen_pct": 2.6,
        },
    ]
    recipe = tenant.post("/v1/recipes", {"name": "leaf mix", "ingredients": ingredients})
    told = {
        "bay_id": bay["id"],
        "recipe_id": recipe["id"],
        "built_at": at(0),
        "rules": [RULE],
        "design_volume_m3": 11,
    }
    pile = a_pile(tenant, site["id"], **told | overrides)
    events = f"/v1/piles/{pile['id']}/events"
    tenant.post(
        events, {"kind": "load", "at": at(-2), "feedstock": "leaves", "mass_kg": 400, "volume_m3": 2.5}
    )
    tenant.post(events, {"kind": "load", "at": at(-1), "material": "grass, mown today", "mass_kg": 200})
    crews = ["weekend crew", SECRET, None, "weekend crew", "weekend crew"]
    for hours, crew in zip((100, 160, 250, 320, 380), crews, strict=True):
        tenant.post(
            events, {"kind": "turn", "at": at(hours), "crew": crew, "method": "loader", "note": SECRET}
        )
    wrong = tenant.post(events, {"kind": "turn", "at": at(30), "crew": SECRET})
    tenant.post(
        events,
        {"kind": "correct", "at": at(31), "corrects": wrong["id"], "reason": "entered at the wrong pile"},
    )
    tenant.post(
        events,
        {"kind": "sample", "at": at(2), "laboratory": "County laboratory", "carbon_nitrogen_ratio": 29.4,
         "fecal_coliform_mpn_g": 410, "salmonella_mpn_4g": 1.5},
    )  # fmt: skip
    probe = a_probe(tenant, accuracy_c=0.5)
    a_placement(tenant, probe["id"], pile["id"], position="core, north", depth_cm=45, to=at(500))
    tenant.post(
        f"/v1/probes/{probe['id']}/calibrations",
        {"calibrated_at": at(-24), "method": "ice_bath", "reference_c": 0, "shown_c": 0.4},
    )
    bag = [
        a_reading(probe["serial"], h, 138.2 + (7 * h % 19) / 10 if h > 40 else 70 + h, unit="[degF]")
        for h in range(500)
        if not GAP[0] < h < GAP[1]
    ]
    tenant.post("/v1/readings", a_bag(*bag))
    tenant.post(
        f"/v1/probes/{probe['id']}/corrections",
        {"kind": "exclude", "from": at(300), "to": at(303), "reason": "drawn out to clean it"},
    )
    tenant.post(events, {"kind": "move", "at": at(510), "purpose": "curing"})
    tenant.post(events, {"kind": "close", "at": at(600)})
    verdict = tenant.post(f"/v1/piles/{pile['id']}/verdicts", {"rule": RULE})
    return Kept(pile, probe, verdict)


@pytest.fixture
def kept(tenant: Tenant) -> Kept:
    return a_kept_pile(tenant)


def pages_of(content: bytes) -> tuple[PdfReader, str]:
    """Return a file read back, and its words with every space and break taken out."""
    reader = PdfReader(io.BytesIO(content))
    return reader, squeezed("".join(page.extract_text() for page in reader.pages))


def squeezed(text: str) -> str:
    return re.sub(r"[\s\u00ad\u200b]|(?<=[a-z])-\n(?=[a-z])", "", text).replace("-", "")


def instants(value: Any) -> Iterator[str]:
    if isinstance(value, dict):
        for one in value.values():
            yield from instants(one)
    elif isinstance(value, list):
        for one in value:
            yield from instants(one)
    elif isinstance(value, str) and re.match(r"\d{4}-\d\d-\d\dT", value):
        yield value


class TestDocument:
    def test_its_figures_are_those_of_compliance_and_status(self, tenant: Tenant, kept: Kept) -> None:
        pack = tenant.get(f"{kept.path}/evidence.json")
        (judged,) = tenant.get(f"{kept.path}/compliance")["items"]
        (case,) = pack["rules"]
        told = case["verdict"]
        # Each call is judged at its own instant, and nothing else may differ.
        assert {**told, "judged_at": None} == {**judged, "judged_at": None}
        assert told["lost"]
        assert told["readings_digest"] == kept.verdict["verdict"]["readings_digest"]
        for interpretation in ("inspector", "literal", "cumulative"):
            (one,) = tenant.get(f"{kept.path}/compliance?interpretation={interpretation}")["items"]
            under = case["under"][interpretation]
            assert under == {name: one[name] for name in under}
            assert one["readings_of_the_text"][interpretation] == under["state"]
        status = tenant.get(f"{kept.path}/status")
        for name in ("stage", "built_volume", "curing_since", "water_added_l"):
            assert pack["pile"][name] == status[name]
        assert len(pack["turns"]) == status["turns_on_record"]

    def test_the_text_its_standing_and_what_it_leaves_open_stand_beside_the_verdict(
        self, tenant: Tenant, kept: Kept
    ) -> None:
        (case,) = tenant.get(f"{kept.path}/evidence.json")["rules"]
        rule = tenant.get(f"/v1/rules/{RULE}")
        shared = ("title", "citation", "phrase", "text_as_of", "text_status", "version")
        assert {name: case["rule"][name] for name in shared} == {name: rule[name] for name in shared}
        assert case["rule"]["text_status_words"]
        parting = {one["question"] for one in case["ambiguities"] if one["parts_the_readings"]}
        assert parting == {one["question"] for one in case["verdict"]["differences"]}
        assert all(
            set(one["answers"]) == {"inspector", "literal", "cumulative"} for one in case["ambiguities"]
        )

    def test_an_unverified_text_says_so_in_words(self, tenant: Tenant, kept: Kept) -> None:
        (case,) = tenant.get(f"{kept.path}/evidence.json?rule=eu-cmc3")["rules"]
        rule = tenant.get("/v1/rules/eu-cmc3")
        assert case["rule"]["text_status"] == rule["text_status"] == "unverified"
        assert "not checked against the text" in case["rule"]["text_status_words"]

    def test_positions_have_instrument_span_counts_and_last_calibration(
        self, tenant: Tenant, kept: Kept
    ) -> None:
        pack = tenant.get(f"{kept.path}/evidence.json")
        (one,) = pack["positions"]
        assert (one["position"], one["serial"], one["depth_cm"]) == ("core, north", kept.probe["serial"], 45)
        assert datetime.fromisoformat(one["from"]) == datetime.fromisoformat(at(0))
        assert datetime.fromisoformat(one["to"]) == datetime.fromisoformat(at(500))
        assert one["accuracy_c"] == 0.5
        assert one["readings"] == 500 - (GAP[1] - GAP[0] - 1)
        assert one["not_counted"]["correction"] == 3
        assert one["readings_counted"] == one["readings"] - sum(one["not_counted"].values())
        assert sum(one["not_counted"].values()) == sum(
            part["count"] for part in pack["rules"][0]["verdict"]["excluded"]
        )
        assert one["highest_c"] == 60  # 140 °F
        assert one["calibration"]["offset_c"] == -0.4
        assert datetime.fromisoformat(one["calibration"]["calibrated_at"]) == datetime.fromisoformat(at(-24))

    def test_inputs_samples_and_verdicts_on_file_are_there(self, tenant: Tenant, kept: Kept) -> None:
        pack = tenant.get(f"{kept.path}/evidence.json")
        loads = [(one["name"], one["mass_kg"], one["volume_m3"], one["source"]) for one in pack["loads"]]
        assert loads == [
            ("Leaves, sieved", 400, 2.5, "weighed by hand"),
            ("grass, mown today", 200, None, None),
        ]
        assert [one["name"] for one in pack["recipe"]["ingredients"]] == ["Leaves, sieved", "grass"]
        assert pack["recipe"]["ingredients"][0]["sources"]["moisture_pct"] == "given in the recipe"
        (sample,) = pack["samples"]
        assert (sample["laboratory"], sample["fecal_coliform_mpn_g"]) == ("County laboratory", 410)
        assert sample["ph"] is None
        (filed,) = pack["issued_verdicts"]
        assert filed["id"] == kept.verdict["id"]
        assert filed["readings_digest"] == kept.verdict["verdict"]["readings_digest"]
        assert pack["pile"]["bay"] == "Bay 7"
        assert pack["organisation"]["name"] == tenant.name
        assert (pack["log"]["form"], pack["log"]["pile_id"]) == ("heapledger-log/1", pack["pile"]["id"])

    def test_corrections_of_entries_and_readings_have_reason_and_both_stamps(
        self, tenant: Tenant, kept: Kept
    ) -> None:
        pack = tenant.get(f"{kept.path}/evidence.json")
        (entry,) = pack["event_corrections"]
        assert entry["reason"] == "entered at the wrong pile"
        assert (entry["was_kind"], entry["withdraws"], entry["in_force"]) == ("turn", True, True)
        assert datetime.fromisoformat(entry["was_at"]) == datetime.fromisoformat(at(30))
        assert datetime.fromisoformat(entry["was_recorded_at"]) <= datetime.fromisoformat(
            entry["recorded_at"]
        )
        assert datetime.fromisoformat(at(30)) not in [
            datetime.fromisoformat(one["at"]) for one in pack["turns"]
        ]
        (reading,) = pack["reading_corrections"]
        assert (reading["kind"], reading["reason"]) == ("exclude", "drawn out to clean it")
        assert datetime.fromisoformat(reading["from"]) == datetime.fromisoformat(at(300))
        assert reading["in_force"] is True

    def test_a_withdrawn_correction_stays_in_the_log_and_no_longer_holds(
        self, tenant: Tenant, kept: Kept
    ) -> None:
        (said,) = tenant.get(f"{kept.path}/evidence.json")["reading_corrections"]
        tenant.post(
            f"/v1/probes/{kept.probe['id']}/corrections",
            {"kind": "withdraw", "withdraws": said["id"], "reason": "it was another probe"},
        )
        first, second = tenant.get(f"{kept.path}/evidence.json")["reading_corrections"]
        assert (first["id"], first["in_force"]) == (said["id"], False)
        assert (second["withdraws"], second["reason"]) == (said["id"], "it was another probe")

    def test_turns_are_on_the_sites_clock_and_name_crews_and_no_person(
        self, tenant: Tenant, kept: Kept
    ) -> None:
        answer = tenant.call("GET", f"{kept.path}/evidence.json")
        assert SECRET not in answer.text
        assert [one["crew"] for one in answer.json()["turns"]] == [
            "weekend crew", None, None, "weekend crew", "weekend crew",
        ]  # fmt: skip
        first = answer.json()["turns"][0]
        assert first["local"] == "2026-05-08T13:00:00-05:00"  # 100 h after 14:00 UTC on 4 May
        assert first["number"] == 1

    def test_keys_are_nowhere_in_it(self, tenant: Tenant, kept: Kept) -> None:
        answer = tenant.call("GET", f"{kept.path}/evidence.json")
        for one in tenant.get("/v1/keys")["items"]:
            assert one["id"] not in answer.text
            assert one["prefix"] not in answer.text

    def test_a_pile_with_nothing_on_record_is_a_pack_too(self, tenant: Tenant) -> None:
        pile = a_pile(tenant)
        pack = tenant.get(f"/v1/piles/{pile['id']}/evidence.json")
        assert (pack["rules"], pack["positions"], pack["loads"], pack["recipe"]) == ([], [], [], None)
        assert pack["statement"].startswith("This is evidence against a rule's text, not a permit.")
        asked = tenant.get(f"/v1/piles/{pile['id']}/evidence.json?rule={RULE}")
        assert asked["rules"][0]["verdict"]["state"] == "cannot_judge"

    def test_an_unknown_rule_is_named_with_the_remedy(self, tenant: Tenant, kept: Kept) -> None:
        for kind in ("evidence.json", "evidence.pdf", "curve.svg"):
            answer = tenant.call("GET", f"{kept.path}/{kind}?rule=moon-rule")
            assert answer.status_code == 422
            (error,) = answer.json()["errors"]
            assert error["pointer"] == "/rule"
            assert "moon-rule" in error["detail"]
            assert "GET /v1/rules" in error["detail"]

    def test_a_key_of_another_site_sees_nothing(self, tenant: Tenant, kept: Kept) -> None:
        elsewhere = tenant.key_for("read", site_id=a_site(tenant)["id"])
        for kind in ("evidence.json", "evidence.pdf", "curve.svg"):
            answer = tenant.call("GET", f"{kept.path}/{kind}", key=elsewhere)
            assert problem_of(answer, 404)["type"] == "/problems/not-found"
            problem_of(tenant.call("GET", f"/v1/piles/{NO_ONE}/{kind}"), 404)


class TestTags:
    @pytest.mark.parametrize("kind", ["evidence.json", "evidence.pdf", "curve.svg"])
    def test_what_says_the_same_is_not_sent_again_and_what_changed_is(
        self, tenant: Tenant, kept: Kept, kind: str
    ) -> None:
        first = tenant.call("GET", f"{kept.path}/{kind}")
        assert first.status_code == 200
        tag = first.headers["ETag"]
        again = tenant.call("GET", f"{kept.path}/{kind}", If_None_Match=f'"other", {tag}')
        assert (again.status_code, again.content, again.headers["ETag"]) == (304, b"", tag)
        tenant.post(f"/v1/piles/{kept.pile['id']}/events", {"kind": "turn", "at": at(420)})
        changed = tenant.call("GET", f"{kept.path}/{kind}", If_None_Match=tag)
        assert changed.status_code == 200
        assert changed.headers["ETag"] != tag

    def test_pages_and_document_carry_one_tag_and_it_is_the_digest(self, tenant: Tenant, kept: Kept) -> None:
        document = tenant.call("GET", f"{kept.path}/evidence.json")
        pages = tenant.call("GET", f"{kept.path}/evidence.pdf")
        digest = document.json()["evidence_digest"].removeprefix("sha256:")
        assert document.headers["ETag"] == pages.headers["ETag"] == f'W/"{digest[:32]}"'


class TestPages:
    def test_each_fact_of_the_document_stands_on_the_pages(self, tenant: Tenant, kept: Kept) -> None:
        content = tenant.call("GET", f"{kept.path}/evidence.pdf").content
        pack = tenant.get(f"{kept.path}/evidence.json")
        _, text = pages_of(content)
        case, (position,) = pack["rules"][0], pack["positions"]
        facts = [
            tenant.name, pack["site"]["name"], pack["pile"]["label"], "Bay 7", "11 m³",
            pack["statement"], *pack["cautions"],
            case["rule"]["title"], case["rule"]["phrase"], case["rule"]["citation"], case["rule"]["text_status_words"],
            case["rule"]["version"], case["verdict"]["next"], case["verdict"]["readings_digest"],
            *(one["detail"] for one in case["verdict"]["criteria"]),
            *(one["detail"] for one in case["verdict"]["lost"]),
            *(one["question"] for one in case["ambiguities"]),
            position["serial"], position["position"], f"{position['readings_counted']} of {position['readings']}",
            "correction 3", "ice bath: 0 °C was shown as 0.4 °C, offset -0.4 °C", "±0.5",
            "2026-05-08 13:00-05:00", "weekend crew", "entered at the wrong pile", "drawn out to clean it",
            "County laboratory", "410", "29.4", "Leaves, sieved", "grass, mown today", "weighed by hand",
            pack["issued_verdicts"][0]["readings_digest"], pack["evidence_digest"],
        ]  # fmt: skip
        missing = [fact for fact in facts if squeezed(fact) not in text]
        assert missing == []
        assert squeezed(SECRET) not in text

    def test_pages_are_numbered_tagged_titled_and_dated(self, tenant: Tenant, kept: Kept) -> None:
        """PDF/A-3 (ISO 19005-3) and PDF/UA-1 (ISO 14289-1) say in the metadata that they are."""
        reader, _ = pages_of(tenant.call("GET", f"{kept.path}/evidence.pdf").content)
        total = len(reader.pages)
        for number, page in enumerate(reader.pages, start=1):
            assert f"page {number} of {total}" in page.extract_text()
            assert [round(float(one)) for one in page.mediabox[2:]] == [595, 842]
        assert reader.metadata is not None
        assert reader.metadata.title == f"Evidence pack: {kept.pile['label']}"
        root = reader.trailer["/Root"]
        assert root["/Lang"] == "en"
        assert root["/MarkInfo"]["/Marked"]
        assert "/StructTreeRoot" in root
        metadata = root["/Metadata"].get_data().decode()
        assert "<pdfaid:part>3</pdfaid:part>" in metadata
        assert "<pdfuaid:part>1</pdfuaid:part>" in metadata

    def test_the_document_is_attached_and_is_the_same(self, tenant: Tenant, kept: Kept) -> None:
        reader, _ = pages_of(tenant.call("GET", f"{kept.path}/evidence.pdf").content)
        attached = json.loads(reader.attachments["evidence.json"][0])
        pack = tenant.get(f"{kept.path}/evidence.json")
        assert attached["evidence_digest"] == pack["evidence_digest"]
        assert attached["rules"][0]["verdict"]["lost"] == pack["rules"][0]["verdict"]["lost"]
        assert sorted(attached) == sorted(pack)

    def test_one_pack_makes_the_same_bytes_each_time(self, tenant: Tenant, kept: Kept) -> None:
        pack = EvidenceOut.model_validate_json(tenant.call("GET", f"{kept.path}/evidence.json").content)
        assert to_pdf(pack, _drawings()) == to_pdf(pack, _drawings())

    def test_long_names_and_other_scripts_stay_within_the_margins(
        self, tenant: Tenant, tmp_path: Path, kept: Kept
    ) -> None:
        """The pages are drawn by another program run over the finished file, and their margins must be white."""
        body = tenant.call("GET", f"{kept.path}/evidence.json").json()
        for where in (body["pile"], body["site"], body["organisation"]):
            name = "label" if "label" in where else "name"
            where[name] = f"{SCRIPTS} {LONG}"[:200]
        body["positions"] = [body["positions"][0] | {"position": LONG, "serial": "S" * 200}] * 40
        body["reading_corrections"] = [body["reading_corrections"][0] | {"reason": "x" * 4000}]
        body["loads"] = [body["loads"][0] | {"name": LONG, "source": "w" * 200}] * 3
        content = to_pdf(EvidenceOut.model_validate(body), _drawings(LONG))
        reader, text = pages_of(content)
        assert text.count(squeezed("counted of all")) >= 3  # the head of the table on each of its pages
        assert "堆" not in text
        assert squeezed("[U+5806]") in text
        assert "бурт" in text
        assert text.count("x") >= 4000  # a cell of more than a page goes on on the next
        for page in _painted(content, len(reader.pages), tmp_path):
            for margin in (page[:, : _px(15)], page[:, -_px(15) :], page[: _px(8)], page[-_px(8) :]):
                assert int(margin.min()) == 255

    def test_every_character_is_either_held_by_the_faces_or_told_by_its_number(self) -> None:
        """Each face's own map as FontTools reads it is not needed: a face that lacks a glyph makes PDF/A fail."""
        assert {ord(one) for one in "°≥±·…“”Жωé"} <= held()
        assert printable("a堆b\u202ec\u200b") == "a[U+5806]bc\u200b"
        assert printable("±0.5 °C") == "±0.5 °C"


def _px(mm: float) -> int:
    return round(mm / 25.4 * 72)


def _drawings(label: str = "core") -> dict[str, Drawing]:
    return {RULE: draw(a_record(a_line([0, 10, 200], [50, 60, 70], label), heading=label))}


def _painted(content: bytes, pages: int, folder: Path) -> Iterator[np.ndarray]:
    (folder / "pack.pdf").write_bytes(content)
    for number in range(1, pages + 1):
        source = (
            "#set page(width: 210mm, height: 297mm, margin: 0pt)\n"
            f'#image("pack.pdf", page: {number}, width: 210mm, height: 297mm)'
        )
        (folder / "page.typ").write_text(source)
        made = typst.compile(str(folder / "page.typ"), format="png", ppi=72)
        assert isinstance(made, bytes)
        yield np.asarray(Image.open(io.BytesIO(made)).convert("L"))


class TestCurve:
    def test_it_is_well_formed_and_tells_what_the_verdict_tells(self, tenant: Tenant, kept: Kept) -> None:
        answer = tenant.call("GET", f"{kept.path}/curve.svg")
        assert answer.headers["Content-Type"].startswith("image/svg+xml")
        root = ET.fromstring(answer.content)  # noqa: S314 - made by the service
        svg = "{http://www.w3.org/2000/svg}"
        assert root[0].tag == f"{svg}title"
        assert kept.pile["label"] in (root[0].text or "")
        told = root[1].text or ""
        (judged,) = tenant.get(f"{kept.path}/compliance")["items"]
        assert f"not counted: {len(judged['turns_not_counted'])}" in told
        gap = [one for one in judged["lost"] if one["cause"] == "gap"]
        assert gap
        words = [one.text or "" for one in root.iter(f"{svg}text")]
        assert "A: no readings 40 h" in words
        assert any(one.startswith("131 °F") for one in words)
        assert "°F" in words
        assert any("America/Chicago" in one for one in words)

    def test_lost_spans_are_drawn_for_the_rule_asked(self, tenant: Tenant, kept: Kept) -> None:
        told = {
            rule: tenant.call("GET", f"{kept.path}/curve.svg?rule={rule}").text for rule in ("eu-cmc3", RULE)
        }
        assert "60 °C for 7 days" in told["eu-cmc3"]
        assert "60 °C for 7 days" not in told[RULE]

    def test_a_pile_without_rules_or_readings_has_a_curve_that_says_so(self, tenant: Tenant) -> None:
        pile = a_pile(tenant)
        answer = tenant.call("GET", f"/v1/piles/{pile['id']}/curve.svg")
        assert "no reading on record that counts" in answer.text
        assert "what counted" not in answer.text

    def test_a_label_with_markup_is_text_and_nothing_in_the_file_may_run(self, tenant: Tenant) -> None:
        pile = a_pile(tenant, label='<script>alert("x")</script>')
        answer = tenant.call("GET", f"/v1/piles/{pile['id']}/curve.svg")
        assert "<script" not in answer.text
        assert "default-src 'none'" in answer.headers["Content-Security-Policy"]
        assert ET.fromstring(answer.content)[0].text == '<script>alert("x")</script>'  # noqa: S314
