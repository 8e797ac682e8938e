"""The common name of a certificate: as much of X.509 as that takes (RFC 5280, 4.1; from memory)."""

from __future__ import annotations

import ssl
from collections.abc import Iterator

_SEQUENCE, _VERSION = 0x30, 0xA0
_COMMON_NAME = bytes((0x06, 0x03, 0x55, 0x04, 0x03))
"""Object identifier 2.5.4.3 in DER (X.520; from memory)."""


class NotACertificate(ValueError):
    """The text holds no certificate in PEM, or one that is cut short."""


def common_name(pem: str) -> str | None:
    """Return the subject's common name of the first certificate, None where it has none.

    Raises `NotACertificate`.
    """
    start = pem.find(ssl.PEM_HEADER)
    end = pem.find(ssl.PEM_FOOTER, start)
    if start < 0 or end < 0:
        raise NotACertificate("no certificate in PEM")
    try:
        whole = ssl.PEM_cert_to_DER_cert(pem[start : end + len(ssl.PEM_FOOTER)])
        (_, certificate), *_ = _items(whole)
        (_, signed), *_ = _items(certificate)
        fields = [body for tag, body in _items(signed) if tag != _VERSION]
        # serial number, signature, issuer, validity, subject
        return _name_in(fields[4])
    except (ValueError, IndexError) as error:
        raise NotACertificate("a certificate that cannot be read") from error


def _name_in(subject: bytes) -> str | None:
    for _, relative in _items(subject):
        for _, pair in _items(relative):
            if pair.startswith(_COMMON_NAME):
                _, (_, text) = _items(pair)
                return text.decode("utf-8")
    return None


def _items(data: bytes) -> Iterator[tuple[int, bytes]]:
    """Tag and content of each DER item; raises IndexError or ValueError where it is cut short."""
    at = 0
    while at < len(data):
        tag, length, at = data[at], data[at + 1], at + 2
        if length & 0x80:
            width = length & 0x7F
            length, at = int.from_bytes(data[at : at + width], "big"), at + width
        if at + length > len(data):
            raise ValueError("an item longer than what holds it")
        yield tag, data[at : at + length]
        at += length
