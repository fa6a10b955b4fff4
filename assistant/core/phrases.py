"""The station's own wording: short, the same for the same thing, and no expected value before the reading is in."""
from __future__ import annotations

from decimal import Decimal

from assistant.core.settings import Settings

PRESSURE_CAUTION = "The chamber and the bowl may still be under pressure."
MAKE_SAFE = ("Lever up, eyewear on, face away. Open both petcocks slowly until nothing comes out, bleed the chamber to zero, "
             "and only then touch a clamp.")
HEARING = {
    "noisy": "It has become too loud for me: key the readings.",
    "silent": "The microphone gives no sound: look at its plug and its switch, and use the keypad.",
    "clipping": "Your voice clips: hold the microphone further away.",
    "good": "I hear you again.",
}
"""What the station says of its own hearing when that has changed."""
STROKES = 25
"""Rod strokes a layer, bowls up to 0.5 cubic feet. Published second-hand: study guide on C138 / T 121."""


def of_settings(settings: Settings, step: int | None) -> dict[str, str]:
    """Words that a procedure file may use in braces; ``step`` 1 to 3 adds ``{target}``, its charge pressure."""
    words = {name: value for name, value in settings.to_mapping().items() if isinstance(value, str)}
    words["clamps"] = str(settings.clamps)
    words["strokes"] = str(STROKES)
    words["target_1"] = str(settings.target(1))
    if step is not None:
        words["target"] = str(settings.target(step))
    return words


def duration(seconds: float) -> str:
    """"four minutes", "two minutes 30", "30 seconds": as said at the marks of a hold."""
    whole = max(0, round(seconds))
    minutes, rest = divmod(whole, 60)
    if not minutes:
        return f"{rest} second{'s' if rest != 1 else ''}"
    said = f"{minutes} minute{'s' if minutes != 1 else ''}"
    return f"{said} {rest}" if rest else said


def aloud(value: Decimal, places: int) -> Decimal:
    """The value with all its places, so that a trailing zero is read out too."""
    return value.quantize(Decimal(1).scaleb(-places))


def spoken_id(reading_id: str) -> str:
    """"equilibrium.2.3" as the technician would say it."""
    kind, _, place = reading_id.partition(".")
    if kind == "leak":
        return {"charge": "the leak charge", "initial": "the initial reading", "final": "the final reading"}[place]
    run, _, number = place.partition(".")
    kind = {"charge": "start pressure"}.get(kind, kind)
    return f"{kind}, run {run}, step {number}" if number else reading_id.replace(".", " ")


def same_kind(one: str, prompt: str) -> bool:
    """Whether a reading and a prompt are about the same kind of pressure: the leak hold, charges, equilibria."""
    return one.partition(".")[0] == prompt.partition(".")[0]
