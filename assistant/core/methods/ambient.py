"""The weather of a round: temperature of the air, wind and humidity, once, where the job asks for them. Any of them may be left out."""
from __future__ import annotations

from collections.abc import Mapping

from assistant.core.assessment import NONE
from assistant.core.judgement import Judgement, Marks, Taken
from assistant.core.language import sentence
from assistant.core.methods import units
from assistant.core.methods.method import InRound, Method, in_units, ranged, span
from assistant.core.methods.provenance import common
from assistant.core.methods.values import Values


def _weather(_taken: Taken, _settings: Values, _marks: Marks) -> Judgement:
    """It judges nothing: what follows from the weather is the job's to say."""
    return Judgement("known", "", (), NONE, sentence("weather.known"))


def labels(taken: Taken, settings: Values) -> Mapping[str, str]:
    """As the report has them."""
    def plain(name: str, key: str) -> str:
        return sentence(f"weather.{key}", value=f"{taken[name]:f}") if name in taken else ""
    degrees = units.unit("temperature", settings.units)
    found = {"air_temperature": f"{taken['weather.air']:f} {degrees}" if "weather.air" in taken else "",
             "weather": ", ".join(filter(None, (plain("weather.wind", "wind_si" if settings.si else "wind_us"),
                                                plain("weather.humidity", "humidity"))))}
    return {key: text for key, text in found.items() if text}


METHOD = Method(
    name="ambient", rules={"ambient": _weather}, labels=labels, needs=("thermometer",),
    readings={"weather.air": ranged(in_units(span("-40", "130", "20", "110"), span("-40", "55", "-5", "43"))),
              "weather.wind": ranged(in_units(span("0", "150", "0", "40"), span("0", "240", "0", "65"))),
              "weather.humidity": ranged(in_units(span("0", "100", "5", "100")))},
    round=InRound(takes_s=30, usual=False, before_sample=("ambient",)),
    sources={"weather_lines": common("air temperature, wind and humidity stand on a daily report of fresh concrete")})
