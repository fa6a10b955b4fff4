"""Any synthesiser that pyttsx3 drives: its own espeak driver, and flite through a driver written here, in the real child."""

import ctypes.util
import shutil
import textwrap
import time

import numpy as np
import pytest

from hardware.phrase_store import PhraseStore
from hardware.synth import Synth, seconds
from hardware.voice import VoiceSettings

pytestmark = pytest.mark.skipif(ctypes.util.find_library("espeak-ng") is None,
                                reason="espeak-ng is not installed: apt install espeak-ng")
# All that pyttsx3 asks of a driver; flite writes 8 or 16 kHz.
FLITE = """
    import subprocess
    def buildDriver(proxy): return Flite(proxy)
    class Flite:
        def __init__(self, proxy): self.proxy, self.set = proxy, {"rate": 170, "voice": "kal"}
        def getProperty(self, name): return self.set[name]
        def setProperty(self, name, value):
            if name == "voice" and value not in ("kal", "slt"): raise ValueError(f"flite has no voice {value}")
            self.set[name] = value
        def save_to_file(self, text, filename):
            subprocess.run(["flite", "-voice", self.set["voice"], "--setf", f"duration_stretch={170 / self.set['rate']}",
                            "-t", text, "-o", filename], check=True, timeout=20)
        def say(self, text): raise AssertionError("it must not play by itself")
        def startLoop(self): self.proxy.setBusy(False)
        def endLoop(self): pass
        def stop(self): pass
        def destroy(self): pass
"""


@pytest.fixture
def make(tmp_path, monkeypatch):
    made = []
    (tmp_path / "flitedriver.py").write_text(textwrap.dedent(FLITE))
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))

    def synth(**voice):
        made.append(Synth(VoiceSettings(**voice), PhraseStore(tmp_path / "phrases")))
        return made[-1]
    yield synth
    for one in made:
        one.close()


def sounds_like_speech(pcm: bytes, low: float, high: float) -> None:
    wave = np.abs(np.frombuffer(pcm, "<i2").astype(int))
    assert low < seconds(pcm) < high
    assert wave.max() > 20000
    assert 0.1 < (wave > 1000).mean() < 0.95


def test_pyttsx3s_own_espeak_driver_speaks_text_after_text(make):
    synth = make(driver="espeak")
    one, other = synth.render("seven point two five"), synth.render("Press and hold.")
    sounds_like_speech(one, 1.0, 2.5)
    sounds_like_speech(other, 0.5, 1.5)
    assert one != other
    assert seconds(synth.render("seven point two five", 110)) > 1.2 * seconds(one)
    assert synth.speaks == "its default voice, espeak"
    assert synth.problem == ""


def test_a_driver_from_elsewhere_speaks_with_its_voices(make):
    if shutil.which("flite") is None:
        pytest.skip("flite is missing: apt install flite")
    kal, slt = make(driver="flitedriver"), make(driver="flitedriver", name="slt")
    sounds_like_speech(kal.render("seven point two five"), 0.8, 2.5)
    sounds_like_speech(slt.render("seven point two five"), 0.8, 2.5)
    assert kal.render("yes") != slt.render("yes")
    assert slt.describe() == "Voice: slt, flitedriver, 170 words a minute, volume 100 percent."


@pytest.mark.parametrize(("voice", "words"), [
    ({"driver": "nosuch"}, "driver 'nosuch' with voice 'en-us' can't be used (No module named 'nosuch')."),
    ({"driver": "dummy"}, "driver 'dummy' with voice 'en-us' can't be used ('DummyDriver' object has no attribute"),
    ({"driver": "json"}, "it is no pyttsx3 driver"),
    ({"driver": "flitedriver", "name": "nobody"}, "flite has no voice nobody"),
    ({"name": "xx-nowhere"}, "espeak-ng has no voice 'xx-nowhere'; espeak-ng --voices lists them."),
])
def test_one_that_cannot_be_used_is_replaced_by_our_own_and_said(make, voice, words):
    synth = make(**voice)
    sounds_like_speech(synth.render("seven point two five"), 1.0, 2.5)
    assert words in synth.problem
    assert synth.describe().endswith("en-us of espeak-ng speaks instead. Voice: " + synth.speaks +
                                     ", 170 words a minute, volume 100 percent.")
    assert "\n" not in synth.describe()


def test_phrases_prepared_are_kept_for_the_next_start_and_never_for_another_voice(make):
    texts = ["Press and hold.", "Mallet ready?", "Yes or no?"]
    told = []
    first = make()
    first.prepare(texts, 170, told.append).join(20)
    assert told == [first.describe()]
    assert "espeak-ng" in told[0]
    kept = {text: first.render(text) for text in texts}
    again = make()
    again.render("one")
    again._exchange = None                                # whatever is rendered now fails
    assert {text: again.render(text) for text in texts} == kept
    for other in (make(name="en-us+f3"), make(volume=50)):
        other.render("one")
        assert all(other.render(text) != kept[text] for text in texts)
    assert all(again.render(text) != first.render(text, 210) for text in texts)


@pytest.mark.alone
def test_what_must_be_said_now_goes_before_what_is_prepared(make):
    synth = make()
    synth.render("one")
    thread = synth.prepare([f"This is the long sentence with the number {n} in it, said in the background." for n in range(300)])
    waits = []
    for n in range(10):
        begun = time.monotonic()
        synth.render(f"now {n}")
        waits.append(time.monotonic() - begun)
    busy = thread.is_alive()
    synth.close()
    thread.join(5)
    assert not thread.is_alive()
    assert busy                                           # it was still preparing, so the waits mean something
    assert sorted(waits)[5] < 0.1
