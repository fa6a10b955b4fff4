"""Where a technician's layer is kept: who may read it, whose it is, which model it belongs to, and that it can go."""
from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from models import enrolled
from models.enrolled import NotEnrolled
from models.enrolment import Figures, Outcome


@dataclass(frozen=True)
class Layered:
    output_weight: np.ndarray
    output_bias: np.ndarray


def outcome(seed: int = 0) -> Outcome:
    dice = np.random.default_rng(seed)
    return Outcome(Layered(dice.normal(size=(5, 8)).astype(np.float32), dice.normal(size=5).astype(np.float32)),
                   Figures(0.4, 10, 18), Figures(0.2, 15, 18))


def write(source: Path, weight: np.ndarray, bias: np.ndarray, target: Path) -> None:
    """Stands for the writer of Kaldi's form, which has tests of its own."""
    target.write_bytes(source.read_bytes() + weight.tobytes() + bias.tobytes())


@pytest.fixture(autouse=True)
def home(tmp_path, monkeypatch) -> Path:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    return tmp_path / "data/bowlside/voices"


@pytest.fixture
def shipped(tmp_path) -> Path:
    for name, content in {"am/final.mdl": b"network", "conf/model.conf": b"--beam=10", "graph/HCLr.fst": b"graph"}.items():
        path = tmp_path / "own" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    return tmp_path / "own"


def test_what_is_kept_comes_back_as_it_was(shipped, home):
    enrolled.keep("anna", outcome(), shipped, "2026-11-25")
    back = enrolled.read("anna")
    assert np.array_equal(back.weight, outcome().network.output_weight) and back.weight.dtype == np.float32
    assert np.array_equal(back.bias, outcome().network.output_bias)
    assert (back.day, back.before, back.after) == ("2026-11-25", Figures(0.4, 10, 18), Figures(0.2, 15, 18))
    assert enrolled.names() == ["anna"]
    assert [path.name for path in (home / "anna").iterdir()] == ["layer.npz"]      # no sound, nothing half written


def test_nobody_else_may_look(shipped, home):
    enrolled.keep("anna", outcome(), shipped, "2026-11-25")
    for path, mode in ((home, 0o700), (home / "anna", 0o700), (home / "anna/layer.npz", 0o600)):
        assert path.stat().st_mode & 0o777 == mode


def test_again_replaces_the_first(shipped):
    enrolled.keep("anna", outcome(), shipped, "2026-11-25")
    before = enrolled.model_of("anna", shipped, write)
    first = (before / "am/final.mdl").read_bytes()
    enrolled.keep("anna", outcome(1), shipped, "2026-11-26")
    assert (enrolled.model_of("anna", shipped, write) / "am/final.mdl").read_bytes() != first
    assert enrolled.names() == ["anna"] and enrolled.read("anna").day == "2026-11-26"


@pytest.mark.parametrize("name", ["", "..", "../anna", "/etc", "a/b", ".anna", "-anna", "anna b", "a" * 33, "anna\n", "a\0"])
def test_no_name_leads_out_of_the_folder(name, shipped, home):
    for attempt in (enrolled.folder_of, enrolled.read, enrolled.delete, lambda one: enrolled.keep(one, outcome(), shipped, "")):
        with pytest.raises(NotEnrolled, match="is no name for a voice"):
            attempt(name)
    assert not home.exists()


@pytest.mark.parametrize("name", ["anna", "Zoë", "tech-2", "7"])
def test_names_of_people_are_names(name, home):
    assert enrolled.folder_of(name) == home / name


def test_the_model_is_the_shipped_one_but_for_its_network(shipped):
    enrolled.keep("anna", outcome(), shipped, "2026-11-25")
    made = enrolled.model_of("anna", shipped, write)
    assert (made / "am/final.mdl").read_bytes().startswith(b"network") and not (made / "am/final.mdl").is_symlink()
    assert (made / "graph/HCLr.fst").is_symlink() and (made / "graph/HCLr.fst").read_bytes() == b"graph"
    assert (shipped / "am/final.mdl").read_bytes() == b"network"


