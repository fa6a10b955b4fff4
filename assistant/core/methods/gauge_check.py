"""The meter's gauge beside a reference: its zero, and how far it is off at the pressures that the test uses."""
from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal
from functools import partial

from assistant.core.assessment import FAIL, PASS, Assessment, ResultSpec, assessed, result
from assistant.core.language import sentence
from assistant.core.methods.method import Method, in_units, own, ranged, rule, span
from assistant.core.methods.pressure_meter import near, passes
from assistant.core.methods.provenance import common
from assistant.core.methods.values import Values
from assistant.core.methods.work_input import WorkInput

ERROR = ResultSpec(name="gauge_error", inch_pound=("psi", "0.01"), limited=True, either_way=True,
                   own_limits=lambda settings: settings.limits.get("gauge_error", (None, settings.gauge_tolerance_psi)),
                   source=common("largest difference of the gauge from the reference, its sign kept"),
                   reported=common("the gauge reads to 0.01 psi"))


def check_gauge(readings: Sequence[Decimal], references: Sequence[Decimal], settings: Values) -> Assessment:
    """A gauge beside a reference, psi: the largest difference, its sign kept."""
    errors = [mine - theirs for mine, theirs in zip(readings, references, strict=True)]
    worst = max(errors, key=abs)
    found = result(ERROR, worst, settings)
    done = assessed([found], settings)
    if "gauge_error" in settings.limits:
        return done
    inside = abs(worst) <= settings.gauge_tolerance_psi
    why = sentence("gauge_check.agrees" if inside else "gauge_check.differs", error=found.rounded,
                   tolerance=f"{settings.gauge_tolerance_psi:f}")
    return replace(done, verdict=PASS if inside else FAIL, why=why)


READINGS = {"zero.reading": ranged(in_units(span("0", "5", "0", "0.05")))}
for _step in (1, 2, 3):  # the reference never comes by the meter's own wire
    READINGS |= {f"reference.{_step}": near(partial(Values.target, step=_step), own_gauge=False),
                 f"gauge.{_step}": near(partial(Values.target, step=_step))}


def work(given: WorkInput) -> Assessment:
    given.keys(("gauge_psi", "reference_psi"), given.COMMON)
    mine, theirs = given.as_many("gauge_psi", "reference_psi")
    return check_gauge(mine, theirs, given.settings((), (ERROR,)))


METHOD = Method(
    name="gauge-check", on_meter=True, readings=READINGS, results=(ERROR,), work=work,
    rules={"gauge_check": rule(lambda taken, settings: check_gauge(
        passes(taken, "gauge"), passes(taken, "reference"), settings))},
    values=(own("gauge_tolerance_psi", "0 0.05", "0 0.20"),))
