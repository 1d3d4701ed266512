"""Proof of time: an RFC 3161 time-stamp over the bag's tag manifest, and so over everything in the bag.
Nothing here uses a network.

A request is written into the bag; whoever packs it sends that to a service of their choice and adds the
response. Reading and verifying is rfc3161-client's.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from anodewane.errors import InputUnreadable, UsageError
from anodewane.evidence.bag import MAX_TAG_BYTES, TAG_MANIFEST, read_plain
from anodewane.files import read_bytes, write_atomic

REQUEST, RESPONSE = "stamp/tagmanifest-sha256.tsq", "stamp/tagmanifest-sha256.tsr"
MAX_STAMP_BYTES = 1_000_000


@dataclass(frozen=True, slots=True)
class Stamp:
    """What a bag's time-stamp says."""

    time: str | None
    """When the service saw the seal (ISO 8601, UTC); None when it can't be told."""
    holds: bool
    """It is over this bag's tag manifest."""
    trusted: bool | None
    """It was also checked down to a root certificate that was given; None when none was."""
    why: str | None
    """What is wrong; None when nothing."""


def _library() -> Any:
    try:
        import rfc3161_client
    except ImportError as e:
        raise UsageError(
            "Time-stamps need the library rfc3161-client, which isn't installed.",
            'Install it: in the checkout, pip install ".[all]".',
        ) from e
    return rfc3161_client


def _sealed(bag: Path) -> bytes:
    try:
        return read_plain(bag / TAG_MANIFEST, MAX_TAG_BYTES)
    except OSError as e:
        raise InputUnreadable(
            f"The bag '{bag.name}' has no {TAG_MANIFEST} that can be read.",
            "Name the folder that 'anodewane evidence pack' wrote.",
        ) from e


def _place(bag: Path, name: str) -> Path:
    """Where a proof goes. A link in its way is refused."""
    path = bag / name
    if path.parent.is_symlink() or path.is_symlink():
        raise InputUnreadable(f"'{name}' in the bag is a link.", "Check where the bag comes from.")
    path.parent.mkdir(exist_ok=True)
    return path


def write_request(bag: Path) -> Path:
    """Write a time-stamp request for a bag; its file.

    Raises
    ------
    UsageError
        rfc3161-client isn't installed.
    InputUnreadable, OutputNotWritable
    """
    tsp = _library()
    request = (
        tsp.TimestampRequestBuilder().data(_sealed(bag)).hash_algorithm(tsp.HashAlgorithm.SHA256).build()
    )
    path = _place(bag, REQUEST)
    write_atomic(path, request.as_bytes())
    return path


def add_response(bag: Path, response: Path, roots: Path | None = None) -> Stamp:
    """Put a service's response into a bag, if it is over this bag.

    Raises
    ------
    UsageError
        It isn't: another bag's, refused by the service, or not a response.
    InputUnreadable, OutputNotWritable
    """
    data = read_bytes(response, "time-stamp response")
    stamp = _read(data, _sealed(bag), _certificates(roots), _nonce(bag))
    if not stamp.holds or stamp.trusted is False:
        raise UsageError(
            f"The time-stamp '{response.name}' doesn't hold for this bag: {stamp.why}.",
            "Ask the service again with the request that 'evidence stamp --request' wrote.",
        )
    write_atomic(_place(bag, RESPONSE), data)
    return stamp


def check_stamp(bag: Path, roots: Path | None = None) -> Stamp | None:
    """What a bag's time-stamp says, None when it has none.

    Raises
    ------
    UsageError
        rfc3161-client isn't installed.
    InputUnreadable
        The root certificates can't be read.
    """
    path = bag / RESPONSE
    if not path.exists() and not path.is_symlink():
        return None
    try:
        data = read_plain(path, MAX_STAMP_BYTES)
    except OSError:
        return Stamp(None, False, None, "the response can't be read")
    return _read(data, _sealed(bag), _certificates(roots), _nonce(bag))


def _nonce(bag: Path) -> int | None:
    """The number that the bag's own request carries, None without a request: a response must repeat it."""
    try:
        data = read_plain(bag / REQUEST, MAX_STAMP_BYTES)
    except OSError:
        return None
    from rfc3161_client._rust import parse_timestamp_request  # the library's public face reads responses only

    try:
        nonce = parse_timestamp_request(data).nonce
    except ValueError:
        return None
    return None if nonce is None else int(nonce)


def _certificates(file: Path | None) -> list[Any] | None:
    if file is None:
        return None
    from cryptography import x509

    data = read_bytes(file, "certificate")
    try:
        return (
            list(x509.load_pem_x509_certificates(data))
            if b"-----BEGIN" in data
            else [x509.load_der_x509_certificate(data)]
        )
    except ValueError as e:
        raise InputUnreadable(
            f"'{file.name}' holds no certificate that can be read.",
            "Give the service's root certificate as PEM or DER.",
        ) from e


