"""A checkpoint: what a log was at one size, as a signed note anyone can keep and compare.

Who keeps one outside the service can tell later whether the log was cut short or written anew; without that, a log only
proves what its own keeper says.

References
----------
[1] C2SP, tlog-checkpoint: origin, size and root, a line each.
[2] C2SP, signed-note v1: the text, an empty line, then ``em dash, name, base64(key id, signature)``.
"""

import base64
import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from service.domain.log.merkle import HASH_BYTES

ED25519: Final = b"\x01"
"""The signature type of a note."""
_ID_BYTES: Final = 4

Sign = Callable[[bytes], bytes]
Verify = Callable[[bytes, bytes, bytes], bool]
"""Says whether a signature over a text is that of a public key: ``(public key, signature, text)``."""


@dataclass(frozen=True)
class Checkpoint:
    """A log at one size.

    Attributes
    ----------
    origin
        Names the log.
    size
        How many leaves it had.
    root
        32 bytes.
    """

    origin: str
    size: int
    root: bytes

    def text(self) -> str:
        """Return the lines that are signed."""
        return f"{self.origin}\n{self.size}\n{_base64(self.root)}\n"


def must_be_key_name(name: str) -> None:
    """Refuse a name that a note could not carry.

    Raises
    ------
    ValueError
        Empty, or with a space, a plus or a control character.
    """
    if not name or "+" in name or any(one.isspace() or ord(one) < ord(" ") for one in name):
        raise ValueError(f"{name!r} cannot name a log: it must not be empty or hold a space or a plus")


def key_id(name: str, public_key: bytes) -> bytes:
    """Return the four bytes by which a note names a key."""
    return hashlib.sha256(name.encode() + b"\n" + ED25519 + public_key).digest()[:_ID_BYTES]


def verifier_key(name: str, public_key: bytes) -> str:
    """Return a public key as one line: name, key id, and type with key."""
    must_be_key_name(name)
    return f"{name}+{key_id(name, public_key).hex()}+{_base64(ED25519 + public_key)}"


def read_verifier_key(line: str) -> tuple[str, bytes]:
    """Return the name and the 32 bytes of a public key.

    Raises
    ------
    ValueError
        Not such a line, another kind of key, or one whose id does not fit.
    """
    name, named_id, key = line.strip().split("+", 2)
    raw = base64.b64decode(key, validate=True)
    if raw[:1] != ED25519 or len(raw) != 1 + HASH_BYTES:
        raise ValueError("not an Ed25519 key")
    if key_id(name, raw[1:]).hex() != named_id:
        raise ValueError("the key's id does not fit its name")
    return name, raw[1:]


def signed(checkpoint: Checkpoint, public_key: bytes, sign: Sign) -> str:
    """Return a checkpoint as a signed note; the key's name is the log's origin."""
    must_be_key_name(checkpoint.origin)
    text = checkpoint.text()
    signature = key_id(checkpoint.origin, public_key) + sign(text.encode())
    return f"{text}\n\N{EM DASH} {checkpoint.origin} {_base64(signature)}\n"


def opened(note: str, key: str, verify: Verify) -> str:
    """Return the text of a note if a key signed it.

    Raises
    ------
    ValueError
        Not a note, or not signed by this key.
    """
    name, public_key = read_verifier_key(key)
    text, found, lines = note.rpartition("\n\n")
    if not found or not note.endswith("\n"):
        raise ValueError("not a signed note")
    text += "\n"
    for line in lines.splitlines():
        mark, _, rest = line.partition(" ")
        who, _, packed = rest.partition(" ")
        if mark != "\N{EM DASH}" or not packed:
            raise ValueError("not a signature line")
        raw = base64.b64decode(packed, validate=True)
        if who == name and raw[:_ID_BYTES] == key_id(name, public_key):
            if verify(public_key, raw[_ID_BYTES:], text.encode()):
                return text
            raise ValueError(f"the signature of {name} is not over this text")
    raise ValueError(f"not signed by {name}")


def read_checkpoint(text: str) -> Checkpoint:
    """Read the text of a note as a checkpoint.

    Raises
    ------
    ValueError
        Not three lines or more, or a size or root that is none.
    """
    lines = text.split("\n")
    if len(lines) < 4 or lines[-1] or not all(lines[:-1]):  # noqa: PLR2004 - three lines, each ended
        raise ValueError("a checkpoint has an origin, a size and a root, a line each")
    origin, size, packed = lines[:3]
    if not size.isascii() or not size.isdigit() or str(int(size)) != size:
        raise ValueError(f"{size!r} is no size")
    head = base64.b64decode(packed, validate=True)
    if len(head) != HASH_BYTES:
        raise ValueError("a root has 32 bytes")
    return Checkpoint(origin, int(size), head)


def _base64(raw: bytes) -> str:
    return base64.b64encode(raw).decode()
