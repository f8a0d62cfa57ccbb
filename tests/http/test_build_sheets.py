"""Build sheets over HTTP: of a mix as sent and of a recipe on record, as document, text and one page."""

import io
import re
from typing import Any

import pytest
from pypdf import PdfReader

from tests.builders import a_bay, a_site
from tests.conftest import Tenant

MEASURES = [
    {"name": "barrow", "kind": "barrow", "volume_l": 80},
    {"name": "bucket", "kind": "bucket", "volume_l": 12},
    {"name": "can", "kind": "can", "volume_l": 9},
]
STRAW = {
    "name": "oat straw", "volume_m3": 0.9, "moisture_pct": 12, "nitrogen_pct": 0.5, "carbon_nitrogen_ratio": 80,
    "bulk_density_kg_m3": 60,
}  # fmt: skip
MANURE = {
    "name": "horse manure", "mass_kg": 160, "moisture_pct": 60, "nitrogen_pct": 1.6, "carbon_nitrogen_ratio": 30,
    "bulk_density_kg_m3": 450,
}  # fmt: skip
BODY: dict[str, Any] = {
    "title": "Spring mix",
    "ingredients": [STRAW, MANURE],
    "measures": MEASURES,
    "bay": {"label": "Cage 1", "length_m": 1, "width_m": 1, "height_m": 1.2},
    "people": 4,
}
MATERIALS = [
    ("wheat straw from the racing stables", 0.9, 12, 0.5, 80, 60),
    ("wood chip, arborist, fresh and coarse", 0.4, 35, 0.3, 150, 280),
    ("autumn leaves, dry", 0.6, 25, 0.8, 55, 90),
    ("shredded cardboard", 0.2, 8, 0.1, 400, 80),
    ("grass clippings from the cricket ground", 0.35, 80, 3.4, 17, 300),
    ("horse manure with shavings", 0.5, 65, 1.6, 29, 450),
    ("vegetable scraps, school kitchen", 0.15, 85, 2.6, 17, 560),
    ("coffee grounds", 0.1, 60, 2.2, 20, 400),
]


def _eight() -> dict[str, Any]:
    names = (
        "name",
        "volume_m3",
        "moisture_pct",
        "nitrogen_pct",
        "carbon_nitrogen_ratio",
        "bulk_density_kg_m3",
    )
    ingredients = [dict(zip(names, one, strict=True)) for one in MATERIALS]
    water = {"name": "water", "moisture_pct": 100, "bulk_density_kg_m3": 1000, "mass_kg": 60}
    return BODY | {
        "ingredients": [*ingredients, water],
        "layers": 12,
        "title": "Autumn mix, all that there is",
    }


def _bare(text: str) -> str:
    return re.sub(r"[\s\u200b]+", "", text)


def _printed(answer: Any) -> list[str]:
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"] == "application/pdf"
    return [page.extract_text() for page in PdfReader(io.BytesIO(answer.content)).pages]


def _texts(told: Any) -> list[str]:
    if isinstance(told, dict):
        return [text for one in told.values() for text in _texts(one)]
    if isinstance(told, list):
        return [text for one in told for text in _texts(one)]
    return [told] if isinstance(told, str) else []


def _holds_every_word(page: str, wording: dict[str, Any]) -> None:
    kept = _bare(page)
    lost = [text for text in _texts(wording) if _bare(text) not in kept]
    assert not lost


