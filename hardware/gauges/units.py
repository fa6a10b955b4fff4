"""The four units in which gauges send pressure, and psi. Exact: every factor is exact by definition.

Sources: 1 bar = 100 kPa and 1 mbar = 0.1 kPa (SI brochure, 9th edition, table 8 and the prefix milli); psi as in
`assistant.core.methods.units`.
"""

from __future__ import annotations

from decimal import Decimal

from assistant.core.methods.units import PSI_IN_KPA

IN_KPA = {"psi": PSI_IN_KPA, "kPa": Decimal(1), "bar": Decimal(100), "mbar": Decimal("0.1")}
"""how many kPa one of each is"""

WRITTEN = {name.lower(): name for name in IN_KPA} | {"psig": "psi"}
"""how a gauge may write a unit, in any case; "psia" is not among them: it counts the atmosphere too"""


def to_psi(value: Decimal, unit: str) -> Decimal:
    """`value` of `unit` (a key of IN_KPA) in psi, to the 28 digits of decimal's arithmetic, not rounded further."""
    return value if unit == "psi" else value * IN_KPA[unit] / PSI_IN_KPA
