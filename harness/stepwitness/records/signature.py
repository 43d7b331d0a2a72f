"""Signatures of sealed documents: Ed25519 (RFC 8032), each in a file of its own beside the document.

1. What is signed is the seal, with the instant and the key: so the document stays as it was sealed, may be signed later
   and by more than one key, and a signature fits no other document.
2. A signature that holds says that the owner of its key signed. Whose key that is, only a public key that came another
   way can say.
3. Private keys are PEM files (PKCS #8, RFC 5958), encrypted where a passphrase is given. Neither key nor passphrase
   stands in an error, a record or a log.

The file, ``record.<first 8 digits of the key's fingerprint>.signature.json``: canonical JSON of ``schema``, ``seal``
(the document's SHA-256), ``signed`` (UTC, ISO 8601), ``key`` and ``signature`` (both in hexadecimal). The signature is
that of the canonical JSON of the other four.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from stepwitness.errors import BadInput, Place
from stepwitness.records.sealed import RecordError, canonical, digest, parsed, read
from stepwitness.records.writing import write_new

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

SCHEMA = "stepwitness-signature/1"
PUBLIC_SUFFIX = ".pub"
SUFFIX = ".signature.json"

Passphrase = Callable[[], str]
"""Asks for the passphrase of a key; only called where the key is encrypted."""


@dataclass(frozen=True)
class Signature:
    """One signature beside a document.

    Attributes
    ----------
    signed : when, UTC, as the file says. fingerprint : of its key, SHA-256 in hexadecimal.
    broken : why it doesn't hold, or an empty text.
    """

    file: str
    signed: str
    key: str
    fingerprint: str
    broken: str = ""


# -- keys ----------------------------------------------------------------------------------------------------


def make_key(path: Path, passphrase: str = "") -> str:
    """Write a new private key, and beside it (``.pub``) its public key; the fingerprint of both.

    Raises
    ------
    RecordError : where one of the files is there already, or can't be written.
    """
    with _library():
        from cryptography.hazmat.primitives import serialization
        from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    key = Ed25519PrivateKey.generate()
    encryption: serialization.KeySerializationEncryption = (
        serialization.BestAvailableEncryption(passphrase.encode()) if passphrase else serialization.NoEncryption()
    )
    private = key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, encryption)
    public = key.public_key().public_bytes(serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo)
    for file, data, mode in ((path, private, 0o600), (public_path(path), public, 0o644)):
        try:
            with open(os.open(file, os.O_CREAT | os.O_EXCL | os.O_WRONLY, mode), "wb") as opened:
                opened.write(data)
        except FileExistsError:
            raise RecordError(f"{file}: exists already; a key is never replaced") from None
        except OSError as error:
            raise RecordError(f"{file}: can't be written: {error.strerror}") from error
    return digest(_raw(key))


def public_path(path: Path) -> Path:
    """Where the public key stands beside a private one."""
    return path.with_name(path.name + PUBLIC_SUFFIX)


def fingerprint_of(public_key: Path) -> str:
    """The fingerprint of a public key's file; `BadInput` where it isn't one."""
    return digest(bytes.fromhex(key_in(public_key)))


def key_in(public_key: Path) -> str:
    """The public key in a PEM file, in hexadecimal; `BadInput` where it isn't an Ed25519 one."""
    with _library():
        from cryptography.hazmat.primitives import serialization
        from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
    place = Place(str(public_key))
    try:
        key = serialization.load_pem_public_key(_read_key(public_key))
    except (ValueError, TypeError):
        raise BadInput(
            "isn't a public key", place=place, allowed="a PEM file, as 'stepwitness key' writes it"
        ) from None
    if not isinstance(key, Ed25519PublicKey):
        raise BadInput("a key of another kind", place=place, allowed="Ed25519")
    return key.public_bytes_raw().hex()


