"""TLS to broker and store: whom we trust, who we are, and what a handshake that failed means."""

import ssl
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from quietward.contracts.errors import BadSettings

EXPIRED, NOT_YET_VALID = 10, 9
UNKNOWN_CA = frozenset({2, 18, 19, 20, 21})
WRONG_NAME = frozenset({62, 64})
"""Of X509_V_ERR_* in OpenSSL's x509_vfy.h, as `ssl.SSLCertVerificationError.verify_code` has them."""


@dataclass(frozen=True)
class Tls:
    """PEM files. ca: whose certificates are believed, of nobody else; empty: those of the CAs that the system trusts.

    certificate, key: of ourselves, for servers that ask for one; empty: none.
    """

    ca: str = ""
    certificate: str = ""
    key: str = ""

    def context(self) -> ssl.SSLContext:
        """Return what connections are made with: certificates and host names are checked, TLS 1.2 is the oldest.

        Raises BadSettings if a file cannot be read.
        """
        return _context(self)

    @property
    def believed(self) -> str:
        """Whose certificates are believed, in words."""
        return self.ca or "the CAs of this system"


SYSTEM = Tls()
"""Believes certificates of the CAs that the system trusts."""


@lru_cache(maxsize=8)
def _context(tls: Tls) -> ssl.SSLContext:
    for name, path in (("tls_ca", tls.ca), ("tls_certificate", tls.certificate), ("tls_key", tls.key)):
        _check_readable(name, path)
    try:
        context = ssl.create_default_context(cafile=tls.ca or None)
    except ssl.SSLError as error:
        raise BadSettings("setting tls_ca", tls.ca, "Holds no certificate: give a file in PEM format") from error
    if tls.certificate or tls.key:
        try:
            context.load_cert_chain(tls.certificate, tls.key or None, password=_no_passphrase)
        except (ssl.SSLError, OSError, ValueError) as error:
            remedy = "Give a certificate and its key in PEM format, the key without a passphrase"
            raise BadSettings("settings tls_certificate, tls_key", (tls.certificate, tls.key), remedy) from error
    return context


def _check_readable(name: str, path: str) -> None:
    if path:
        try:
            Path(path).read_bytes()
        except (OSError, ValueError) as error:
            remedy = f"Cannot be read: {getattr(error, 'strerror', error)}"
            raise BadSettings(f"setting {name}", path, remedy) from error


def _no_passphrase() -> str:
    raise ValueError("the key has a passphrase")  # OpenSSL would ask for it on the terminal


def trouble(error: BaseException, tls: Tls, plain: str) -> tuple[str, str] | None:
    """Return what is wrong and the remedy where a handshake failed, None where that was not the reason.

    plain: the scheme without TLS, in case the server speaks it at this port.
    """
    for cause in _causes(error):
        if isinstance(cause, ssl.SSLCertVerificationError):
            return _certificate_trouble(cause, tls)
        if isinstance(cause, ssl.SSLError) or (isinstance(cause, TimeoutError) and "handshake" in str(cause)):
            said = getattr(cause, "reason", None) or str(cause)
            if "ALERT" in said and "VERSION" not in said:
                remedy = "Set QUIETWARD_TLS_CERTIFICATE and QUIETWARD_TLS_KEY to one that it knows"
                return "refuses our certificate", f"{remedy}. It said: {said}"
            remedy = f"Use the port where it does, or {plain}:// on a network that is yours alone"
            return "does not speak TLS here", f"{remedy}. It said: {said}"
    return None


def _certificate_trouble(error: ssl.SSLCertVerificationError, tls: Tls) -> tuple[str, str]:
    match error.verify_code:
        case code if code == EXPIRED:
            return "has a certificate that has expired", "Give the server a new one; a wrong clock here does it, too"
        case code if code == NOT_YET_VALID:
            return "has a certificate that is not valid yet", "Set the clocks of both machines"
        case code if code in UNKNOWN_CA:
            remedy = f"Set QUIETWARD_TLS_CA to the file of that CA's certificate; trusted now: {tls.believed}"
            return "has a certificate of a CA that is not trusted", remedy
        case code if code in WRONG_NAME:
            remedy = f"Use a name that stands in it, or have it made for this one. It said: {error.verify_message}"
            return "has a certificate for another name", remedy
    return "has a certificate that is not trusted", f"It said: {error.verify_message}"


def _causes(error: BaseException) -> Iterator[BaseException]:
    """Yield an error and those that it came from."""
    seen: BaseException | None = error
    while seen is not None:
        yield seen
        seen = seen.__cause__ or seen.__context__