class TestOfAMix:
    path = "/v1/recipes/build-sheet"

    def test_document(self, tenant: Tenant) -> None:
        sheet = tenant.post(self.path, BODY, key=tenant.key_for("read"))
        assert sheet["recipe"] == "Spring mix"
        assert sheet["fill"]["bay_volume_m3"] == pytest.approx(1.2)
        assert sheet["fill"]["fill_mark_cm"] == pytest.approx(120)
        assert sum(layer["thickness_cm"] for layer in sheet["layers"]) == pytest.approx(120)
        assert [layer["role"] for layer in sheet["layers"]][:3] == ["bottom", "brown", "green"]
        assert {one["name"]: one["laid_as"] for one in sheet["materials"]} == {
            "oat straw": "brown",
            "horse manure": "green",
        }
        assert sheet["water"]["total_l"] == sum(layer["water_l"] for layer in sheet["layers"]) > 0
        assert sheet["loaded"]["moisture_pct"] == pytest.approx(55, abs=1)
        assert all(one["source"] and one["status"] for one in sheet["practice"])

    def test_what_is_loaded_is_what_evaluating_it_gives(self, tenant: Tenant) -> None:
        sheet = tenant.post(self.path, BODY)
        given = {"oat straw": STRAW, "horse manure": MANURE}
        amounts = ("mass_kg", "volume_m3")
        mix = [
            {k: v for k, v in given[one["name"]].items() if k not in amounts} | {"mass_kg": one["loaded_kg"]}
            for one in sheet["materials"]
        ]
        mix.append(
            {
                "name": "water",
                "moisture_pct": 100,
                "bulk_density_kg_m3": 1000,
                "mass_kg": sheet["water"]["total_l"],
            }
        )
        told = tenant.post("/v1/recipes/evaluate", {"ingredients": mix})
        for name in ("mass_kg", "moisture_pct", "carbon_nitrogen_ratio", "free_air_space_pct"):
            assert sheet["loaded"][name] == pytest.approx(told[name]), name

    @pytest.mark.parametrize("body", [BODY, _eight(), _eight() | {"layers": 40}, BODY | {"bay": None}])
    def test_one_page_with_every_word(self, tenant: Tenant, body: dict[str, Any]) -> None:
        wording = tenant.post(self.path, body)["wording"]
        pages = _printed(tenant.call("POST", f"{self.path}.pdf", body))
        assert len(pages) == 1
        _holds_every_word(pages[0], wording)

    def test_eight_ingredients_in_twelve_layers_are_readable_at_arms_length(self, tenant: Tenant) -> None:
        """No source; 8 point is small print, and what a crew counts by is set larger."""
        answer = tenant.call("POST", f"{self.path}.pdf", _eight())
        sheet = tenant.post(self.path, _eight())
        assert len(sheet["layers"]) == 12
        sizes: dict[str, float] = {}

        def note(text: str, _cm: Any, _tm: Any, _font: Any, size: float) -> None:
            sizes[text.strip()] = size

        PdfReader(io.BytesIO(answer.content)).pages[0].extract_text(visitor_text=note)
        counts = [size for text, size in sizes.items() if re.match(r"\d+ (barrow|bucket)", text)]
        assert counts
        assert min(counts) >= 9

    def test_text(self, tenant: Tenant) -> None:
        answer = tenant.call("POST", f"{self.path}.txt", BODY)
        assert answer.headers["content-type"] == "text/plain; charset=utf-8"
        assert max(len(line) for line in answer.text.splitlines()) <= 60
        wording = tenant.post(self.path, BODY)["wording"]
        _holds_every_word(answer.text, wording)

    def test_a_name_in_a_script_without_letters_here_is_printed_as_numbers(self, tenant: Tenant) -> None:
        body = BODY | {"ingredients": [STRAW | {"name": "稲わら"}, MANURE]}
        (page,) = _printed(tenant.call("POST", f"{self.path}.pdf", body))
        assert "[U+7A32]" in _bare(page)


