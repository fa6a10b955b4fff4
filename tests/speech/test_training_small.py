"""The training command, run small: it makes a model on a CPU in a minute, and vosk, numpy and torch agree about that model.

Torch is no package of the tests: it is big and only training needs it. Where it is not there, its build without CUDA (200 MB) is
fetched into a folder that is deleted afterwards; where that can't be had within INSTALL_S (no network, another Python or
processor), all of this is skipped, and says so. The tests that need torch are run here too, since they are skipped elsewhere.
Nothing of it runs in a station, and it takes minutes: only ``python3 tests --all`` runs it.
"""

import importlib.util
import json
import os
import shutil
import subprocess
import sys
import tempfile

import numpy as np
import pytest

from assistant.setup.environment import ROOT
from models.training import kaldi
from models.vosk_engine import VoskEngine
from tests.own_network import fbank, log_probs
from tests.unit.test_voice_record import put

TORCH = ["torch==2.13.0+cpu", "--extra-index-url", "https://download.pytorch.org/whl/cpu"]
INSTALL_S, RUN_S = 180, 400                                  # so far beyond what they take that only a hang ends there
THEIRS = ("tests/unit/test_augment.py", "tests/unit/test_compose.py", "tests/unit/test_network.py",
          "tests/outside/test_vosk_scores.py")
"""Tests that need torch, or a trained model of our own."""

SCORES = """
import sys, numpy, torch
from models.training.network import Network, with_edges
state = torch.load(sys.argv[1], weights_only=True)
net = Network(state["blocks.0.conv.bias"].shape[0]).eval()
net.load_state_dict(state)
with torch.no_grad():
    features = torch.tensor(numpy.load(sys.argv[2]))[None]
    scores, _ = net(with_edges(features, torch.tensor([features.shape[1]])))
numpy.save(sys.argv[3], scores[0].log_softmax(0).T.numpy())
"""
"""torch's own calculation, in a process of its own: checkpoint, features, the file for what comes out."""

pytestmark = pytest.mark.long


@pytest.fixture(scope="module")
def python():
    """Runs our Python with torch in reach; gives what it said."""
    with tempfile.TemporaryDirectory(prefix="bowlside-torch-") as folder:
        if importlib.util.find_spec("torch") is None:
            pip = [sys.executable, "-m", "pip", "install", "--quiet", "--no-input", "--no-compile", "--retries", "0",
                   "--only-binary", ":all:", "--target", folder, *TORCH]
            try:
                subprocess.run(pip, check=True, timeout=INSTALL_S, capture_output=True, stdin=subprocess.DEVNULL)
            except (OSError, subprocess.SubprocessError):
                pytest.skip(f"torch can't be had here ({TORCH[0]}, only needed to train), so no training was tried")

        # One thread: two that wait for each other on a busy machine took twenty times as long.
        def run(*arguments: str, **more: str) -> str:
            variables = {**os.environ, **more, "PYTHONPATH": os.pathsep.join([ROOT, folder]), "OMP_NUM_THREADS": "1"}
            done = subprocess.run([sys.executable, *arguments], cwd=ROOT, env=variables, timeout=RUN_S, text=True,
                                  stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
            assert done.returncode == 0, done.stdout[-4000:]
            return done.stdout

        yield run


@pytest.fixture(scope="module")
def trained(python, tmp_path_factory):
    for program in ("espeak-ng", "flite"):
        if shutil.which(program) is None:
            pytest.skip(f"{program} is not here: apt-get install {program}")
    folder = tmp_path_factory.mktemp("training") / "all"
    assert "can be loaded by vosk" in python("-m", "models.training", str(folder), "--small")
    return folder


def test_a_folder_of_people_with_something_wrong_is_refused_before_anything_is_made(python, tmp_path):
    put(tmp_path / "people", consent=False)
    with pytest.raises(AssertionError, match=r"given/0000\.json: 0000\.txt, what its speaker agreed to, is not there"):
        python("-m", "models.training", str(tmp_path / "all"), "--small", "--people", str(tmp_path / "people"))
    with pytest.raises(AssertionError, match=r"given/0000\.json: 0000\.txt, what its speaker agreed to, is not there"):
        python("-m", "models.training.train_people", str(tmp_path / "all"), str(tmp_path / "people"))
    assert not (tmp_path / "all").exists()


def test_the_loss_falls(trained):
    about, *rows = [json.loads(line) for line in (trained / "network.jsonl").read_text("utf-8").splitlines()]
    assert about["speakers"]["espeak"] == 11 and about["speakers"]["flite"] == 6        # the twelfth's tenth is held
    assert [row["step"] for row in rows] == [10, 20, 30, 40]
    assert all(np.isfinite([row["units"], row["words"]]).all() for row in rows)
    for loss in ("units", "words"):
        assert rows[-1][loss] < 0.5 * rows[0][loss]


def test_numpy_calculates_what_torch_does(trained, python, tmp_path):
    """The network as vosk's folder has it, against the checkpoint in torch."""
    network = kaldi.read_network(trained / "model/am/final.mdl")
    for samples in (16000, 7777):
        features = fbank(np.random.default_rng(samples).normal(0, 0.1, samples))
        np.save(tmp_path / "features.npy", features)
        python("-c", SCORES, str(trained / "network.pt"), str(tmp_path / "features.npy"), str(tmp_path / "scores.npy"))
        wanted = np.load(tmp_path / "scores.npy")
        np.testing.assert_allclose(log_probs(network, features), wanted, atol=2e-3)
        assert np.ptp(wanted) > 1                           # it is not just flat


def test_vosk_hears_with_it(trained, tmp_path):
    engine = VoskEngine(trained / "model", second=False, cache=tmp_path)
    assert not engine.lacks and engine.has_unknown and engine.strict_model is not None
    heard = engine.hear_strictly(np.random.default_rng(3).normal(0, 0.1, 16000).astype(np.float32))
    assert heard == "" or engine.accepts.accepts(heard.split())


def test_what_needs_torch_or_a_trained_model_passes_too(trained, python):
    said = python("-m", "pytest", "-q", "-p", "no:cacheprovider", *THEIRS, BOWLSIDE_OWN_MODEL=str(trained / "model"))
    assert " skipped" not in said and " passed" in said, said[-4000:]