def _private_key(path: Path, passphrase: Passphrase) -> Ed25519PrivateKey:
    with _library():
        from cryptography.hazmat.primitives import serialization
        from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    data = _read_key(path)
    place = Place(str(path))
    try:
        try:
            key = serialization.load_pem_private_key(data, password=None)
        except TypeError:  # it is encrypted
            key = serialization.load_pem_private_key(data, password=passphrase().encode())
    except (ValueError, TypeError):
        problem = (
            "isn't a private key that opens with this passphrase" if b"ENCRYPTED" in data else "isn't a private key"
        )
        raise BadInput(problem, place=place, allowed="a PEM file, as 'stepwitness key' writes it") from None
    if not isinstance(key, Ed25519PrivateKey):
        raise BadInput("a key of another kind", place=place, allowed="Ed25519")
    return key


def _read_key(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise BadInput(f"can't be read: {error.strerror}", place=Place(str(path))) from None


def _raw(key: Ed25519PrivateKey) -> bytes:
    return key.public_key().public_bytes_raw()


@contextlib.contextmanager
def _library() -> Any:
    try:
        yield
    except ImportError:
        raise BadInput(
            "signatures need the library cryptography", cure="pip install 'pytest-stepwitness[sign]'"
        ) from None


# -- signing -------------------------------------------------------------------------------------------------


def sign(document: Path, seal: str, key: Path, *, passphrase: Passphrase, now: datetime | None = None) -> Path:
    """Sign a document's seal; the path of the signature. The caller has verified that the document is whole.

    Raises
    ------
    BadInput : where the key can't be read. RecordError : where this key signed it already, or it can't be written.
    """
    private = _private_key(key, passphrase)
    told = {
        "schema": SCHEMA,
        "seal": seal,
        "signed": (now or datetime.now(UTC)).isoformat(timespec="seconds"),
        "key": _raw(private).hex(),
    }
    path = document.with_name(f"{document.stem}.{digest(_raw(private))[:8]}{SUFFIX}")
    try:
        write_new(path, canonical({**told, "signature": private.sign(canonical(told)).hex()}) + b"\n")
    except FileExistsError:
        raise RecordError(f"{path}: exists already; this key has signed") from None
    except OSError as error:
        raise RecordError(f"{path}: can't be written: {error.strerror}") from error
    return path


# -- verifying -----------------------------------------------------------------------------------------------


def signatures(document: Path, seal: str) -> list[Signature]:
    """Every signature beside a document whose seal is `seal`, with why it doesn't hold, where it doesn't."""
    return [_signature(path, seal) for path in signature_files(document)]


def signature_files(document: Path) -> list[Path]:
    """The files of the signatures beside a document."""
    return sorted(path for path in document.parent.glob(f"*{SUFFIX}") if is_signature(path.name, document))


def is_signature(name: str, document: Path) -> bool:
    """Whether a file is so named as a signature of a document."""
    return name.startswith(f"{document.stem}.") and name.endswith(SUFFIX)


def _signature(path: Path, seal: str) -> Signature:
    try:
        data = read(path)
        told = parsed(path, data)
        key = bytes.fromhex(str(told["key"]))
        held = Signature(path.name, str(told["signed"]), key.hex(), digest(key))
        signature = bytes.fromhex(str(told.pop("signature")))
    except (RecordError, KeyError, ValueError) as error:
        return Signature(path.name, "", "", "", f"can't be read: {error}")
    return Signature(**{**vars(held), "broken": _broken(told, key, signature, seal, data)})


def _broken(told: dict[str, Any], key: bytes, signature: bytes, seal: str, data: bytes) -> str:
    with _library():
        from cryptography.exceptions import InvalidSignature
        from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
    try:
        Ed25519PublicKey.from_public_bytes(key).verify(signature, canonical(told))
    except (InvalidSignature, ValueError):
        return "the signature doesn't fit what the file says"
    if told.get("schema") != SCHEMA:
        return f"isn't a signature of the schema {SCHEMA}"
    if told["seal"] != seal:
        return "another document was signed"
    if data != canonical({**told, "signature": signature.hex()}) + b"\n":
        return "the file isn't in the form in which it was written"
    return ""