MISTAKES: list[tuple[str, dict[str, Any], str, str]] = [
    (
        "an unknown kind",
        {"measures": [{"name": "x", "kind": "wagon", "volume_l": 5}]},
        "/measures/0/kind",
        "barrow",
    ),
    (
        "no size",
        {"measures": [{"name": "x", "kind": "barrow"}]},
        "/measures/0",
        "neither volume_l nor mass_kg",
    ),
    (
        "two sizes",
        {"measures": [{"name": "x", "kind": "barrow", "volume_l": 5, "mass_kg": 5}]},
        "/measures/0/mass_kg",
        "exactly one",
    ),
    (
        "a measure of 0",
        {"measures": [{"name": "x", "kind": "bucket", "volume_l": 0}]},
        "/measures/0/volume_l",
        "full",
    ),
    (
        "a scale by volume",
        {"measures": [{"name": "x", "kind": "scale", "volume_l": 5}]},
        "/measures/0/volume_l",
        "kg",
    ),
    ("one name twice", {"measures": [*MEASURES, MEASURES[0]]}, "/measures/3/name", "own name"),
    ("no measures", {"measures": []}, "/measures", "barrow"),
    ("nobody", {"people": 0}, "/people", "1 to 200"),
    ("no layers", {"layers": 0}, "/layers", "1 and 40"),
    ("no work", {"m3_per_person_hour": 0}, "/m3_per_person_hour", "1 to 3"),
    (
        "an amount of 0",
        {"ingredients": [STRAW, MANURE | {"mass_kg": 0}]},
        "/ingredients/1/mass_kg",
        "leave it out",
    ),
    (
        "a measure nobody has",
        {"ingredients": [STRAW | {"measure": "bale"}, MANURE]},
        "/ingredients/0/measure",
        "barrow, bucket",
    ),
    (
        "no bulk density in a bay",
        {"ingredients": [STRAW, MANURE | {"bulk_density_kg_m3": None}]},
        "/ingredients/1/bulk_density_kg_m3",
        "weigh a bucket",
    ),
    (
        "no bulk density by the barrow",
        {"ingredients": [MANURE | {"bulk_density_kg_m3": None}], "bay": None},
        "/ingredients/0/bulk_density_kg_m3",
        "weigh a bucket",
    ),
    (
        "a pinch",
        {"ingredients": [STRAW, MANURE, MANURE | {"mass_kg": 0.01}]},
        "/ingredients/2",
        "smaller measure",
    ),
    ("a bay of nothing", {"bay": {"label": "x"}}, "/bay", "volume_m3"),
    ("sides without height", {"bay": {"length_m": 1, "width_m": 1}}, "/bay/height_m", "height of the mark"),
    ("a flat bay", {"bay": {"volume_m3": 0}}, "/bay/volume_m3", "more than 0"),
    ("too much shrink", {"mixing_shrink_pct": 100}, "/mixing_shrink_pct", "0 and 60"),
]


@pytest.mark.parametrize(
    ("mistake", "change", "pointer", "remedy"), MISTAKES, ids=[one[0] for one in MISTAKES]
)
@pytest.mark.parametrize("form", ["", ".txt", ".pdf"])
def test_bad_input_is_told_with_its_place_and_remedy(
    tenant: Tenant, mistake: str, change: dict[str, Any], pointer: str, remedy: str, form: str
) -> None:
    del mistake
    answer = tenant.call("POST", f"/v1/recipes/build-sheet{form}", BODY | change)
    assert answer.status_code == 422, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    told = {one["pointer"]: one["detail"] for one in answer.json()["errors"]}
    assert pointer in told, told
    assert remedy in told[pointer]


