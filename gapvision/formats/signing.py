"""A key of the shop that signs files, and time stamps to RFC 3161 that a time stamp service gives for them.

A signature (Ed25519, RFC 8032) stands beside its file as ``FILE.signature``, a request as ``FILE.tsq`` and the
service's answer as ``FILE.tsr``.  Nothing here goes to a network: the person takes the request to a service and brings
the answer.
"""

from __future__ import annotations

import hashlib
import json
import os
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

from msgspec import Meta

from gapvision.errors import GapvisionError, require
from gapvision.formats.atomic import not_written, write_whole
from gapvision.formats.declared import Loose, read_declared, read_file, read_json

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

SCHEMA = "gapvision-signature/1"
#: The key's name in the data folder; its public half stands beside it.
KEY, PUBLIC = "shop.key", "shop.pub"
_MOST_BYTES = 1_000_000
_Hex = Annotated[str, Meta(pattern=r"^[0-9a-f]{64}\Z")]


class _Signature(Loose):
    schema: Literal["gapvision-signature/1"]
    sha256: _Hex
    signed_at: Annotated[str, Meta(max_length=40, pattern=r"\A[0-9TZ:.-]*\Z")]
    public_key: _Hex
    signature: Annotated[str, Meta(pattern=r"^[0-9a-f]{128}\Z")]

    @property
    def message(self) -> bytes:
        """What was signed."""
        return f"{SCHEMA} {self.sha256} {self.signed_at}".encode()


def beside(path: Path, end: str) -> Path:
    """The file of that ending beside another."""
    return path.with_name(path.name + end)


def make_key(path: Path) -> str:
    """Make the shop's key, readable by its owner alone, with its public half beside it; return that half in hex.

    Raises
    ------
    GapvisionError
        ``shop-key-bad`` where a key lies there already; ``folder-not-writable``, ``disk-full``.
    """
    from cryptography.hazmat.primitives import serialization as s
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    key = Ed25519PrivateKey.generate()
    private = key.private_bytes(s.Encoding.PEM, s.PrivateFormat.PKCS8, s.NoEncryption())
    try:
        file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError:
        raise GapvisionError("shop-key-bad", f"There is a key in '{path}' already.") from None
    except OSError as error:
        raise not_written(path, error) from None
    with os.fdopen(file, "wb") as out:
        out.write(private)
        out.flush()
        os.fsync(out.fileno())
    public = key.public_key().public_bytes(s.Encoding.PEM, s.PublicFormat.SubjectPublicKeyInfo)
    write_whole(path.with_suffix(Path(PUBLIC).suffix), public)
    return _hex(key.public_key())


def _hex(key: Ed25519PublicKey) -> str:
    return key.public_bytes_raw().hex()


def _private(path: Path) -> Ed25519PrivateKey:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    try:
        key = load_pem_private_key(read_file(path, _MOST_BYTES), None)
    except (ValueError, TypeError):
        key = None
    if not isinstance(key, Ed25519PrivateKey):
        raise GapvisionError("shop-key-bad", f"'{path}' is no key of a shop.")
    return key


def public_of(path: Path) -> str:
    """A public key in hex: from its file, or from that of the whole key; ``shop-key-bad``."""
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
    from cryptography.hazmat.primitives.serialization import load_pem_public_key

    data = read_file(path, _MOST_BYTES)
    if b"PRIVATE" in data:
        return _hex(_private(path).public_key())
    try:
        key = load_pem_public_key(data)
    except (ValueError, TypeError):
        key = None
    if not isinstance(key, Ed25519PublicKey):
        raise GapvisionError("shop-key-bad", f"'{path}' is no key of a shop.")
    return _hex(key)


def sign(path: Path, key: Path) -> Path:
    """Sign a file's SHA-256 and the time; return the signature's file.  Errors as ``read_file`` and ``make_key``."""
    private, sha256 = _private(key), hash_of(path)
    at = datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
    told = {"schema": SCHEMA, "sha256": sha256.hex(), "signed_at": at, "public_key": _hex(private.public_key())}
    message = read_declared(_Signature, told | {"signature": "0" * 128}, "the signature", "shop-key-bad").message
    text = json.dumps(told | {"signature": private.sign(message).hex()}, indent=1)
    write_whole(beside(path, ".signature"), f"{text}\n".encode())
    return beside(path, ".signature")


