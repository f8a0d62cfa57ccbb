"""The note and the signature against published examples.

[1] C2SP signed-note v1.0.0 and tlog-checkpoint (read).
[2] RFC 8032, section 7.1, tests 1 and 2, from memory (the library's own signature agrees).
[3] The example of Go's golang.org/x/mod/sumdb/note package, from memory; its key and signature fit each other.
"""

import base64

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from service.domain.log.checkpoint import (
    Checkpoint,
    key_id,
    opened,
    read_checkpoint,
    read_verifier_key,
    signed,
    verifier_key,
)
from service.operations.signing import Signer, is_signed_by, kept_key

RFC_8032 = [
    (
        "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
        "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
        "",
        (
            "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46bd25bf5f059"
            "5bbe24655141438e7a100b"
        ),
    ),
    (
        "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
        "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
        "72",
        (
            "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c387b2eaeb4"
            "302aeeb00d291612bb0c00"
        ),
    ),
]
GO_KEY = "PeterNeumann+c74f20a3+ARpc2QcUPDhMQegwxbzhKqiBfsVkmqq/LDE4izWy10TW"
GO_NOTE = (
    "If you think cryptography is the answer to your problem,\nthen you don't know what your problem is.\n\n"
    "\N{EM DASH} PeterNeumann "
    "x08go/ZJkuBS9UG/SffcvIAQxVBtiFupLLr8pAcElZInNIuGUgYN1FFYC2pZSNXgKvqfqdngotpRZb6KE6RyyBwJnAM=\n"
)
SIGNER = Signer("compost.example/log", base64.b64encode(bytes(range(32))).decode())


@pytest.mark.parametrize(("secret", "public", "text", "signature"), RFC_8032)
def test_the_library_signs_as_published(secret: str, public: str, text: str, signature: str) -> None:
    """[2]."""
    key = Ed25519PrivateKey.from_private_bytes(bytes.fromhex(secret))
    assert key.public_key().public_bytes_raw().hex() == public
    assert key.sign(bytes.fromhex(text)).hex() == signature
    assert is_signed_by(bytes.fromhex(public), bytes.fromhex(signature), bytes.fromhex(text))
    assert not is_signed_by(bytes.fromhex(public), bytes.fromhex(signature), b"x")


def test_another_makers_note_opens() -> None:
    """[3]: key line, key id and signature line are read as they are written elsewhere."""
    name, public = read_verifier_key(GO_KEY)
    assert key_id(name, public).hex() == "c74f20a3"
    assert verifier_key(name, public) == GO_KEY
    assert opened(GO_NOTE, GO_KEY, is_signed_by) == GO_NOTE.rpartition("\n\n")[0] + "\n"
    with pytest.raises(ValueError, match="not over this text"):
        opened(GO_NOTE.replace("answer", "Answer"), GO_KEY, is_signed_by)


def test_the_form_of_a_checkpoint() -> None:
    """[1]: three lines, an empty one, and a signature line of em dash, name, and key id with signature."""
    root = bytes(32)
    note = SIGNER.sign(7, 20852163, root)
    lines = note.split("\n")
    assert lines[:4] == [
        "compost.example/log/7",
        "20852163",
        "AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA=",
        "",
    ]
    dash, name, packed = lines[4].split(" ")
    assert (dash, name, lines[5:]) == ("\u2014", "compost.example/log/7", [""])
    assert len(base64.b64decode(packed)) == 4 + 64
    text = opened(note, SIGNER.verifier_key(7), is_signed_by)
    assert read_checkpoint(text) == Checkpoint("compost.example/log/7", 20852163, root)


def test_the_specifications_own_checkpoint_is_read() -> None:
    """[1]: the example's text."""
    text = "example.com/behind-the-sofa\n20852163\nCsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=\n"
    found = read_checkpoint(text)
    assert (found.origin, found.size, len(found.root)) == ("example.com/behind-the-sofa", 20852163, 32)
    assert found.text() == text


@pytest.mark.parametrize(
    "text",
    [
        "a\n1\nAAAA\n",
        "a\n01\nAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA=\n",
        "a\n-1\nAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA=\n",
        "\n1\nAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA=\n",
        "a\n1\n",
        "a\n1\nAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA=",
    ],
    ids=["short root", "leading zero", "negative", "no origin", "no root", "no last newline"],
)
def test_what_is_no_checkpoint(text: str) -> None:
    with pytest.raises(ValueError, match=r"root|size|line"):
        read_checkpoint(text)


def test_a_forged_note_does_not_open() -> None:
    key = SIGNER.verifier_key(7)
    other = Signer("compost.example/log", base64.b64encode(bytes(32)).decode())
    with pytest.raises(ValueError, match="not signed by"):
        opened(other.sign(7, 3, bytes(32)), key, is_signed_by)
    with pytest.raises(ValueError, match="not signed by"):
        opened(SIGNER.sign(8, 3, bytes(32)), key, is_signed_by)  # another organisation's log
    with pytest.raises(ValueError, match="not over this text"):
        opened(SIGNER.sign(7, 3, bytes(32)).replace("\n3\n", "\n4\n"), key, is_signed_by)
    with pytest.raises(ValueError, match="not a signed note"):
        opened(Checkpoint("compost.example/log/7", 3, bytes(32)).text(), key, is_signed_by)


def test_a_second_signature_is_ignored() -> None:
    """[1]: verifiers ignore signatures of keys they do not know, such as a witness's."""
    note = SIGNER.sign(7, 3, bytes(32))
    text, _, line = note.rpartition("\n\n")
    both = f"{text}\n\n\u2014 witness.example {base64.b64encode(bytes(68)).decode()}\n{line}"
    assert opened(both, SIGNER.verifier_key(7), is_signed_by) == f"{text}\n"


@pytest.mark.parametrize("name", ["", "a b", "a+b", "a\nb", "a\u00a0b"])
def test_names_that_a_note_cannot_carry(name: str) -> None:
    with pytest.raises(ValueError, match="cannot name a log"):
        signed(Checkpoint(name, 0, bytes(32)), bytes(32), lambda text: text)


@pytest.mark.parametrize("key", ["x", "AAAA", base64.b64encode(bytes(33)).decode()])
def test_a_bad_key_names_its_setting(key: str) -> None:
    with pytest.raises(ValueError, match="HEAPLEDGER_LOG_KEY"):
        Signer("a", key)


def test_a_key_is_made_once_and_is_its_owners_alone(tmp_path) -> None:
    folder = tmp_path / "data"
    first = kept_key(folder)
    assert kept_key(folder) == first
    assert len(base64.b64decode(first)) == 32
    assert (folder / "log_key").stat().st_mode & 0o777 == 0o600
    assert [one.name for one in folder.iterdir()] == ["log_key"]