class TestOfARecipe:
    @pytest.fixture
    def site(self, tenant: Tenant) -> dict[str, Any]:
        return a_site(tenant, measures=MEASURES, lifting_limit_kg=12)

    @pytest.fixture
    def path(self, tenant: Tenant) -> str:
        made = tenant.post("/v1/recipes", {"name": "Spring mix", "ingredients": [STRAW, MANURE]})
        return f"/v1/recipes/{made['id']}/build-sheet"

    def test_a_bay_at_full_size_in_the_sites_measures(self, tenant: Tenant, site: Any, path: str) -> None:
        bay = a_bay(tenant, site["id"], label="Cage 7", volume_m3=2.0, height_m=1.4)
        asked = f"?bay_id={bay['id']}&people=6&layers=10"
        sheet = tenant.get(f"{path}.json{asked}", key=tenant.key_for("read"))
        assert sheet["fill"]["bay"] == "Cage 7"
        assert sheet["fill"]["loaded_of_full_pct"] == pytest.approx(100, abs=5)
        assert sheet["fill"]["full_mark_cm"] == pytest.approx(140)
        assert sheet["planned"]["mass_kg"] == pytest.approx(sheet["fill"]["scale"] * (0.9 * 60 + 160))
        assert (sheet["time"]["people"], sheet["lifting_limit_kg"], sheet["rounds"]) == (6, 12, 4)
        assert {one["measure"]["name"] for one in sheet["materials"]} <= {"barrow", "bucket"}
        text = tenant.call("GET", f"{path}.txt{asked}")
        _holds_every_word(text.text, sheet["wording"])
        pages = _printed(tenant.call("GET", f"{path}.pdf{asked}"))
        assert len(pages) == 1
        _holds_every_word(pages[0], sheet["wording"])

    def test_settling_on_mixing_takes_more_material(self, tenant: Tenant, site: Any, path: str) -> None:
        bay = a_bay(tenant, site["id"])
        loose, settled = (
            tenant.get(f"{path}.json?bay_id={bay['id']}&mixing_shrink_pct={part}")["fill"] for part in (0, 20)
        )
        assert settled["scale"] == pytest.approx(loose["scale"] / 0.8)
        assert loose["fill_mark_cm"] is None

    def test_a_recipes_rest_of_0_is_not_loaded(self, tenant: Tenant, site: Any) -> None:
        mix = [STRAW, MANURE, {"feedstock": "urea", "mass_kg": 0}]
        made = tenant.post("/v1/recipes", {"name": "with none", "ingredients": mix})
        bay = a_bay(tenant, site["id"])
        sheet = tenant.get(f"/v1/recipes/{made['id']}/build-sheet.json?bay_id={bay['id']}")
        assert len(sheet["materials"]) == 2

    def test_what_is_missing_is_told(self, tenant: Tenant, other: Tenant, site: Any, path: str) -> None:
        bay = a_bay(tenant, site["id"])
        bare_site = a_site(tenant)
        bare_bay = a_bay(tenant, bare_site["id"])
        for asked, pointer, remedy in (
            ("", "/bay_id", "/bays"),
            (f"?bay_id={bare_bay['id']}", "/measures", f"PATCH /v1/sites/{bare_site['id']}"),
            (f"?bay_id={bay['id']}&people=0", "/people", "1 to 200"),
        ):
            answer = tenant.call("GET", f"{path}.json{asked}")
            assert answer.status_code == 422
            (error,) = answer.json()["errors"]
            assert error["pointer"] == pointer
            assert remedy in error["detail"]
        theirs = a_bay(other, a_site(other)["id"])
        assert tenant.call("GET", f"{path}.json?bay_id={theirs['id']}").status_code == 404
        elsewhere = tenant.key_for("read", site_id=bare_site["id"])
        assert tenant.call("GET", f"{path}.json?bay_id={bay['id']}", key=elsewhere).status_code == 404


class TestMeasuresOfASite:
    def test_they_are_kept_and_changed(self, tenant: Tenant) -> None:
        site = a_site(tenant, measures=MEASURES, lifting_limit_kg=20)
        assert site["measures"][0] == {"name": "barrow", "kind": "barrow", "volume_l": 80, "mass_kg": None}
        where = f"/v1/sites/{site['id']}"
        step = [{"name": "scale", "kind": "scale", "mass_kg": 0.5}]
        changed = tenant.call("PATCH", where, {"measures": step, "lifting_limit_kg": None}, If_Match='"1"')
        assert changed.status_code == 200
        assert changed.json()["measures"] == [
            {"name": "scale", "kind": "scale", "volume_l": None, "mass_kg": 0.5}
        ]
        assert changed.json()["lifting_limit_kg"] is None
        assert tenant.get(where)["measures"] == changed.json()["measures"]

    def test_what_nobody_can_measure_with_is_refused_and_not_kept(self, tenant: Tenant) -> None:
        bad = {"measures": [{"name": "x", "kind": "barrow"}]}
        answer = tenant.call("POST", "/v1/sites", {"name": "x", "time_zone": "UTC"} | bad)
        assert answer.status_code == 422
        assert answer.json()["errors"][0]["pointer"] == "/measures/0"
        site = a_site(tenant)
        answer = tenant.call("PATCH", f"/v1/sites/{site['id']}", bad, If_Match='"1"')
        assert answer.status_code == 422
        assert tenant.get(f"/v1/sites/{site['id']}")["measures"] == []

    def test_a_bay_knows_its_mark(self, tenant: Tenant) -> None:
        bay = a_bay(tenant, a_site(tenant)["id"], height_m=1.2)
        assert bay["height_m"] == 1.2
        where = f"/v1/sites/{bay['site_id']}/bays/{bay['id']}"
        assert tenant.call("PATCH", where, {"height_m": None}, If_Match='"1"').json()["height_m"] is None
        assert tenant.call("PATCH", where, {"height_m": 0}, If_Match='"2"').status_code == 422