def _read(data: bytes, sealed: bytes, roots: list[Any] | None, nonce: int | None) -> Stamp:
    tsp = _library()
    try:
        response = tsp.decode_timestamp_response(_with_sorted_certificates(data))
        if tsp.PKIStatus(response.status) not in (tsp.PKIStatus.GRANTED, tsp.PKIStatus.GRANTED_WITH_MODS):
            return Stamp(None, False, None, "the service didn't grant it")
        info = response.tst_info
        time = info.gen_time.isoformat()
        algorithm = {
            "2.16.840.1.101.3.4.2.1": hashlib.sha256,
            "2.16.840.1.101.3.4.2.2": hashlib.sha384,
            "2.16.840.1.101.3.4.2.3": hashlib.sha512,
        }.get(info.message_imprint.hash_algorithm.dotted_string)
    except (ValueError, TypeError, AttributeError):
        return Stamp(
            None,
            False,
            None,
            "it isn't a time-stamp response that can be read",
        )
    if algorithm is None:
        return Stamp(time, False, None, "its hash isn't SHA-256, SHA-384 or SHA-512")
    if info.message_imprint.message != algorithm(sealed).digest():
        return Stamp(time, False, None, "it is over something else than this bag")
    if nonce is not None and info.nonce is not None and info.nonce != nonce:
        return Stamp(time, False, None, "it answers another request than the bag's")
    if roots is None:
        return Stamp(time, True, None, None)
    builder = tsp.VerifierBuilder()
    from cryptography import x509

    carried = [x509.load_der_x509_certificate(bytes(c)) for c in response.signed_data.certificates]
    for root in dict.fromkeys(roots):
        builder = builder.add_root_certificate(root)
    for c in dict.fromkeys(carried):
        usage = _usage(c)
        if usage and c not in roots:
            builder = builder.add_intermediate_certificate(c)
    leaves = [c for c in carried if not _usage(c)]
    if not carried:
        return Stamp(time, True, False, "it carries no certificate of the service")
    if leaves:
        builder = builder.tsa_certificate(leaves[0])
    try:
        builder.build().verify_message(response, sealed)
    except tsp.VerificationError:
        return Stamp(time, True, False, "its signature doesn't lead to the root given")
    return Stamp(time, True, True, None)


def _usage(certificate: Any) -> bool:
    """Whether a certificate is an authority's."""
    from cryptography import x509

    try:
        return bool(certificate.extensions.get_extension_for_class(x509.BasicConstraints).value.ca)
    except x509.ExtensionNotFound:
        return False


# --- certificates in the order that DER asks for -------------------------------------------------


def _with_sorted_certificates(response: bytes) -> bytes:
    """A response with the certificates of its token in the order of a DER set (X.690 11.6).

    Services send them as they come, and the library reads strict DER only. The set stands outside what is
    signed (RFC 5652 5.4), so its order proves nothing. Whatever isn't built like a response (RFC 3161
    2.4.2) is returned as it is.
    """
    try:
        ((tag, body),) = _elements(response)
        status, *token = _elements(body)
        (kind, wrapped) = _elements(token[0][1])
        ((signed_tag, signed),) = _elements(wrapped[1])
        fields = _elements(signed)
    except (ValueError, IndexError):
        return response
    fields = [
        (t, b"".join(sorted(_element(*e) for e in _elements(content)))) if t == CERTIFICATES else (t, content)
        for t, content in fields
    ]
    signed = b"".join(_element(*f) for f in fields)
    wrapped = (wrapped[0], _element(signed_tag, signed))
    content = _element(token[0][0], _element(*kind) + _element(*wrapped))
    return _element(tag, _element(*status) + content)


CERTIFICATES = 0xA0
"""[0] of SignedData (RFC 5652 5.1); its other fields have other tags."""


def _elements(data: bytes) -> list[tuple[int, bytes]]:
    """Tag and content of each element, definite lengths only.

    Raises
    ------
    ValueError
        Not a row of whole elements.
    """
    out, at = [], 0
    while at < len(data):
        if len(data) < at + 2 or data[at] & 0x1F == 0x1F:
            raise ValueError("not an element")
        tag, length, at = data[at], data[at + 1], at + 2
        if length >= 0x80:
            more = length & 0x7F
            if not 0 < more <= 4:
                raise ValueError("not a definite length")
            length, at = int.from_bytes(data[at : at + more], "big"), at + more
        if at + length > len(data):
            raise ValueError("cut short")
        out.append((tag, data[at : at + length]))
        at += length
    return out


def _element(tag: int, content: bytes) -> bytes:
    if len(content) < 0x80:
        return bytes((tag, len(content))) + content
    size = len(content).to_bytes((len(content).bit_length() + 7) // 8, "big")
    return bytes((tag, 0x80 | len(size))) + size + content
