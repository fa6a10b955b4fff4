"""The station's own wording: short, the same for the same thing, and no expected value before the reading is in."""
from __future__ import annotations

from decimal import Decimal

from assistant.core.language import CURRENT, sentence
from assistant.core.methods.values import Values

PRESSURE_CAUTION = sentence("safety.pressure")
MAKE_SAFE = sentence("safety.make_safe")
HEARING = {state: sentence(f"hearing.{state}") for state in ("noisy", "silent", "clipping", "good")}
"""What the station says of its own hearing when that has changed."""
REASONS = {digit: CURRENT.sentences[f"scrap.{digit}"] for digit in "123456789" if f"scrap.{digit}" in CURRENT.sentences}
"""Why a test was scrapped, by the digit that is keyed or said for it."""
STROKES = 25
"""Rod strokes a layer, bowls up to 0.5 cubic feet. Published second-hand: study guide on C138 / T 121."""


def of_values(settings: Values, step: int | None) -> dict[str, str]:
    """Words that a procedure file may use in braces; ``step`` 1 to 3 adds ``{target}``, its charge pressure."""
    words = {name: f"{value:f}" if isinstance(value, Decimal) else value
             for name, value in vars(settings).items() if isinstance(value, Decimal | str)}
    words["clamps"] = str(settings.clamps)
    words["strokes"] = str(STROKES)
    words["target_1"] = str(settings.target(1))
    if step is not None:
        words["target"] = str(settings.target(step))
    return words


def for_hands(buttons: bool, ident: str, **fields: object) -> str:
    """A sentence that names keys; where all there is are three buttons it names those."""
    own = f"buttons.{ident}"
    return sentence(own if buttons and own in CURRENT.sentences else ident, **fields)


def duration(seconds: float) -> str:
    """"four minutes", "two minutes 30", "30 seconds": as said at the marks of a hold."""
    whole = max(0, round(seconds))
    minutes, rest = divmod(whole, 60)
    if not minutes:
        return sentence("duration.second" if rest == 1 else "duration.seconds", n=rest)
    said = sentence("duration.minute" if minutes == 1 else "duration.minutes", n=minutes)
    return sentence("duration.both", minutes=said, rest=rest) if rest else said


def left(seconds: float) -> str:
    """"Four minutes left.", of a running clock."""
    return sentence("duration.left", duration=duration(seconds))


def aloud(value: Decimal, places: int) -> Decimal:
    """The value with all its places, so that a trailing zero is read out too."""
    return value.quantize(Decimal(1).scaleb(-places))


def time_of_day(hhmm: Decimal | str) -> str:
    """"09:11" of 911 as it is keyed, or of "09:11" as the record has it."""
    return hhmm if isinstance(hhmm, str) else f"{int(hhmm) // 100:02}:{int(hhmm) % 100:02}"


def spoken_id(reading_id: str) -> str:
    """"equilibrium.2.3" as the technician would say it."""
    kind, _, place = reading_id.partition(".")
    run, _, step = place.partition(".")
    if own := CURRENT.sentences.get(f"reading.{reading_id}"):
        return own
    if run.isdigit() and step.isdigit() and (named := CURRENT.sentences.get(f"reading.{kind}")):
        return sentence("reading.place", kind=named, run=run, step=step)
    return reading_id.replace(".", " ")


def capital(text: str) -> str:
    """As at the beginning of a sentence."""
    return text[:1].upper() + text[1:]


def same_kind(one: str, prompt: str) -> bool:
    """Whether a reading and a prompt are about the same kind of pressure: the leak hold, charges, equilibria."""
    return one.partition(".")[0] == prompt.partition(".")[0]
