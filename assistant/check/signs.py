"""What the station shows and sounds: lamp, buzzer and loudspeaker. Only a person can tell whether it arrives."""
from __future__ import annotations

from functools import partial

from assistant.check.devices import Opened, Settings
from assistant.check.finding import Finding
from assistant.check.talk import ANSWER_S, Talk
from assistant.station import sounds
from assistant.station.device_names import NAMES, listed
from hardware import cues
from hardware.rhythms import MEANS
from hardware.wiring.header import named

LOOKS = {"waiting": "a short flash every one and a half seconds", "hold": "light, with a short gap every two seconds",
         "tap": "even flashing, twice a second", "wrong": "two flashes, then a pause"}
"""How each pattern of hardware/rhythms.py looks, in words that leave out its colour."""
SOUNDS = {"waiting": "one short beep", "hold": "one long beep", "tap": "even beeps, twice a second", "wrong": "two long beeps"}
CUES = ("digit_5", *cues.OF_A_TEST)


def lamp_or_buzzer(talk: Talk, device: Opened, settings: Settings, within_s: float = ANSWER_S) -> Finding:
    """Dark or silent, then each pattern."""
    name, section = device.name, settings[device.name]
    calm, see, words = ("dark", "see", LOOKS) if name == "lamp" else ("silent", "hear", SOUNDS)
    answer = talk.yes(f"Is the {name} {calm} now?", within_s)
    if answer is None:
        return unanswered(name)
    if not answer:
        other = str(not section["active_high"]).lower()
        return Finding(name, False, f"It is on when it should be {calm}: set active_high = {other} in [{name}].")
    missed: list[str] = []
    for pattern, looks in words.items():
        device.show(pattern)
        answer = talk.yes(f"{MEANS[pattern].capitalize()}: do you {see} {looks}?", within_s, again=partial(device.show, pattern))
        if answer is None:
            device.show("off")
            return unanswered(name)
        if not answer:
            missed.append(pattern)
    device.show("off")
    if len(missed) == len(words):
        what = "an LED may be the wrong way round" if name == "lamp" else f'kind = "{section["kind"]}" may be the wrong one'
        return Finding(name, False, f"It never comes on: look at its wires to {named(section['pin'])} and to ground; {what}.")
    if missed:
        return Finding(name, False, f"Not seen or heard: {listed([MEANS[pattern] for pattern in missed])}. It works, so look at "
                                    "where it hangs: it must stand out in the sun and the noise.")
    return Finding(name, True, f"All {len(words)} patterns arrive.")


def loudspeaker(talk: Talk, within_s: float = ANSWER_S) -> Finding:
    """The voice, then the cues, each after its name."""
    answer = talk.yes("This is the voice of the station. Do you understand it with the machines running?", within_s)
    if answer is None:
        return unanswered("loudspeaker")
    if not answer:
        return Finding("loudspeaker", False, "The voice is not understood: turn the loudspeaker up, bring it closer, or let it "
                                             "speak slower (rate_wpm in [voice]).")
    _cues(talk)
    answer = talk.yes(f"Did you hear {len(CUES)} sounds, each after its name?", within_s, again=lambda: _cues(talk))
    if answer is None:
        return unanswered("loudspeaker")
    if not answer:
        return Finding("loudspeaker", False, "The voice is heard and the sounds are not: turn it up, or use lamp or buzzer.")
    return Finding("loudspeaker", True, "Voice and sounds are heard.")


def _cues(talk: Talk) -> None:
    def tell(means: str) -> None:
        talk.tell(f"  {means}", aloud=means)
        talk.silent()
    sounds.in_turn(CUES, tell, talk.cue, talk.pause)


def unanswered(device: str) -> Finding:
    return Finding(device, None, f"Nobody answered, so the {NAMES[device]} was not judged.")
