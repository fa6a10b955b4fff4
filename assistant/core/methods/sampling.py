"""Sampling (C172 / R 60): a composite of portions, from a stream or from several places. It has no result; it only may not count."""
from __future__ import annotations

from decimal import ROUND_CEILING, Decimal

from assistant.core import phrases
from assistant.core.assessment import INVALID, NONE
from assistant.core.judgement import Judgement, Marks, Taken
from assistant.core.language import sentence
from assistant.core.methods import units
from assistant.core.methods.method import InRound, Method, own, timely
from assistant.core.methods.values import Values


def _sample(_taken: Taken, _settings: Values, marks: Marks) -> Judgement:
    if not marks.invalid:
        return Judgement("good", "", (), NONE, sentence("sampling.good"))
    why = "; ".join(marks.invalid)
    return Judgement("bad", sentence("verdict.invalid", why=why), (), INVALID, why)


LEAST_FT3 = Decimal(1)
"""The least composite sample (published second-hand, see the procedure)."""


def sample_ft3(settings: Values) -> Decimal:
    """How much the sample is to be: what the job or the round asks for, and never less than C172 does; cubic feet."""
    asked = settings.amount("least_sample")
    return LEAST_FT3 if asked is None else max(LEAST_FT3, asked / units.FOOT3_IN_M3 if settings.si else asked)


def _sample_words(settings: Values) -> str:
    """The volume, rounded up to a tenth of a cubic foot or to a litre."""
    needed = sample_ft3(settings)
    if needed == LEAST_FT3:
        return units.words(settings.units)["sample"]
    return units.volume_words(needed, settings.units, "0.1", ROUND_CEILING)


def words(settings: Values) -> dict[str, str]:
    within = {f"{name}_within": phrases.duration(float(getattr(settings, f"{name}_within_s"))) for name in ("start", "mould", "portions")}
    return {**within, "sample": _sample_words(settings)}


METHOD = Method(
    name="sampling", rules={"timely": timely, "sample": _sample}, words=words, round=InRound(usual=False, is_sample=True), counts_for=("sample",),
    values=(own("start_within_s", "60 300", "60 900"), own("mould_within_s", "60 900", "60 1800"),
            own("portions_within_s", "60 900", "60 1800")))
