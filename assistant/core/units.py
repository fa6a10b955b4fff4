"""psi and kPa, for gauges that read kPa."""

from decimal import Decimal

PSI_IN_KPA = Decimal("0.45359237") * Decimal("9.80665") / Decimal("0.0254") ** 2 / 1000
"""1 psi = 6.894757... kPa. Published: the pound and the inch of the international yard and pound agreement
(1959) and the standard gravity of the 3rd CGPM (1901), each exact by definition."""


def kpa(psi: Decimal) -> Decimal:
    return psi * PSI_IN_KPA


def psi(kpa: Decimal) -> Decimal:
    return kpa / PSI_IN_KPA
