"""The office's certificate: the user's own looked at before it is used, or one of an authority of our own for a trial."""
from __future__ import annotations

import socket
import ssl
from datetime import UTC, datetime
from pathlib import Path

import trustme
from cryptography import x509

from assistant.board import address
from assistant.files import owner_only
from assistant.files.refusal import Refusal


def context(certificate: Path, key: Path) -> ssl.SSLContext:
    """For a server. Raises Refusal, in a sentence that names the file."""
    for path in (certificate, key):
        try:
            text = path.read_bytes()
        except OSError as error:
            raise Refusal(f"{path} can't be read ({error.strerror}): give certificate and key as files that you may read.") from None
        if b"ENCRYPTED" in text:
            raise Refusal(f"The key in {path} is locked by a password, and nobody is there to type it when the machine starts: "
                          "give one without, readable by this user alone.")
    made = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    made.minimum_version = ssl.TLSVersion.TLSv1_2
    try:
        made.load_cert_chain(certificate, key)
    except ssl.SSLError as error:
        why = "the key is not of that certificate" if error.reason == "KEY_VALUES_MISMATCH" else "they are no PEM files"
        raise Refusal(f"{certificate} and {key} can't be used: {why}.") from None
    return made


def ends(certificate: Path) -> datetime:
    """When it runs out, UTC."""
    return x509.load_pem_x509_certificates(certificate.read_bytes())[0].not_valid_after_utc


def ran_out(certificate: Path) -> str:
    """A sentence where it has run out, for whoever starts the office: stations will not talk to it."""
    day = ends(certificate)
    return "" if day > datetime.now(UTC) else f"{certificate} ran out on {day:%Y-%m-%d}: no station sends until it is a new one."


def names() -> list[str]:
    """By which this machine is called: its names and its addresses of now."""
    own = socket.gethostname()
    return list(dict.fromkeys(["localhost", own, f"{own}.local", "127.0.0.1", "::1", *address.own_addresses()]))


def made(folder: Path) -> tuple[Path, Path, Path]:
    """Certificate, key and authority (its certificate alone) for this machine, in ``folder``. Raises OSError.

    The authority stays, so stations that trust it go on doing so; the certificate is new each time, since addresses change.
    """
    authority, secret = folder / "authority.pem", folder / "authority.key"
    if authority.exists() and secret.exists():
        known = trustme.CA.from_pem(authority.read_bytes(), secret.read_bytes())
    else:
        known = trustme.CA(organization_name="Bowlside", organization_unit_name=f"an office on trial, {socket.gethostname()}")
        owner_only.write(secret, known.private_key_pem.bytes())
        owner_only.write(authority, known.cert_pem.bytes())
    served = known.issue_cert(*names())
    certificate, key = folder / "office.pem", folder / "office.key"
    owner_only.write(certificate, b"".join(each.bytes() for each in served.cert_chain_pems))
    owner_only.write(key, served.private_key_pem.bytes())
    authority.chmod(0o644)      # it is given away
    return certificate, key, authority
