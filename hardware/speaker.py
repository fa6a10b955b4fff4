"""The station's mouth: says texts one after another and sounds cues, on one line of samples."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass

from hardware import cues
from hardware.mixer import RATE, Mixer
from hardware.ports import Stream, Trouble, Voice
from hardware.stream import OutputStream
from hardware.synth import RATE_WPM, SynthError

TAIL_S = 0.3               # the microphone stays deaf so long after the last sound: echo, input buffering
GAP_S = 0.12               # between two utterances
SILENCE_S = 1.5            # after so much of it, a click comes before the words, so that the first isn't lost
GUARD_S = 3.0              # an utterance that is not over so long after its length is given up


@dataclass
class _Utterance:
    ident: str
    text: str
    hushed: bool = False


class Speaker:
    """`say`, `cue`, `cues` and `hush` return at once and never raise.

    synth        the voice; when it fails, the utterance still takes its estimated time, in silence
    stream       None opens the system's loudspeaker, or silence in its place
    on_spoken    told `ident` from the speaker's own thread, exactly once for every `say`: finished, hushed
                 or failed
    on_trouble   told one plain sentence when speech or the loudspeaker fails, once until it works again
    tail_s       how long the microphone stays deaf after the last sound
    click        a short click before words that follow on silence
    """

    def __init__(self, synth: Voice, stream: Stream | None = None,
                 on_spoken: Callable[[str], None] = lambda ident: None, tail_s: float = TAIL_S,
                 on_trouble: Trouble = lambda sentence: None, mixer: Mixer | None = None,
                 rate_wpm: int = RATE_WPM, device: str | int | None = None, click: bool = True) -> None:
        self.rate_wpm = rate_wpm           # words a minute of what is said from now on; "slower" lowers it
        self._synth, self._on_spoken, self._on_trouble, self._tail_s = synth, on_spoken, on_trouble, tail_s
        self._click = cues.render("before_words", synth.RATE) if click else b""
        self._told = ""
        self.mixer = mixer or getattr(stream, "mixer", None) or Mixer(RATE)
        self.stream: Stream = stream or OutputStream(self.mixer, self._tell, device)
        self._waiting: deque[_Utterance] = deque()
        self._now: _Utterance | None = None
        self._changed = threading.Condition()
        self._working, self._closed = False, False
        self._pcm_of_cue = {name: cues.render(name, self.mixer.rate) for name in cues.NAMES}
        self._thread = threading.Thread(target=self._run, name="speaker", daemon=True)
        self._thread.start()

    def say(self, ident: str, text: str) -> None:
        """Queue `text`; `on_spoken(ident)` follows."""
        with self._changed:
            if not self._closed:
                self._waiting.append(_Utterance(ident, text))
                self._changed.notify_all()
                return
        self._finish(ident)

    def prepare(self, texts: Iterable[str], ready: Callable[[str], None] = lambda sentence: None) -> None:
        """Have fixed texts rendered in the background at the present rate; `ready` is told which voice speaks."""
        self._synth.prepare(texts, self.rate_wpm, ready)

    def cue(self, name: str) -> None:
        self.cues([(name, 0.0)])

    def cues(self, plan: list[tuple[str, float]]) -> None:
        """Place (name, seconds from now) cues; their distances are exact in samples."""
        unknown = [name for name, _ in plan if name not in self._pcm_of_cue]
        if unknown:
            self._tell(f"There is no cue named {unknown[0]!r}; the cues are {', '.join(self._pcm_of_cue)}.")
        self.mixer.place_row([(self._pcm_of_cue[name], round(offset_s * self.mixer.rate))
                              for name, offset_s in plan if name in self._pcm_of_cue])

    def drop_cues(self) -> None:
        """Forget the cues that have not begun (a scrapped test must not go on tapping)."""
        self.mixer.drop_cues()

    def hush(self, keep: Collection[str] = ()) -> None:
        """End what is being said and what waits to be said, but for the idents in `keep`; cues go on."""
        with self._changed:
            for one in (self._now, *self._waiting):
                if one is not None and one.ident not in keep:
                    one.hushed = True
            if self._now is None or self._now.hushed:
                self.mixer.hush()
            self._changed.notify_all()

    @property
    def busy(self) -> bool:
        """True while anything is said or waits to be said."""
        return self._working or bool(self._waiting)

    @property
    def audible(self) -> bool:
        """A loudspeaker plays."""
        return self.stream.audible

    def deaf_until(self) -> float:
        """Monotonic time at which the microphone may hear again, as far as is known now."""
        return self.mixer.sounding_until() + self.stream.latency_s + self._tail_s

    def is_deaf(self) -> bool:
        """True while the station sounds, and for the tail after; never while there is no loudspeaker to be
        heard."""
        return self.audible and time.monotonic() < self.deaf_until()

    @property
    def deaf(self) -> bool:
        return self.is_deaf()

    def close(self) -> None:
        """Hush and stop. Every `say` has had its `on_spoken` when this returns, unless the voice hangs."""
        self.hush()
        with self._changed:
            self._closed = True
            self._changed.notify_all()
        if self._thread is not threading.current_thread():
            self._thread.join(GUARD_S)
        self.stream.close()
        self._synth.close()

    # -- the speaker's own thread

    def _run(self) -> None:
        while True:
            with self._changed:
                self._working = False
                while not self._waiting and not self._closed:
                    self._changed.wait()
                if not self._waiting:
                    return
                self._now = utterance = self._waiting.popleft()
                self._working = True
            try:
                self._utter(utterance)
            except Exception as e:
                self._tell(f"Speech failed ({e}); text and beeps go on.")
            self._now = None
            self._working = bool(self._waiting)
            self._finish(utterance.ident)

    def _utter(self, utterance: _Utterance) -> None:
        if utterance.hushed or not utterance.text.strip():
            return
        pcm, audible = self._speech(utterance.text)
        with self._changed:
            if utterance.hushed:               # hushed while it was being rendered
                return
            if audible and self._click and time.monotonic() - self.mixer.sounding_until() >= SILENCE_S:
                pcm = self._click + pcm
            clip = self.mixer.place(pcm, self._synth.RATE, "speech", audible=audible)
        clip.over.wait(len(clip.samples) / self.mixer.rate + GUARD_S)
        with self._changed:
            if self._waiting:
                self._changed.wait_for(lambda: utterance.hushed, GAP_S)

    def _speech(self, text: str) -> tuple[bytes, bool]:
        try:
            pcm = self._synth.render(text, self.rate_wpm)
        except SynthError as e:
            self._tell(str(e))
            return bytes(2 * round(self._synth.estimate(text, self.rate_wpm) * self._synth.RATE)), False
        self._told = ""
        return pcm, True

    def _finish(self, ident: str) -> None:
        try:
            self._on_spoken(ident)
        except Exception as e:
            self._tell(f"What follows on an utterance failed ({e}).")

    def _tell(self, sentence: str) -> None:
        if sentence != self._told:
            self._told = sentence
            self._on_trouble(sentence)
