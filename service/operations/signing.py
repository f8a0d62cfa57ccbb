"""The key a deployment signs checkpoints with: given in a setting, or made once and kept beside the embedded data."""

import base64
import binascii
import os
import tempfile
from pathlib import Path
from typing import Final

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from service.domain.log.checkpoint import Checkpoint, must_be_key_name, signed, verifier_key

KEY_BYTES: Final = 32
_FILE: Final = "log_key"


class Signer:
    """Signs checkpoints of every organisation's log, each under an origin of its own.

    Parameters
    ----------
    name
        What the origins begin with, such as ``compost.example/log``.
    key
        An Ed25519 private key, 32 bytes in base64.

    Raises
    ------
    ValueError
        The key or the name is none.
    """

    def __init__(self, name: str, key: str) -> None:
        must_be_key_name(name)
        try:
            raw = base64.b64decode(key, validate=True)
        except binascii.Error as error:
            raise ValueError("HEAPLEDGER_LOG_KEY is not base64; give 32 random bytes in base64") from error
        if len(raw) != KEY_BYTES:
            raise ValueError(f"HEAPLEDGER_LOG_KEY holds {len(raw)} bytes; give 32 random bytes in base64")
        self._name = name
        self._key = Ed25519PrivateKey.from_private_bytes(raw)
        self._public = self._key.public_key().public_bytes_raw()

    def origin_of(self, organisation_id: int) -> str:
        """Return what names an organisation's log."""
        return f"{self._name}/{organisation_id}"

    def verifier_key(self, organisation_id: int) -> str:
        """Return the public key as a verifier takes it: one line, to be had from somewhere else than the log."""
        return verifier_key(self.origin_of(organisation_id), self._public)

    def sign(self, organisation_id: int, size: int, root: bytes) -> str:
        """Return the signed checkpoint of a log at some size."""
        return signed(Checkpoint(self.origin_of(organisation_id), size, root), self._public, self._key.sign)


def is_signed_by(public_key: bytes, signature: bytes, text: bytes) -> bool:
    """Say whether an Ed25519 signature over a text is that of a public key."""
    try:
        Ed25519PublicKey.from_public_bytes(public_key).verify(signature, text)
    except (InvalidSignature, ValueError):
        return False
    return True


def kept_key(folder: Path) -> str:
    """Return the key in a data folder, made the first time; only its owner may read it.

    Of several processes that come at once each returns the same: the file appears whole or not at all.
    """
    path = folder / _FILE
    if not path.exists():
        folder.mkdir(parents=True, exist_ok=True)
        made, name = tempfile.mkstemp(dir=folder, prefix=_FILE)  # readable by its owner only
        try:
            with os.fdopen(made, "w") as file:
                file.write(base64.b64encode(os.urandom(KEY_BYTES)).decode() + "\n")
                file.flush()
                os.fsync(file.fileno())
            os.link(name, path)
        except FileExistsError:
            pass
        finally:
            Path(name).unlink()
    return path.read_text().strip()
