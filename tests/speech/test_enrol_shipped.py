"""`bowlside enrol` from recordings with the model that ships, a voice never trained on: from the command to the hearing."""
from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from assistant import enrol
from assistant.cli import main
from models import enrolled
from models.enrolment import HELD_EVERY, Said
from models.grammar import EVERYTHING
from models.own_engine import OwnEngine
from models.own_model import OwnModel
from tests.speech.voices import speak


@pytest.fixture(scope="module")
def said() -> list[Said]:
    return [Said(text, speak("flite awb", text),
                 number % HELD_EVERY == HELD_EVERY - 1) for number, text in enumerate(enrol.script())]


@pytest.fixture
def recordings(said, tmp_path, monkeypatch) -> Path:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    enrol.save(tmp_path / "wavs", said)
    return tmp_path / "wavs"


def test_a_voice_is_fitted_used_and_forgotten(recordings, said, capsys):
    code = main(["enrol", "anna", "--wavs", str(recordings), "--json"])
    told = json.loads(capsys.readouterr().out)
    assert (code == 0) == told["kept"]
    assert told["after"]["loss"] < told["before"]["loss"]       # of sentences that took no part
    if not told["kept"]:
        assert enrolled.names() == []
        return
    assert main(["enrol", "anna", "--use"]) == 0
    folder, words = enrolled.in_use("anna", enrolled.SHIPPED)
    assert folder != enrolled.SHIPPED and "anna" in words
    fitted, shipped = OwnModel(folder).network, OwnModel(enrolled.SHIPPED).network
    assert np.array_equal(fitted.output_weight, enrolled.read("anna").weight)
    assert not np.array_equal(fitted.output_weight, shipped.output_weight)
    assert all(np.array_equal(one.weight, other.weight) for one, other in zip(fitted.layers, shipped.layers, strict=True))
    held = [one for one in said if one.held]
    before, after = (sum(decoding.text == one.text for one in held for decoding in engine.decodings(one.sound, EVERYTHING))
                     for engine in map(OwnEngine, (enrolled.SHIPPED, folder)))
    print(f"of {3 * len(held)} decodings of sentences held back {before} are right before, {after} after")
    assert after >= before
    assert main(["enrol", "anna", "--delete"]) == 0
    assert enrolled.in_use("anna", enrolled.SHIPPED)[0] == enrolled.SHIPPED


def test_the_shipped_layer_written_anew_hears_the_same(said, tmp_path):
    network = OwnModel(enrolled.SHIPPED).network
    enrolled.make_model(tmp_path / "same", enrolled.SHIPPED, network.output_weight, network.output_bias)
    assert (tmp_path / "same" / enrolled.NETWORK).read_bytes() == (enrolled.SHIPPED / enrolled.NETWORK).read_bytes()


def test_sentences_mixed_up_are_not_learned(recordings, capsys):
    """The texts moved on by seven: what does not sound like its words is left out, and too little is left."""
    rows = [line.split(" ", 1) for line in (recordings / enrol.TEXTS).read_text(encoding="utf-8").splitlines()]
    moved = [f"{name} {rows[(number + 7) % len(rows)][1]}" for number, (name, _) in enumerate(rows)]
    (recordings / enrol.TEXTS).write_text("\n".join(moved), encoding="utf-8")
    assert main(["enrol", "anna", "--wavs", str(recordings)]) == 1
    assert "Left out" in capsys.readouterr().err and enrolled.names() == []