def hash_of(path: Path) -> bytes:
    """The SHA-256 of a file of any size."""
    read_file(path, 0)  # refuses in words what cannot be read
    with open(path, "rb") as file:
        return hashlib.file_digest(file, "sha256").digest()


def check_signature(path: Path) -> tuple[str, str]:
    """Who signed a file, as the public key in hex, and when.

    Raises
    ------
    GapvisionError
        ``signature-bad`` where the signature is not of this file.
    """
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    name = beside(path, ".signature")
    data = read_json(read_file(name, _MOST_BYTES), f"'{name.name}'", "signature-bad")
    told = read_declared(_Signature, data, f"'{name.name}'", "signature-bad")
    require("signature-bad", told.sha256 == hash_of(path).hex(), f"'{path.name}' is not the file that was signed.")
    try:
        key = Ed25519PublicKey.from_public_bytes(bytes.fromhex(told.public_key))
        key.verify(bytes.fromhex(told.signature), told.message)
    except (InvalidSignature, ValueError):
        raise GapvisionError("signature-bad", f"The signature of '{path.name}' is not right.") from None
    return told.public_key, told.signed_at


# --- time stamps -----------------------------------------------------------------------
def ask_for_stamp(path: Path) -> Path:
    """Write the request for a time stamp of a file, for any service to RFC 3161; return its file."""
    from rfc3161_client import HashAlgorithm, TimestampRequestBuilder

    read_file(path, 0)
    data = path.read_bytes()
    require("time-stamp-bad", bool(data), f"'{path.name}' is empty.")
    request = TimestampRequestBuilder().data(data).hash_algorithm(HashAlgorithm.SHA256).build()
    write_whole(beside(path, ".tsq"), request.as_bytes())
    return beside(path, ".tsq")


def check_stamp(path: Path, answer: Path, root: Path) -> str:
    """When a time stamp service saw a file, ISO 8601.

    Parameters
    ----------
    path, answer : Path
        The file, and what the service answered.
    root : Path
        The certificate, PEM, that the reader trusts: the service's own root; further ones between may stand in it.

    Raises
    ------
    GapvisionError
        ``time-stamp-bad`` where the answer is none, is of another file, or is not signed by that service.
    """
    from cryptography.x509 import load_pem_x509_certificates
    from rfc3161_client import VerificationError, VerifierBuilder, decode_timestamp_response

    builder = VerifierBuilder()
    try:
        response = decode_timestamp_response(_in_order(read_file(answer, _MOST_BYTES)))
        for certificate in load_pem_x509_certificates(read_file(root, _MOST_BYTES)):
            own = certificate.issuer == certificate.subject
            builder = (builder.add_root_certificate if own else builder.add_intermediate_certificate)(certificate)
        builder.build().verify(response, hash_of(path))
    except (VerificationError, ValueError) as error:
        said = f"'{answer.name}' is no time stamp of '{path.name}' by that service ({str(error)[:200]})."
        raise GapvisionError("time-stamp-bad", said) from None
    return response.tst_info.gen_time.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def _in_order(answer: bytes) -> bytes:
    """Sort the certificates in an answer: openssl's service leaves them as they come, the library wants DER's order.

    No signature is about their order; what is no answer stays as it is.
    """

    def inside(at: int) -> tuple[int, int]:
        """Where the content of what begins there starts and ends."""
        start, size = at + 2, answer[at + 1]
        if size & 0x80:
            start += size & 0x7F
            size = int.from_bytes(answer[at + 2 : start], "big")
        return start, start + size

    try:
        token = inside(inside(inside(0)[0])[1])[0]  # behind the status
        at = inside(inside(inside(token)[1])[0])[0]  # behind the kind of content, in it: the signed data
        for _ in ("version", "digests", "content"):
            at = inside(at)[1]
        if answer[at] != 0xA0:  # no certificates
            return answer
        (start, end), found = inside(at), list[bytes]()
        at = start
        while at < end:
            found.append(answer[at : inside(at)[1]])
            at = inside(at)[1]
    except IndexError:
        return answer
    return answer[:start] + b"".join(sorted(found)) + answer[at:]
