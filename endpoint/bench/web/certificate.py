"""A certificate for one start of the telephone's page, made on the spot and never stored."""

from __future__ import annotations

import datetime
import ipaddress
import ssl
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from cryptography.x509 import GeneralName

_VALID = datetime.timedelta(days=2)
"""A start of the bench lasts a working day; clocks of telephones differ. Assumed."""


@dataclass(frozen=True)
class Certificate:
    """What a server needs for TLS, and what a person can compare."""

    context: ssl.SSLContext
    fingerprint: str
    """SHA-256 of the certificate, pairs of hexadecimal digits with colons, as browsers show it."""


def new_certificate(addresses: tuple[str, ...]) -> Certificate:
    """Make a key (NIST P-256) and a certificate that it signs itself.

    Parameters
    ----------
    addresses:
        IP addresses or names at which the page is served.
    """
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "endpoint bench")])
    now = datetime.datetime.now(datetime.UTC)
    certificate = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - datetime.timedelta(days=1))
        .not_valid_after(now + _VALID)
        .add_extension(x509.SubjectAlternativeName([_name(a) for a in addresses]), critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .sign(key, hashes.SHA256())
    )
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    # The ssl module reads keys from files only; the folder is the owner's alone, and gone at once.
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "bench.pem"
        path.write_bytes(
            key.private_bytes(
                serialization.Encoding.PEM,
                serialization.PrivateFormat.PKCS8,
                serialization.NoEncryption(),
            )
            + certificate.public_bytes(serialization.Encoding.PEM)
        )
        context.load_cert_chain(path)
    return Certificate(context, certificate.fingerprint(hashes.SHA256()).hex(":").upper())


def _name(address: str) -> GeneralName:
    from cryptography import x509

    try:
        return x509.IPAddress(ipaddress.ip_address(address))
    except ValueError:
        return x509.DNSName(address)
