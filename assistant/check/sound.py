"""The check's own voice and ears, which are two of the devices that it checks."""
from __future__ import annotations

from assistant.check.finding import Finding, joined
from assistant.check.talk import Talk
from assistant.speech import mic, mic_listen, mic_report
from assistant.station import voice_out
from assistant.station.ears import Ears


class Sound:
    """Speaks the check's sentences and hears yes and no. Without a loudspeaker the sentences are only shown."""

    name = "loudspeaker"

    def __init__(self, talk: Talk, out: voice_out.Spoken) -> None:
        self._talk = talk
        self.told: list[str] = []
        self._speaker = out.speaker(on_trouble=self.told.append)
        if self.works:
            talk.attach(self._speaker)
        # Talk has all that Ears asks of a live test.
        self._ears: Ears | None = Ears(talk, self._speaker.is_deaf)  # type: ignore[arg-type]

    @property
    def works(self) -> bool:
        return self._speaker.audible

    @property
    def faults(self) -> list[str]:
        """What it complained of."""
        return self.told

    @property
    def why(self) -> str:
        return self.told[0] if self.told else "No loudspeaker answers."

    def wait(self, within_s: float) -> bool:
        """It is known as soon as it was made."""
        return self.works

    def microphone(self) -> Finding:
        """``bowlside mic check``, with nothing else of the sound open; afterwards the check is silent and answered by keys."""
        self.close()
        try:
            measured = mic_listen.listen(mic.WORDS_S)
        except mic_listen.NoMicrophone as missing:
            return Finding("microphone", False, str(missing))
        return joined("microphone", [(remark.good, remark.words) for remark in mic_report.remarks(measured)])

    def close(self) -> None:
        if self._ears is not None:
            self._ears.close()
            self._ears = None
            self._talk.attach(None)
            self._speaker.close()
