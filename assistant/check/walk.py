"""The whole walk: every device in turn, worked by the technician, answered by any key or by voice."""
from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from decimal import Decimal
from typing import Any

from assistant.check import gauges, keys, signs
from assistant.check.devices import Opened, Settings, configured, not_configured
from assistant.check.finding import Finding, joined
from assistant.check.talk import ANSWER_S, Left, Talk
from assistant.core import phrases
from assistant.station.device_names import NAMES
from hardware.clock import boot_now
from hardware.gauges.steady import Still
from hardware.keypad import TOGETHER

OPENS_S = 5.0
"""Longer than any device takes to open or to complain: a process to start, a library to load."""
REST_S = 10.0
"""A steady gauge stands still within 2 to 8 s (hardware/gauges/steady.py)."""
FREED = "is free again."
"""A slip of the finger, and a key that came free, are told as they happen and are nothing to mend."""
WELCOME = ("Every device in turn. Yes is Enter, the pedal or the word; no is C or the word; A says it again; "
           "q in the terminal ends the check.")
MICROPHONE = "Last the microphone: be quiet for five seconds, then say one, two, three, four, five. You are told when."
CHARGE = ("Lever up, and hands off it: never press it over an open bowl with the chamber charged. Charge the chamber to about "
          "15 psi and let it settle. Then say next, or no to leave that out.")
BLEED = f"Bleed the chamber to zero. {phrases.PRESSURE_CAUTION}"


class Walk:
    """One check of the devices named.

    own         every device that is configured, opened already, but for the microphone: name -> Opened
    microphone  measures the microphone, everything else of the sound being closed; one finding
    """

    def __init__(self, talk: Talk, settings: Settings, names: Sequence[str], own: Mapping[str, Any],
                 microphone: Callable[[], Finding], answer_s: float = ANSWER_S) -> None:
        self.talk, self.settings, self.names, self.own = talk, settings, names, own
        self._microphone, self._answer_s = microphone, answer_s

    def run(self) -> list[Finding]:
        """A finding for every device, also for those that were not come to."""
        findings: dict[str, Finding] = {}
        try:
            self.talk.tell(WELCOME)
            self.talk.silent()  # the next sentence would cut it off
            for name in self.names:
                findings[name] = self._one(name)
                finding = findings[name]
                self.talk.show(f"{NAMES[name]}: {finding.words}")
        except Left:
            pass
        return [findings.get(name) or Finding(name, None, "Not checked: the check was ended before.") for name in self.names]

    def _one(self, name: str) -> Finding:
        if not configured(name, self.settings):
            return Finding(name, None, not_configured(name, NAMES[name]))
        if name == "microphone":
            self.talk.tell(MICROPHONE)
            self.talk.silent()
            return self._microphone()
        device = self.own[name]
        self.talk.show(f"\nTHE {NAMES[name].upper()}")
        if not device.wait(OPENS_S):
            return Finding(name, False, device.why)
        finding = self._worked(device)
        later = [told for told in device.faults if told not in (TOGETHER, finding.words) and not told.endswith(FREED)]
        return finding if not later else joined(name, [(finding.good is not False, finding.words), (False, " ".join(later))])

    def _worked(self, device: Opened) -> Finding:
        talk, section = self.talk, self.settings.get(device.name, {})
        match device.name:
            case "loudspeaker":
                return signs.loudspeaker(talk, self._answer_s)
            case "keypad":
                talk.tell("The keypad: press each key once, as it is asked for.")
                return keys.keypad(section, keys.walk(talk, "keypad", keys.asked_of_keypad(section["legend"].split())))
            case "usb_pad":
                talk.tell("The USB pad: press each key once, as it is asked for.")
                return keys.usb_pad(keys.walk(talk, "usb_pad", keys.asked_of_pad()))
            case "buttons":
                talk.tell("The three buttons: press each, as it is asked for.")
                return keys.buttons(section, keys.walk(talk, "buttons", keys.asked_of_buttons()))
            case "pedal":
                return keys.pedal(talk, section)
            case "lamp" | "buzzer":
                return signs.lamp_or_buzzer(talk, device, self.settings, self._answer_s)
        return self._gauge(device, section)

    # --- the gauge -----------------------------------------------------------------------------------------------------

    def _gauge(self, device: Opened, section: Any) -> Finding:
        talk = self.talk
        answer = talk.yes("The gauge. Is the meter open to the air, lever up and no pressure in it?", self._answer_s)
        if answer is None:
            return signs.unanswered("gauge")
        parts: list[tuple[bool, str]] = []
        rest = None
        if answer:
            talk.tell("Leave it alone for some seconds.")
            rest = self._still(device)
            parts += gauges.open_to_air(list(device.samples), rest) if device.samples else [(False, device.why)]
        parts += self._charged(device, section, rest.value if rest else None)
        if not parts:
            return Finding("gauge", None, "Not judged: it was neither open to the air nor charged.")
        return joined("gauge", parts + gauges.with_caution(device.caution))

    def _charged(self, device: Opened, section: Any, rest: Decimal | None) -> list[tuple[bool, str]]:
        """However it ends, the caution is told: the chamber may be charged when nobody answers, or when he leaves."""
        charge: bool | None = None
        try:
            charge = self.talk.yes(CHARGE, self._answer_s)
            if not charge:
                return []
            still = self._still(device)
            parts = gauges.charged(rest, still)
            same = "Does the meter's own gauge show that, to two hundredths?"
            if still and self.talk.yes(f"The wire says {still.value} psi. {same}", self._answer_s) is False:
                parts.append((False, gauges.face_differs(still, section["unit"], section["scale"])))
            return parts
        finally:
            if charge is not False:
                self.talk.tell(BLEED)
                self.talk.silent()  # nothing cuts a caution off, leaving neither

    def _still(self, device: Opened) -> Still | None:
        """Where it stands still from now on; None if it does not within the time."""
        device.samples.clear()
        until = time.monotonic() + REST_S
        while time.monotonic() < until:
            self.talk.pause(0.1)
            samples = list(device.samples)
            if samples and (still := gauges.still_now(samples, boot_now())) is not None:
                return still
        return None