def test_the_model_is_made_once_and_again_after_damage(shipped):
    written = []

    def counted(*given) -> None:
        written.append(given)
        write(*given)

    enrolled.keep("anna", outcome(), shipped, "2026-11-25")
    made = enrolled.model_of("anna", shipped, counted)
    whole = (made / "am/final.mdl").read_bytes()
    enrolled.model_of("anna", shipped, counted)
    assert len(written) == 1
    (made / "am/final.mdl").write_bytes(whole[:5])             # as a power cut may leave it
    enrolled.model_of("anna", shipped, counted)
    assert len(written) == 2 and (made / "am/final.mdl").read_bytes() == whole
    (made / "graph/HCLr.fst").unlink()
    enrolled.model_of("anna", shipped, counted)
    assert len(written) == 3 and (made / "graph/HCLr.fst").exists()


def test_a_layer_of_another_version_of_the_model_is_not_used(shipped):
    enrolled.keep("anna", outcome(), shipped, "2026-11-25")
    enrolled.model_of("anna", shipped, write)
    (shipped / "am/final.mdl").write_bytes(b"newer network")
    with pytest.raises(NotEnrolled, match="another version of the station's own model"):
        enrolled.model_of("anna", shipped, write)


def test_gone_is_gone(shipped, home):
    enrolled.keep("anna", outcome(), shipped, "2026-11-25")
    enrolled.model_of("anna", shipped, write)
    enrolled.delete("anna")
    assert not list(home.iterdir()) and enrolled.names() == []
    assert (shipped / "graph/HCLr.fst").exists()               # what the links led to stays
    for attempt in (enrolled.read, enrolled.delete):
        with pytest.raises(NotEnrolled, match="No voice of anna"):
            attempt("anna")


@pytest.mark.parametrize("torn", [b"", b"PK\x03\x04", b"not a zip file at all"])
def test_a_torn_layer_is_a_sentence(torn, shipped, home):
    enrolled.keep("anna", outcome(), shipped, "2026-11-25")
    (home / "anna/layer.npz").write_bytes(torn)
    with pytest.raises(NotEnrolled, match="can't be read; delete it with bowlside enrol anna --delete"):
        enrolled.read("anna")


def test_a_copy_is_the_own_model_only_while_all_that_is_loaded_is_the_same(shipped, tmp_path, monkeypatch):
    (shipped / "graph/Gr.fst").write_bytes(b"words")
    (shipped / "CARD.md").write_text("what it is")
    monkeypatch.setattr(enrolled, "SHIPPED", shipped)
    copy = Path(shutil.copytree(shipped, tmp_path / "copy"))
    (copy / "CARD.md").unlink()
    assert enrolled.is_own(shipped) and enrolled.is_own(copy) and not enrolled.is_own(tmp_path)
    (copy / "am/final.mdl").write_bytes(b"Network")
    assert not enrolled.is_own(copy)
    shutil.copy(shipped / "am/final.mdl", copy / "am")
    (copy / "graph/Gr.fst").unlink()
    assert not enrolled.is_own(copy)
    shutil.rmtree(shipped)
    shipped.mkdir()
    assert not enrolled.is_own(copy) and not enrolled.is_own(tmp_path)


def test_no_shipped_model_is_a_sentence(tmp_path):
    with pytest.raises(NotEnrolled, match="own speech model can't be read"):
        enrolled.checksum(tmp_path / "nowhere")


def test_a_full_card_leaves_the_shipped_model_to_hear(shipped, home):
    def full(*_) -> None:
        raise OSError(28, "No space left on device", "final.mdl")

    enrolled.keep("anna", outcome(), shipped, "2026-11-25")
    with pytest.raises(NotEnrolled, match="No space left on device.*the shipped one hears"):
        enrolled.model_of("anna", shipped, full)
    assert [path.name for path in (home / "anna").iterdir()] == ["layer.npz"]
