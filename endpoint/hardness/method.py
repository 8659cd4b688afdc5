"""A hardness with what the verification of the method on this bench found."""

from __future__ import annotations

from dataclasses import replace

from calibration.certificate import Certificate, CertificateProblem
from calibration.quantity import Quantity
from endpoint.hardness.budget import Evaluation, InputLine, evaluate_one
from endpoint.hardness.formula import Hardness, draws_remark
from endpoint.hardness.titre import is_new_each_time

_FOUND = {"recording": "in a recording", "by eye": "by eye"}


def with_method(
    total: Hardness, method: Certificate, titrant_mol_l: Quantity, end: str
) -> Hardness:
    """Hardness with the bias of a verified method subtracted and its scatter taken as it was found.

    Parameters
    ----------
    total:
        As the record alone gives it.
    method:
        Certificate of kind "method": bias in mmol/L, and the factor of the scatter.
    titrant_mol_l:
        Its readings were made once, at the standardisation, so the factor leaves them.
    end:
        How the end was found, "recording" or "by eye".

    Raises
    ------
    CertificateProblem
        The certificate lacks one of the two, or verifies ends that were found in the other way.
    """
    verified = method.details.get("end")
    if verified in _FOUND and verified != end:
        raise CertificateProblem(
            f"{method.identifier} verifies ends found {_FOUND[str(verified)]}; this one was found "
            f"{_FOUND[end]} and has another error.",
            "Leave out [method], or verify the method as it is used here.",
        )
    bias = method.quantity("bias", "mmol/L")
    factor = method.quantity("scatter_factor", "1").value
    parts = {
        name: replace(part, value=part.value * factor)
        if is_new_each_time(name) and name not in titrant_mol_l.contributions
        else part
        for name, part in total.mmol_l.contributions.items()
    }
    found = evaluate_one(Quantity(total.mmol_l.value, "mmol/L", parts) - bias)
    line = InputLine("method bias", bias.value, "mmol/L", bias.standard_uncertainty, -1.0)
    kept = tuple(text for text in total.warnings if text not in draws_remark(total.evaluation))
    return Hardness(
        replace(found, inputs=(*total.evaluation.inputs, line)),
        (
            *kept,
            *_method_words(method, bias, factor, found),
            *([] if verified == end else [_unsaid(method, end)]),
            *draws_remark(found),
        ),
    )


def _unsaid(method: Certificate, end: str) -> str:
    return (
        f"{method.identifier} does not say how the ends were found that it verifies; an end found "
        f"{_FOUND[end]}, as here, may have another error. If they were found so, write "
        f'end = "{end}" in the head of its table and make the certificate again.'
    )


_VERIFIED = {
    "passes": "The method was verified",
    "undecided": "A verification of the method decided nothing",
    "does not pass": "The method did not pass its verification",
}


def _method_words(
    method: Certificate, bias: Quantity, factor: float, found: Evaluation
) -> tuple[str, ...]:
    times = "" if factor == 1.0 else f", and the scatter of one titration taken {factor:.2g}-fold"
    until = "" if method.expiry is None else f", valid until {method.expiry}"
    verdict = str(method.details.get("verdict", "passes"))
    told = _VERIFIED.get(verdict, _VERIFIED["does not pass"])
    said = (
        f"{told} ({method.identifier}: {method.what}{until}). Its bias of "
        f"{bias.value:+.4f} mmol/L is subtracted{times}.",
    )
    low, high = (method.details.get(key) for key in ("from_mmol_l", "to_mmol_l"))
    if not isinstance(low, float | int) or not isinstance(high, float | int):
        return said
    if low <= found.quantity.value <= high:
        return said
    outside = (
        f"The hardness lies outside the {low:g} to {high:g} mmol/L for which the method was "
        "verified."
    )
    return (*said, outside)
