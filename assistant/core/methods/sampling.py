"""Sampling (C172 / R 60): a composite of portions from the middle of the load. It has no result; it only may not count."""
from __future__ import annotations

from assistant.core import phrases
from assistant.core.assessment import INVALID, NONE
from assistant.core.judgement import Judgement, Marks, Taken
from assistant.core.language import sentence
from assistant.core.methods.method import InRound, Method, own, timely
from assistant.core.methods.values import Values


def _sample(_taken: Taken, _settings: Values, marks: Marks) -> Judgement:
    if not marks.invalid:
        return Judgement("good", "", (), NONE, sentence("sampling.good"))
    why = "; ".join(marks.invalid)
    return Judgement("bad", sentence("verdict.invalid", why=why), (), INVALID, why)


def words(settings: Values) -> dict[str, str]:
    return {f"{name}_within": phrases.duration(float(getattr(settings, f"{name}_within_s")))
            for name in ("start", "mould", "portions")}


METHOD = Method(
    name="sampling", rules={"timely": timely, "sample": _sample}, words=words, round=InRound(usual=False, is_sample=True), counts_for=("sample",),
    values=(own("start_within_s", "60 300", "60 900"), own("mould_within_s", "60 900", "60 1800"),
            own("portions_within_s", "60 900", "60 1800")))
