"""Compressed bodies of readings: taken, limited before they are in memory, and refused when cut off."""

import gzip
import json
import resource
from collections.abc import Callable
from typing import Any

import pytest
from backports import zstd

from service.domain.errors import TooLarge
from service.http.formats.codings import Inflater
from service.http.formats.read import Unreadable
from tests.builders import a_bag, a_probe, a_reading
from tests.conftest import Tenant

CODINGS: dict[str, Callable[[bytes], bytes]] = {"gzip": gzip.compress, "zstd": zstd.compress}


def send(tenant: Tenant, body: bytes, **headers: str) -> Any:
    sent = {"Authorization": f"Bearer {tenant.key}", "Content-Type": "application/json"}
    sent |= {name.replace("_", "-"): value for name, value in headers.items()}
    return tenant.client.post("/v1/readings", content=body, headers=sent)


@pytest.mark.parametrize("coding", CODINGS)
class TestACompressedBag:
    def test_is_kept_like_any(self, coding: str, tenant: Tenant) -> None:
        serial = a_probe(tenant)["serial"]
        body = json.dumps(a_bag(*(a_reading(serial, h) for h in range(200)))).encode()
        answer = send(tenant, CODINGS[coding](body), Content_Encoding=coding)
        assert answer.status_code == 200, answer.text
        assert answer.json()["stored"] == 200
        assert send(tenant, body).json()["duplicate"] == 200

    def test_cut_off_is_unreadable_and_keeps_nothing(self, coding: str, tenant: Tenant) -> None:
        serial = a_probe(tenant)["serial"]
        body = json.dumps(a_bag(*(a_reading(serial, h) for h in range(200)))).encode()
        for end in (1, 20, -1):
            answer = send(tenant, CODINGS[coding](body)[:end], Content_Encoding=coding)
            assert answer.status_code == 400
            assert coding in answer.json()["detail"]
        assert send(tenant, body).json()["stored"] == 200

    def test_that_is_none_is_unreadable(self, coding: str, tenant: Tenant) -> None:
        answer = send(tenant, b'{"readings": []}', Content_Encoding=coding)
        assert answer.status_code == 400

    def test_that_inflates_beyond_the_limit_is_413(self, coding: str, tenant: Tenant) -> None:
        bomb = CODINGS[coding](b" " * 200_000_000)
        assert len(bomb) < 1 << 18
        before_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        answer = send(tenant, bomb, Content_Encoding=coding)
        grown_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before_kb
        assert answer.status_code == 413
        assert "halve" in answer.json()["detail"]
        assert grown_kb < 40_000  # of 200 MB

    def test_is_not_inflated_for_strangers(self, coding: str, tenant: Tenant) -> None:
        answer = send(tenant, b"junk", Content_Encoding=coding, Authorization="Bearer hlk_no")
        assert answer.status_code == 401

    @pytest.mark.parametrize("step", [1, 7, 1000, 1 << 20])
    def test_inflates_alike_however_it_arrives(self, coding: str, step: int) -> None:
        """The reference is what the compressing library was given; two members one after the other are one body."""
        parts = [json.dumps(a_reading("P", h)).encode() for h in range(40)]
        whole = b"".join(map(CODINGS[coding], parts))
        inflater = Inflater(coding, 1 << 20)
        told = b"".join(inflater.feed(whole[at : at + step]) for at in range(0, len(whole), step))
        inflater.finish()
        assert told == b"".join(parts)

    def test_may_inflate_to_just_its_limit(self, coding: str) -> None:
        body = CODINGS[coding](b"x" * 1000)
        assert len(Inflater(coding, 1000).feed(body)) == 1000
        with pytest.raises(TooLarge):
            Inflater(coding, 999).feed(body)


def test_a_zstd_window_beyond_8_mib_is_refused() -> None:
    """RFC 9659: a receiver over HTTP need not offer more than 8 MiB of window."""
    options: dict[int, int] = {zstd.CompressionParameter.window_log: 27}
    compressor = zstd.ZstdCompressor(options=options)
    wide = compressor.compress(b"a" * 300_000_000) + compressor.flush()
    with pytest.raises(Unreadable):
        Inflater("zstd", 1 << 30).feed(wide)


def test_an_unknown_coding_names_those_taken(tenant: Tenant) -> None:
    answer = send(tenant, b"x", Content_Encoding="br")
    assert answer.status_code == 415
    assert answer.headers["Accept-Encoding"] == "gzip, zstd, identity"
