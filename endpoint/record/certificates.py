"""Which certificates a titration used, for what, and with which reservations."""

from __future__ import annotations

import datetime
import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from calibration.certificate import MAX_BYTES, Certificate, read_certificate
from calibration.problem import CalibrationProblem
from calibration.reading import read_bytes
from calibration.ware.burette import certified_kind
from endpoint.problems import CertificateProblem


@dataclass(frozen=True)
class UsedCertificate:
    """One certificate as it stands in a result."""

    certificate: Certificate
    purpose: str
    """"titrant", "burette", "pipette", "camera", "photometer" or "timing"."""
    file: str
    sha256: str
    """Checksum of the file."""
    reservations: tuple[str, ...] = ()
    """Why it should not have been used, where it was accepted all the same."""

    def to_json(self) -> dict[str, object]:
        """Plain dictionary."""
        c = self.certificate
        return {
            "id": c.identifier,
            "kind": c.kind,
            "purpose": self.purpose,
            "what": c.what,
            "date": c.date.isoformat(),
            "expiry": None if c.expiry is None else c.expiry.isoformat(),
            "operator": c.operator,
            "file": self.file,
            "sha256": self.sha256,
            "reservations": list(self.reservations),
        }


class CertificateBook:
    """Reads the certificates of one titration, checks that they may be used, remembers them."""

    def __init__(self, day: datetime.date, accepted: Sequence[str] = ()) -> None:
        self.day = day
        self._accepted = tuple(accepted)
        self._used: dict[tuple[Path, str], UsedCertificate] = {}

    def read(self, path: Path, kind: str, purpose: str) -> Certificate:
        """Read a certificate and check kind and dates.

        Parameters
        ----------
        path:
            The file.
        kind:
            Kind that is needed.
        purpose:
            What it is used for, for the list in the result.

        Raises
        ------
        CertificateProblem
            It cannot be read, is of another kind, or is expired or dated later than the titration
            and was not accepted by its identifier.
        """
        try:
            certificate = read_certificate(path)
            accepted = certificate.identifier in self._accepted
            said = certificate.check_use(kind, self.day, accepted)
        except CalibrationProblem as problem:
            raise CertificateProblem(problem.sentence, problem.remedy) from None
        self._used[path, purpose] = _used(certificate, purpose, path, said)
        return certificate

    def read_series(self, paths: Sequence[Path], kind: str, purpose: str) -> list[Certificate]:
        """Read several certificates of one thing, made on different days, in order of their days.

        One that is dated after the titration closes the time in which the thing changed; then an
        earlier one need not be in force any more. Without it the last one must be.

        Raises
        ------
        CertificateProblem
            As `read`; the first is dated later than the titration.
        """
        try:
            pairs = sorted(((read_certificate(p), p) for p in paths), key=lambda pair: pair[0].date)
            before = [pair for pair in pairs if pair[0].date <= self.day]
            after = [pair for pair in pairs if pair[0].date > self.day]
            for certificate, path in pairs:
                certificate.check_use(kind, certificate.date)
                self._used[path, f"{purpose}, {certificate.date}"] = _used(
                    certificate, purpose, path
                )
        except CalibrationProblem as problem:
            raise CertificateProblem(problem.sentence, problem.remedy) from None
        if not before or not after:
            certificate, path = before[-1] if before else pairs[0]
            del self._used[path, f"{purpose}, {certificate.date}"]
            self.read(path, kind, purpose)
        return [certificate for certificate, _ in pairs]

    def doubt(self, path: Path, purpose: str, sentence: str, remedy: str) -> None:
        """Note that a certificate that was read does not fit, or refuse it.

        Raises
        ------
        CertificateProblem
            It was not accepted by its identifier.
        """
        used = self._used[path, purpose]
        accepted = used.certificate.identifier in self._accepted
        try:
            said = used.certificate.doubt(sentence, remedy, accepted)
        except CalibrationProblem as problem:
            raise CertificateProblem(problem.sentence, problem.remedy) from None
        self._used[path, purpose] = replace(used, reservations=(*used.reservations, said))

    @property
    def used(self) -> tuple[UsedCertificate, ...]:
        """Certificates in the order of reading."""
        return tuple(self._used.values())


def _used(
    certificate: Certificate, purpose: str, path: Path, said: tuple[str, ...] = ()
) -> UsedCertificate:
    checksum = hashlib.sha256(read_bytes(path, MAX_BYTES)).hexdigest()
    return UsedCertificate(certificate, purpose, path.name, checksum, said)


@dataclass(frozen=True)
class OfferedCertificate:
    """A certificate that can be chosen for a titration."""

    file: str
    """Name in its folder."""
    purpose: str
    """"titrant", "burette" or "pipette"."""
    text: str
    """What it is of, for people."""


def certificates_in(folder: Path) -> tuple[OfferedCertificate, ...]:
    """Certificates of titrants, burettes and pipettes in a folder, by their names.

    Those that cannot be read are passed over, and whether one may be used is checked when it is.

    Parameters
    ----------
    folder:
        May be missing.
    """
    found = []
    for path in sorted(folder.glob("*.json")):
        try:
            certificate = read_certificate(path)
            purpose = certificate.kind
            if purpose == "glassware":
                purpose = certified_kind(certificate)
        except CalibrationProblem:
            continue
        if purpose in ("titrant", "burette", "pipette"):
            text = f"{certificate.what}, {certificate.identifier}, {certificate.date}"
            found.append(OfferedCertificate(path.name, purpose, text))
    return tuple(found)
