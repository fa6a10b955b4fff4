"""The strict grammar itself, and the folder that carries it: without any engine."""

import os
import shutil
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.core.expect import Expect
from models import fst, grammar, strict, vocabulary
from models.strict import NotStrict, acceptor, strict_model

EVERYTHING = grammar.automaton(Expect("reading"))
WHOLE = acceptor(EVERYTHING)
IDS = {word: number for number, word in enumerate(grammar.words_for(Expect("reading")), 1)} | {"[unk]": 99}


@given(st.lists(st.sampled_from([*IDS, "other"]), max_size=6))
def test_it_accepts_what_the_grammar_does_and_silence(words):
    assert WHOLE.accepts(words) == (not words or EVERYTHING.accepts(words))


@given(st.data())
def test_every_walk_to_an_end_is_a_sentence(data):
    at, words = 0, []
    while WHOLE.arcs[at] and not (words and at in WHOLE.finals and data.draw(st.booleans())):
        word, at = data.draw(st.sampled_from(WHOLE.arcs[at]))
        words.append(word)
    assert at in WHOLE.finals and EVERYTHING.accepts(words)


def test_a_third_decimal_and_a_lost_digit_are_no_sentences():
    assert WHOLE.accepts("two two point two two".split())
    assert not WHOLE.accepts("two two point two two two".split())
    assert not WHOLE.accepts("two two two".split()) and not WHOLE.accepts("point two".split())


def test_only_sentences_with_a_lacking_word_go():
    less = acceptor(EVERYTHING, without=["scrap", "oh"])
    assert "the" not in less.words and "oh" not in less.words      # no word of a sentence that can't be finished
    assert less.accepts(["next"]) and less.accepts("one point zero five".split())
    assert not less.accepts("one point oh five".split()) and not less.accepts("scrap the test".split())


def test_noise_may_be_unknown_words_but_never_a_part_of_a_sentence():
    noisy = acceptor(EVERYTHING, unknown=True)
    assert noisy.accepts(["[unk]"] * 3) and not noisy.accepts(["[unk]", "next"]) and not noisy.accepts(["next", "[unk]"])


@pytest.fixture
def model(tmp_path):
    folder = tmp_path / "model"
    for name in ("am/final.mdl", "conf/mfcc.conf", "graph/HCLr.fst", "graph/Gr.fst", "graph/phones/word_boundary.int"):
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(name.encode())
    (folder / "conf/model.conf").write_text("--beam=13.0\n--endpoint.rule2.min-trailing-silence=0.5\n")
    return folder


def test_it_is_made_once_and_again_when_the_model_or_the_grammar_changes(model, tmp_path):
    cache = tmp_path / "cache"
    first = strict_model(model, WHOLE, IDS, cache=cache)
    written = (first / "graph/Gr.fst").stat().st_mtime_ns
    assert strict_model(model, WHOLE, IDS, cache=cache) == first
    assert (first / "graph/Gr.fst").stat().st_mtime_ns == written
    assert strict_model(model, acceptor(EVERYTHING, without=["oh"]), IDS, cache=cache) != first
    os.utime(model / "am/final.mdl", (1, 1))
    assert strict_model(model, WHOLE, IDS, cache=cache) != first
    for number in range(strict.KEPT + 2):
        os.utime(model / "am/final.mdl", (1, 2 + number))
        newest = strict_model(model, WHOLE, IDS, cache=cache)
    assert newest.is_dir() and len(list(cache.iterdir())) == strict.KEPT


def test_its_words_are_just_those_used(model, tmp_path):
    made = strict_model(model, WHOLE, IDS, cache=tmp_path / "cache")
    assert vocabulary.known_words(made) == {"<eps>": 0, **{word: IDS[word] for word in WHOLE.words}}
    assert (made / "graph/HCLr.fst").resolve() == (model / "graph/HCLr.fst").resolve()


@pytest.mark.parametrize("name", ["graph/Gr.fst", "graph/words.txt", "conf/model.conf"])
@pytest.mark.parametrize("damage", [lambda file: file.write_bytes(b""), lambda file: file.unlink(),
                                    lambda file: file.write_bytes(bytes(file.stat().st_size))], ids=["emptied", "gone", "zeros"])
def test_what_a_power_cut_spoilt_is_made_again(model, tmp_path, name, damage):
    cache = tmp_path / "cache"
    made = strict_model(model, WHOLE, IDS, cache=cache)
    whole = (made / name).read_bytes()
    damage(made / name)
    assert strict_model(model, WHOLE, IDS, cache=cache) == made
    assert whole and (made / name).read_bytes() == whole
    assert [one.name for one in cache.iterdir()] == [made.name]    # and nothing half made stays


def test_a_link_or_a_copy_that_is_spoilt_is_made_again(model, tmp_path):
    cache = tmp_path / "cache"
    made = strict_model(model, WHOLE, IDS, cache=cache)
    (made / "am/final.mdl").unlink()
    assert (strict_model(model, WHOLE, IDS, cache=cache) / "am/final.mdl").read_bytes() == b"am/final.mdl"
    (made / "am/final.mdl").unlink()
    (made / "am/final.mdl").write_bytes(b"")
    assert (strict_model(model, WHOLE, IDS, cache=cache) / "am/final.mdl").read_bytes() == b"am/final.mdl"
    assert (model / "am/final.mdl").read_bytes() == b"am/final.mdl"


