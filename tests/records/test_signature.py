"""A signature holds for one seal, by one key, at one instant, and for nothing else."""

from __future__ import annotations

import json
import os
import stat
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

from stepwitness.errors import BadInput
from stepwitness.records.sealed import RecordError, canonical, open_sealed, write_sealed
from stepwitness.records.signature import fingerprint_of, key_in, make_key, public_path, sign, signatures

NOW = datetime(2026, 11, 25, 2, 10, tzinfo=UTC)
SECRET = "tarnbrook-17"


def nobody() -> str:
    raise AssertionError("no passphrase is needed")


@pytest.fixture
def key(tmp_path: Path) -> Path:
    path = tmp_path / "keys" / "lab.pem"
    path.parent.mkdir()
    make_key(path)
    return path


@pytest.fixture
def document(tmp_path: Path) -> Path:
    return write_sealed(tmp_path / "record.json", "test/1", {"run": {"id": "a"}})


def seal_of(document: Path) -> str:
    return str(open_sealed(document, ["test/1"]).seal["sha256"])


def test_a_signature_holds_and_says_who_and_when(document: Path, key: Path) -> None:
    before = document.read_bytes()
    path = sign(document, seal_of(document), key, passphrase=nobody, now=NOW)
    (held,) = signatures(document, seal_of(document))

    assert (held.broken, held.signed, held.file) == ("", "2026-11-25T02:10:00+00:00", path.name)
    assert held.key == key_in(public_path(key))
    assert held.fingerprint == fingerprint_of(public_path(key))
    assert path.name == f"record.{held.fingerprint[:8]}.signature.json"
    assert document.read_bytes() == before


def test_it_is_ed25519_over_what_the_file_says(document: Path, key: Path) -> None:
    told = json.loads(sign(document, seal_of(document), key, passphrase=nobody).read_bytes())
    signature = bytes.fromhex(told.pop("signature"))

    Ed25519PublicKey.from_public_bytes(bytes.fromhex(told["key"])).verify(signature, canonical(told))
    assert told["seal"] == seal_of(document)


def test_two_keys_may_sign_and_one_only_once(document: Path, key: Path) -> None:
    other = key.with_name("other.pem")
    make_key(other)
    sign(document, seal_of(document), key, passphrase=nobody)
    sign(document, seal_of(document), other, passphrase=nobody)

    assert [one.broken for one in signatures(document, seal_of(document))] == ["", ""]
    with pytest.raises(RecordError, match="this key has signed"):
        sign(document, seal_of(document), key, passphrase=nobody)


@pytest.mark.parametrize(
    "change",
    [
        lambda told: told.update(signed="2026-11-24T02:10:00+00:00"),
        lambda told: told.update(seal="0" * 64),
        lambda told: told.update(key="0" * 64),
        lambda told: told.update(signature="0" * 128),
        lambda told: told.update(schema="stepwitness-signature/2"),
        lambda told: told.update(more=1),
        lambda told: told.pop("signed"),
        lambda told: told.pop("signature"),
        lambda told: told.update(key="x"),
    ],
)
def test_whatever_is_changed_in_it_shows(document: Path, key: Path, change: Callable[[dict[str, Any]], None]) -> None:
    path = sign(document, seal_of(document), key, passphrase=nobody)
    told = json.loads(path.read_bytes())
    change(told)
    path.write_bytes(canonical(told) + b"\n")

    (held,) = signatures(document, seal_of(document))
    assert held.broken


def test_every_byte_of_it_counts(document: Path, key: Path) -> None:
    path = sign(document, seal_of(document), key, passphrase=nobody)
    data = path.read_bytes()
    for where in range(len(data)):
        path.write_bytes(data[:where] + bytes([data[where] ^ 1]) + data[where + 1 :])
        assert signatures(document, seal_of(document))[0].broken, where


def test_a_signature_of_another_document_is_told(document: Path, key: Path, tmp_path: Path) -> None:
    other = write_sealed(tmp_path / "other.json", "test/1", {"run": {"id": "b"}})
    path = sign(other, seal_of(other), key, passphrase=nobody)
    path.rename(path.with_name(path.name.replace("other", "record")))

    (held,) = signatures(document, seal_of(document))
    assert held.broken == "another document was signed"


def test_who_seals_anew_cant_sign_anew(document: Path, key: Path) -> None:
    """A forger can make any seal, but not the signature: what an unsigned seal wouldn't show."""
    sign(document, seal_of(document), key, passphrase=nobody)
    document.unlink()
    write_sealed(document, "test/1", {"run": {"id": "forged"}})

    assert signatures(document, seal_of(document))[0].broken == "another document was signed"


def test_keys_are_never_replaced_and_the_private_one_is_its_owners(key: Path) -> None:
    with pytest.raises(RecordError, match="never replaced"):
        make_key(key)
    if os.name == "posix":
        assert stat.S_IMODE(key.stat().st_mode) & 0o077 == 0


def test_a_passphrase_opens_the_key_and_never_shows(document: Path, tmp_path: Path) -> None:
    locked = tmp_path / "locked.pem"
    make_key(locked, SECRET)

    with pytest.raises(BadInput, match="opens with this passphrase") as told:
        sign(document, seal_of(document), locked, passphrase=lambda: "wrong one")
    assert "wrong one" not in str(told.value)
    path = sign(document, seal_of(document), locked, passphrase=lambda: SECRET)
    assert signatures(document, seal_of(document))[0].broken == ""
    assert SECRET.encode() not in path.read_bytes() + locked.read_bytes()


@pytest.mark.parametrize("content", [None, b"", b"-----BEGIN PUBLIC KEY-----\nAAAA\n-----END PUBLIC KEY-----\n"])
def test_what_is_no_key_is_told_in_one_line(document: Path, tmp_path: Path, content: bytes | None) -> None:
    path = tmp_path / "no.pem"
    if content is not None:
        path.write_bytes(content)

    for act in (lambda: key_in(path), lambda: sign(document, "0" * 64, path, passphrase=nobody)):
        with pytest.raises(BadInput) as told:
            act()
        assert "\n" not in str(told.value)
        assert str(path) in str(told.value)


def test_another_kind_of_key_is_refused(document: Path, tmp_path: Path) -> None:
    from cryptography.hazmat.primitives import serialization
    from cryptography.hazmat.primitives.asymmetric.ec import SECP256R1, generate_private_key

    key = generate_private_key(SECP256R1())
    private, public = tmp_path / "ec.pem", tmp_path / "ec.pem.pub"
    pem, none = serialization.Encoding.PEM, serialization.NoEncryption()
    private.write_bytes(key.private_bytes(pem, serialization.PrivateFormat.PKCS8, none))
    public.write_bytes(key.public_key().public_bytes(pem, serialization.PublicFormat.SubjectPublicKeyInfo))

    with pytest.raises(BadInput, match="another kind; allowed: Ed25519"):
        key_in(public)
    with pytest.raises(BadInput, match="another kind; allowed: Ed25519"):
        sign(document, "0" * 64, private, passphrase=nobody)