def test_every_file_and_folder_is_on_the_disk_before_the_rename(model, tmp_path, monkeypatch):
    done, fsync, rename = [], os.fsync, Path.rename
    monkeypatch.setattr("os.fsync", lambda handle: (done.append(Path(os.readlink(f"/proc/self/fd/{handle}"))), fsync(handle)))
    monkeypatch.setattr("pathlib.Path.rename", lambda old, new: (done.append("rename"), rename(old, new))[1])
    made = strict_model(model, WHOLE, IDS, cache=tmp_path / "cache")
    before = done[:done.index("rename")]
    top = before[-1]
    assert top.name == made.name and done[-1] == tmp_path / "cache"
    kept = {str(one.relative_to(top)) for one in before}
    assert kept >= {"graph/Gr.fst", "graph/words.txt", "conf/model.conf", "graph", "conf", "am", "."}


def test_folders_of_a_model_may_be_links(model, tmp_path):
    """As a package manager or a second disk makes them: what is in them belongs to the model, and its changes count."""
    for name in ("am", "graph", "ivector"):
        elsewhere = tmp_path / f"disk-{name}"
        if name == "ivector":
            elsewhere.mkdir()
            (elsewhere / "final.ie").write_bytes(b"ie")
        else:
            shutil.move(model / name, elsewhere)
        (model / name).symlink_to(elsewhere)
    (tmp_path / "disk-graph/again").symlink_to(model)              # a ring must end, and what lies beside the model stays out
    (model / "conf/up").symlink_to(tmp_path)
    made = strict_model(model, WHOLE, IDS, cache=tmp_path / "cache")
    for name in ("am/final.mdl", "graph/HCLr.fst", "graph/phones/word_boundary.int", "ivector/final.ie"):
        assert (made / name).read_bytes() == (model / name).read_bytes()
    assert not (made / "graph/again").exists() and not (made / "conf/up").exists()
    assert (tmp_path / "disk-graph/Gr.fst").read_bytes() == b"graph/Gr.fst"
    (tmp_path / "disk-ivector/final.ie").write_bytes(b"another")
    newer = strict_model(model, WHOLE, IDS, cache=tmp_path / "cache")
    assert newer != made and (newer / "ivector/final.ie").read_bytes() == b"another"


def test_without_links_it_is_copied(model, tmp_path, monkeypatch):
    def no_links(*_):
        raise OSError(1, "not permitted")
    monkeypatch.setattr("pathlib.Path.symlink_to", no_links)
    made = strict_model(model, WHOLE, IDS, cache=tmp_path / "cache")
    assert not (made / "am/final.mdl").is_symlink() and (made / "am/final.mdl").read_bytes() == b"am/final.mdl"


def test_a_model_on_a_read_only_disk_and_a_cache_that_cannot_be_written(model, tmp_path, monkeypatch):
    (tmp_path / "file").write_text("in the way")
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    before = sorted(str(path) for path in model.rglob("*"))
    for path in [model, *model.rglob("*")]:
        path.chmod(0o555 if path.is_dir() else 0o444)
    made = strict_model(model, WHOLE, IDS, cache=tmp_path / "file" / "cache")
    assert (made / "graph/words.txt").is_file() and made.is_relative_to(tmp_path)
    assert sorted(str(path) for path in model.rglob("*")) == before


@pytest.mark.parametrize("old, new, reason", [
    ("graph/HCLr.fst", "graph/HCLG.fst", "fixed graph"),
    ("graph/Gr.fst", "graph/G.fst", "no graph/HCLr.fst with Gr.fst; install"),
    ("am/final.mdl", "final.mdl", "older layout"), ("am/final.mdl", "am/first.mdl", "no am/final.mdl; install"),
    ("conf/model.conf", "conf/vosk.conf", "no conf/model.conf; install")])
def test_why_a_model_cannot_be_strict_is_told_truly(model, tmp_path, old, new, reason):
    shutil.move(model / old, model / new)
    with pytest.raises(NotStrict, match=reason) as refusal:
        strict_model(model, WHOLE, IDS, cache=tmp_path)
    assert reason == "fixed graph" or "fixed graph" not in str(refusal.value)


@pytest.mark.parametrize("content", [b"", b"\xd6\xfd\xb2~", b"\xd6\xfd\xb2~\x05\x00\x00\x00ngram", b"no fst at all" * 9])
def test_a_torn_list_of_words_is_one_sentence(model, content):
    (model / "graph/Gr.fst").write_bytes(content)
    with pytest.raises(vocabulary.NoVocabulary, match="install it again"):
        vocabulary.known_words(model)


def test_what_is_written_is_what_the_format_says():
    """Sizes counted by hand for two states and one arc. That OpenFst reads it, tests/speech/test_strict.py shows."""
    data = fst.acceptor_bytes([[(7, 0.5, 1)], []], {1: 0.0})
    assert data[:26] == b"\xd6\xfd\xb2~\x06\x00\x00\x00vector\x08\x00\x00\x00standard"[:26]
    assert len(data) == 4 + 10 + 12 + 40 + (12 + 16) + 12
